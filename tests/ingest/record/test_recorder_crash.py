"""What is left of a recording that was killed, or ran out of disk."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from ingest.load.load import load_run
from ingest.record import journal
from ingest.record.recorder import Recorder
from tests.support.loggers import (
    SteadySender,
    numbered_line,
    numbered_setup,
    outlet,
    recorded_numbers,
    recorder_on,
    wait_for,
    write_setup,
)

ROOT = Path(__file__).parents[3]
KEPT_AFTER_S = 1.0
"""Everything older than this is there after a crash."""
LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
sys.argv[0] = "lukewarm"
import lukewarm
lukewarm.main()
"""


PLAIN = "import lukewarm; lukewarm.main()"


def lukewarm(*arguments: str, code: str = PLAIN) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_killed_at_any_moment_and_resumed(tmp_path: Path) -> None:
    chance = np.random.default_rng(11)
    folder = tmp_path / "run"
    setup = write_setup(tmp_path, numbered_setup())
    ups: list[tuple[float, float]] = []
    with outlet() as made:
        sender = SteadySender(made, 200)
        sender.start()
        try:
            for turn in range(4):
                first = ("record", made.url, "--setup", str(setup), "--out", str(folder))
                again = ("record", "--resume", str(folder))
                process = lukewarm(*(first if turn == 0 else again))
                wait_for(made.listened)
                opened = time.monotonic()
                time.sleep(float(chance.uniform(0.1, 2.5)))
                process.kill()
                ups.append((opened, time.monotonic()))
                process.communicate()
                if turn == 1:  # looked at in between, which puts the files in order
                    load_run(folder)
                wait_for(lambda: not made.listened())
        finally:
            sender.stop()
    found = [finding.fault for finding in load_run(folder).findings]
    assert found.count("recording_incomplete") == 1
    numbers = recorded_numbers(folder / "log.csv")
    assert numbers == sorted(set(numbers))  # in order, none twice
    kept = set(numbers)
    firsts = set()
    for opened, killed in ups:
        due = [n for n, at in sender.sent.items() if opened + 0.2 < at < killed - KEPT_AFTER_S]
        missing = [n for n in due if n not in kept]
        assert missing == []
        firsts.add(len(due))
    assert max(firsts) > 50


def test_a_file_that_may_not_grow_ends_the_recording_in_order(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    setup = write_setup(tmp_path, numbered_setup())
    with outlet() as made:
        process = lukewarm(
            "record", made.url, "--setup", str(setup), "--out", str(folder), code=LIMITED
        )
        wait_for(made.listened)
        number = 0
        while made.listened() and number < 50_000:
            if made.send(b"".join(map(numbered_line, range(number, number + 20)))):
                number += 20
            time.sleep(0.002)
        _, said = process.communicate(timeout=30)
    assert process.returncode == 1
    assert "a disk that takes no more" in said
    assert "Traceback" not in said
    numbers = recorded_numbers(folder / "log.csv")
    assert numbers == list(range(len(numbers)))
    assert len(numbers) > 4000
    assert "recording_stopped" in [finding.fault for finding in load_run(folder).findings]


def test_a_disk_that_fills_up_while_the_log_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.write
    full = [False]

    def write(file: int, data: bytes) -> int:
        if full[0]:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(file, data)

    folder = tmp_path / "run"
    with outlet() as made:
        recorder = Recorder.create(write_setup(tmp_path, numbered_setup()), folder, (made.url,))
        recorder.start()
        wait_for(made.listened)
        made.send(b"".join(map(numbered_line, range(100))))
        wait_for(lambda: recorder.counters.lines == 100)
        monkeypatch.setattr(journal.os, "write", write)
        full[0] = True
        made.send(numbered_line(100))
        wait_for(lambda: not recorder.running)
        summary = recorder.stop()
    assert summary.failure is not None
    assert "disk" in summary.failure or "cannot be written" in summary.failure
    full[0] = False
    assert load_run(folder).readings.height == 100
    with outlet(made.url) as again, Recorder.resume(folder) as recorder:
        wait_for(again.listened)
        time.sleep(0.2)
        again.send(b"".join(map(numbered_line, range(200, 300))))
        wait_for(lambda: recorder.counters.lines == 200)
    assert recorded_numbers(folder / "log.csv") == [*range(100), *range(200, 300)]


def test_memory_does_not_grow_with_the_recording(tmp_path: Path) -> None:
    import tracemalloc

    lines = 20_000  # half an hour at ten lines a second
    with outlet() as made, recorder_on(made.url, tmp_path) as recorder:
        wait_for(made.listened)
        held: list[int] = []
        tracemalloc.start()
        try:
            for start in range(0, lines, 1000):
                made.send(b"".join(map(numbered_line, range(start, start + 1000))))
                wait_for(lambda up_to=start + 1000: recorder.counters.lines == up_to)
                held.append(tracemalloc.get_traced_memory()[0])
        finally:
            tracemalloc.stop()
    assert max(held[10:]) < max(held[:10]) + 200_000
