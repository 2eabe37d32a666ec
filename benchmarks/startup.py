"""How long `lukewarm --help` takes, as a multiple of a Python that does nothing.

Run it from the project's folder with ``python benchmarks/startup.py``. In pairs one right after the
other, because other work may share the computer; the shortest of each counts, and the median ratio.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAIRS = 15
NOTHING = ("-c", "pass")
HELP = (str(ROOT / "lukewarm.py"), "--help")


def seconds(arguments: Sequence[str]) -> tuple[float, float]:
    """Time of the clock and of the processor that one Python takes, s."""
    wall, before = time.perf_counter(), os.times()
    subprocess.run([sys.executable, *arguments], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    wall, after = time.perf_counter() - wall, os.times()
    return wall, sum(after[2:4]) - sum(before[2:4])


def main() -> None:
    """Print the ratios."""
    pairs = [(seconds(NOTHING), seconds(HELP)) for _ in range(PAIRS)]
    for place, what in enumerate(("wall clock", "processor time")):
        nothing = [each[place] for each, _ in pairs]
        shown = [each[place] for _, each in pairs]
        if not min(nothing):  # clocks of the processor are coarse on some systems
            continue
        middle = statistics.median(b / a for a, b in zip(nothing, shown, strict=True))
        print(
            f"{what}: --help {1000 * min(shown):.0f} ms, nothing {1000 * min(nothing):.0f} ms: "
            f"{min(shown) / min(nothing):.1f} times (median of pairs {middle:.1f})"
        )


if __name__ == "__main__":
    main()
