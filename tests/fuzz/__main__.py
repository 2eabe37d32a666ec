"""`python -m tests.fuzz --count 20000`: many spoilt folders; exit 1 where one was not answered."""

from __future__ import annotations

import argparse
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

import sample_logs
from tests.fuzz.judged import good_folder, judged
from tests.fuzz.mutate import spoil

SAMPLES = ("SC-014-complaint", "SC-019-complaint", "SC-046-complaint", "SC-071-baseline")


class TooLongError(BaseException):
    """No answer in time; no `except Exception` of the program may swallow it."""


def _too_long(*_: object) -> None:
    raise TooLongError


def _options() -> argparse.Namespace:
    options = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    options.add_argument("--count", type=int, default=200)
    options.add_argument("--first", type=int, default=0, help="seed of the first folder")
    options.add_argument("--patience", type=int, default=20, help="seconds for one answer")
    options.add_argument(
        "--every", type=int, default=8, help="rows of the logs kept, one in so many"
    )
    options.add_argument("--keep", type=Path, help="folder for what was not answered")
    return options.parse_args()


def main() -> int:
    asked = _options()
    signal.signal(signal.SIGALRM, _too_long)
    outcomes: Counter[str] = Counter()
    slowest, began = (0.0, -1), time.monotonic()
    with tempfile.TemporaryDirectory(prefix="lukewarm-fuzz-") as work:
        home = Path(sample_logs.__file__).parent
        good = {name: good_folder(Path(work) / name, home / name, asked.every) for name in SAMPLES}
        for seed in range(asked.first, asked.first + asked.count):
            folder = Path(work) / "spoilt" / f"run-{seed}"
            shutil.copytree(good[SAMPLES[seed % len(SAMPLES)]], folder)
            done = spoil(folder, seed)
            start = time.monotonic()
            signal.alarm(asked.patience)
            try:
                outcomes[judged(folder)] += 1
            except TooLongError:
                outcomes["late"] += 1
                print(f"seed {seed} ({', '.join(done)}): no answer in {asked.patience} s")
            except Exception:  # whatever it is, it is what is looked for
                outcomes["failed"] += 1
                last = traceback.format_exc().strip().splitlines()
                place = [line.strip() for line in last if line.strip().startswith("File")][-1]
                print(f"seed {seed} ({', '.join(done)}): {last[-1][:200]} at {place}")
                if asked.keep:
                    shutil.copytree(
                        folder, asked.keep / folder.name, symlinks=True, dirs_exist_ok=True
                    )
            finally:
                signal.alarm(0)
            slowest = max(slowest, (time.monotonic() - start, seed))
            shutil.rmtree(folder)
    told = ", ".join(f"{count} {word}" for word, count in sorted(outcomes.items()))
    took = f"slowest {slowest[0]:.1f} s (seed {slowest[1]})"
    print(f"{asked.count} folders in {time.monotonic() - began:.0f} s: {told}; {took}")
    return 1 if outcomes["failed"] or outcomes["late"] else 0


if __name__ == "__main__":
    sys.exit(main())
