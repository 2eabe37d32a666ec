"""What the recorder stands: rate, load, latency, kills, full disks, noise, hours.

``python benchmarks/recording.py [rate|load|kill|full|noise|hours ...]``: all of them where none is
named. Every part sends lines whose cells follow from their number, and checks every cell that was
recorded. POSIX only (pseudo-terminals; `full` mounts a small file system where it may).
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from ingest.load.load import load_run
from ingest.record.replay_port import Outlet
from tests.support.loggers import (
    SteadySender,
    numbered_line,
    numbered_setup,
    outlet,
    recorded_numbers,
    wait_for,
    write_setup,
)

ROOT = Path(__file__).resolve().parents[1]
RECORDER = """
import json, sys, time
from pathlib import Path
from ingest.record.recorder import Recorder
waits = []
def synced(oldest, now):
    waits.append((oldest, now))
made = json.loads(sys.argv[1])
if made.get("resume"):
    recorder = Recorder.resume(Path(made["folder"]), on_sync=synced)
else:
    recorder = Recorder.create(
        Path(made["setup"]), Path(made["folder"]), (made["url"],), on_sync=synced
    )
recorder.start()
sys.stdin.readline()
summary = recorder.stop()
import resource
used = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps({
    "lines": summary.counters.lines, "rows": summary.counters.rows,
    "rejected": summary.counters.rejected, "failure": summary.failure,
    "cpu_s": used.ru_utime + used.ru_stime, "waits": waits,
}))
"""


class Recording:
    """A recorder in a process of its own."""

    def __init__(self, folder: Path, url: str, *, resume: bool = False) -> None:
        setup = folder.parent / "setup.toml"
        if not resume:
            write_setup(folder.parent, numbered_setup())
        made = {"setup": str(setup), "folder": str(folder), "url": url, "resume": resume}
        self.process = subprocess.Popen(
            [sys.executable, "-c", RECORDER, json.dumps(made)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def stop(self) -> dict[str, object]:
        out, _ = self.process.communicate("\n")
        found: dict[str, object] = json.loads(out.splitlines()[-1])
        return found

    def cpu_s(self) -> float:
        fields = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii").split()
        return (int(fields[13]) + int(fields[14])) / os.sysconf("SC_CLK_TCK")

    def resident_mb(self) -> float:
        fields = Path(f"/proc/{self.process.pid}/statm").read_text(encoding="ascii").split()
        return int(fields[1]) * resource.getpagesize() / 2**20


@contextmanager
def place() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="recording-") as name:
        yield Path(name) / "run"


def send_at(made: Outlet, rate: float, seconds: float) -> float:
    """Send at an even rate; gives how long it took."""
    start, number, last = time.monotonic(), 0, round(rate * seconds)
    while number < last:
        due = min(int((time.monotonic() - start) * rate) + 1, last)
        if due > number:
            assert made.send(b"".join(map(numbered_line, range(number, due))))
            number = due
        time.sleep(0.001)
    return time.monotonic() - start


def rate() -> None:
    """10,000 lines a second of 12 channels through a pseudo-terminal for 60 s."""
    with outlet("pty") as made, place() as folder:
        recording = Recording(folder, made.url)
        wait_for(made.listened, 30)
        time.sleep(0.5)
        took = send_at(made, 10_000, 60)
        made.drain(10)
        time.sleep(1)
        found = recording.stop()
        numbers = recorded_numbers(folder / "log.csv")
        whole = numbers == list(range(600_000))
        print(f"rate: 600000 lines sent in {took:.1f} s, {len(numbers)} recorded, all: {whole}")
        print_latency(found)


def print_latency(found: dict[str, object]) -> None:
    """Every record since the last flush waits for the next: even over the time between flushes."""
    waits = np.array(found["waits"], dtype=np.float64) / 1e9
    worst = waits[:, 1] - waits[:, 0]
    spread = np.concatenate([np.linspace(0, each, 50) for each in worst])
    print(
        f"  receive to on disk: 99th percentile {np.quantile(spread, 0.99):.3f} s, "
        f"longest {worst.max():.3f} s, {len(waits)} flushes"
    )


def load() -> None:
    """100 lines a second: share of one core."""
    with outlet("pty") as made, place() as folder:
        recording = Recording(folder, made.url)
        wait_for(made.listened, 30)
        time.sleep(2)
        before, start = recording.cpu_s(), time.monotonic()
        sender = SteadySender(made, 100)
        sender.start()
        time.sleep(30)
        share = (recording.cpu_s() - before) / (time.monotonic() - start)
        sender.stop()
        time.sleep(0.5)
        found = recording.stop()
        kept = len(recorded_numbers(folder / "log.csv"))
        print(
            f"load: {100 * share:.1f} % of one core at 100 lines/s; {len(sender.sent)} sent, {kept}"
        )
        print_latency(found)


def kill(turns: int = 100) -> None:
    """Kills at random moments, each followed by a resume."""
    chance = np.random.default_rng(2026)
    ups: list[tuple[float, float]] = []
    with outlet("pty") as made, place() as folder:
        sender = SteadySender(made, 200)
        sender.start()
        for turn in range(turns):
            recording = Recording(folder, made.url, resume=turn > 0)
            wait_for(made.listened, 60)
            opened = time.monotonic()
            time.sleep(float(chance.exponential(0.8)))
            recording.process.kill()
            ups.append((opened, time.monotonic()))
            recording.process.communicate()
            wait_for(lambda: not made.listened())
            if turn % 10 == 0:
                load_run(folder)
        sender.stop()
        run = load_run(folder)
        numbers = recorded_numbers(folder / "log.csv")
        kept = set(numbers)
        due = [
            number
            for number, at in sender.sent.items()
            if any(opened < at < killed - 1.0 for opened, killed in ups)
        ]
        lost = [number for number in due if number not in kept]
        late = [
            number
            for number, at in sender.sent.items()
            if number not in kept and any(opened < at < killed for opened, killed in ups)
        ]
        print(
            f"kill: {turns} kills; {len(numbers)} lines recorded, "
            f"{len(numbers) - len(kept)} twice, in order: {numbers == sorted(numbers)}; "
            f"{len(due)} older than 1 s, {len(lost)} of them lost; "
            f"younger ones lost: {len(late)}; loads {run.readings.height} rows"
        )


def full() -> None:
    """A file system of 4 MiB fills up."""
    with place() as folder:
        small = folder.parent / "small"
        small.mkdir()
        mounted = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(small)], check=False
        )
        if mounted.returncode:
            print("full: no small file system can be mounted here")
            return
        try:
            with outlet("pty") as made:
                inside = small / "run"
                shutil.copy(write_setup(folder.parent, numbered_setup()), small / "setup.toml")
                recording = Recording(inside, made.url, resume=False)
                wait_for(made.listened, 30)
                number = 0
                while made.listened() and number < 200_000:
                    if made.send(b"".join(map(numbered_line, range(number, number + 50)))):
                        number += 50
                    time.sleep(0.003)
                found = recording.stop()
                numbers = recorded_numbers(inside / "log.csv")
                run = load_run(inside)
                print(
                    f"full: {number} sent, {len(numbers)} in the log without a hole: "
                    f"{numbers == list(range(len(numbers)))}, loads {run.readings.height} rows; "
                    f"{[each.fault for each in run.findings]}\n  {found['failure']}"
                )
        finally:
            subprocess.run(["umount", str(small)], check=True)


def noise() -> None:
    """A fifth of all bytes on the line is random."""
    chance = np.random.default_rng(7)
    with outlet("pty") as made, place() as folder:
        recording = Recording(folder, made.url)
        wait_for(made.listened, 30)
        time.sleep(0.5)
        size = 0
        for number in range(20_000):
            line = numbered_line(number)
            size += len(line)
            made.send(line)
            if number % 10 == 9:
                made.send(chance.bytes(size // 4) + b"\n")
                size = 0
        made.drain(10)
        time.sleep(1)
        found = recording.stop()
        found.pop("waits")
        log = (folder / "log.csv").read_text(encoding="utf-8").splitlines()
        right = {numbered_line(number).decode().strip() for number in range(20_000)}
        there = len(right & set(log))
        print(
            f"noise: {there} of 20000 lines in the log, {len(log) - 1 - there} of noise among "
            f"them; loads {load_run(folder).readings.height} rows; {found}"
        )


def hours() -> None:
    """Eight hours at 10 lines a second, faster than real time: memory."""
    lines = 8 * 3600 * 10
    with outlet("pty") as made, place() as folder:
        recording = Recording(folder, made.url)
        wait_for(made.listened, 30)
        time.sleep(2)
        held = []
        for start in range(0, lines, 2880):
            made.send(b"".join(map(numbered_line, range(start, start + 2880))))
            time.sleep(0.3)
            held.append(recording.resident_mb())
        made.drain(10)
        time.sleep(1)
        recording.stop()
        whole = recorded_numbers(folder / "log.csv") == list(range(lines))
        print(
            f"hours: all {lines} lines: {whole}; resident after each hour and a bit: "
            f"{', '.join(f'{each:.0f}' for each in held[::13])} MiB"
        )


PARTS: dict[str, Callable[[], None]] = {
    "rate": rate,
    "load": load,
    "kill": kill,
    "full": full,
    "noise": noise,
    "hours": hours,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", nargs="*", choices=[*PARTS])
    for name in parser.parse_args().part or PARTS:
        PARTS[name]()


if __name__ == "__main__":
    main()
