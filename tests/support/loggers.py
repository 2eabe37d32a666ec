"""Made-up loggers for tests of the recorder: lines that tell when they were sent."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from ingest.record.recorder import Recorder
from ingest.record.replay_port import Outlet, open_outlet
from ingest.record.test_plan import Place, Plan, parse_plan, usual_plan_text
from ingest.record.wire.lines import xor_checksum
from ingest.setup.model import Heater

CHANNELS = 12
NAMES = ("n", *(f"c{at}" for at in range(1, CHANNELS + 1)))


def numbered_line(number: int) -> bytes:
    """A line of twelve channels whose cells follow from its number, so that damage would show."""
    cells = (f"{(number * 7 + at * 131) % 1000 / 10:.1f}" for at in range(CHANNELS))
    return f"{number},{','.join(cells)}\n".encode()


def with_nmea(body: bytes) -> bytes:
    """A line with its checksum, as a logger would print it."""
    return b"$%b*%02X" % (body, xor_checksum(body))


def numbered_setup(time: str = '{ column = "n", unit = "s" }', serial: str = "") -> str:
    """The run.toml that belongs to numbered lines; `n` passes for a time."""
    return (
        '[run]\nvehicle = "SC-900"\n[log]\n'
        f"time = {time}\n"
        '[channels.outlet]\ncolumn = "c1"\nunit = "degC"\n'
        '[channels.ambient]\ncolumn = "c2"\nunit = "degC"\n'
        f"[serial]\ncolumns = {list(NAMES)!r}\n{serial}"
    )


def usual_plan(heater: Heater, place: Place = "yard") -> Plan:
    """The plan that comes with the tool for a heater layout."""
    return parse_plan(usual_plan_text(heater, place))


def write_setup(folder: Path, text: str) -> Path:
    """Put a run.toml into a folder."""
    path = folder / "setup.toml"
    path.write_text(text, encoding="utf-8")
    return path


def recorder_on(url: str, folder: Path, setup: str | None = None) -> Recorder:
    """A recorder into `folder`/run, not yet started: of numbered lines where no other is set up."""
    path = write_setup(folder, numbered_setup() if setup is None else setup)
    return Recorder.create(path, folder / "run", (url,))


PATIENCE_S = 200.0
"""Waits end with what they wait for; a machine under load must not fail a test for being slow."""


def wait_for(condition: Callable[[], bool], longest_s: float = PATIENCE_S) -> None:
    """Wait until something holds; fail where it never does."""
    until = time.monotonic() + longest_s
    while not condition():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.01)


@contextmanager
def outlet(to: str = "socket://127.0.0.1:0") -> Iterator[Outlet]:
    """A place that lines come from."""
    made = open_outlet(to)
    try:
        yield made
    finally:
        made.close()


def record_lines(
    setup: str, lines: Iterable[bytes], folder: Path, *, events: Iterable[tuple[str, str]] = ()
) -> Recorder:
    """Record some lines from start to end; the recorder is stopped."""
    with outlet() as made:
        recorder = recorder_on(made.url, folder, setup)
        recorder.start()
        try:
            wait_for(made.listened)
            sent = 0
            for line in lines:
                assert made.send(line)
                sent += len(line)
            wait_for(lambda: recorder.counters.bytes >= sent)
            for control, position in events:
                recorder.note_event(control, position)
        finally:
            recorder.stop()
    return recorder


class SteadySender(threading.Thread):
    """Sends numbered lines at an even rate for as long as somebody listens.

    `sent` holds for every line the monotonic time (`time.monotonic`) at which it was on its way.
    """

    def __init__(self, to: Outlet, rate: float) -> None:
        super().__init__(daemon=True)
        self.sent: dict[int, float] = {}
        self._to = to
        self._every = 1.0 / rate
        self._stopping = threading.Event()

    def run(self) -> None:
        number, due = 0, time.monotonic()
        while not self._stopping.is_set():
            if self._to.listened() and self._to.send(numbered_line(number)):
                self.sent[number] = time.monotonic()
            number += 1
            due += self._every
            self._stopping.wait(max(0.0, due - time.monotonic()))

    def stop(self) -> None:
        self._stopping.set()
        self.join()


def recorded_numbers(log: Path) -> list[int]:
    """Numbers of the lines of a recorded log; every cell is checked."""
    lines = log.read_text(encoding="utf-8").splitlines()
    assert lines[0] == ",".join(NAMES)
    numbers = [int(line.partition(",")[0]) for line in lines[1:]]
    for number, line in zip(numbers, lines[1:], strict=True):
        assert line.encode() + b"\n" == numbered_line(number)
    return numbers
