"""How a recording goes, in plain lines."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from types import FrameType

    from ingest.record.recorder import Recorder
    from ingest.record.said import Summary

SAY_EVERY_S: Final = 5.0
LOOK_EVERY_S: Final = 0.25
MAX_CELLS: Final = 6


@contextmanager
def ends_on_termination() -> Iterator[None]:
    """Let the system's wish to end this program end a recording as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def interrupt(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def record_until_over(
    recorder: Recorder,
    follow: Callable[[StatusLines], None],
    say: Callable[[str], None],
    note: Callable[[str], None],
) -> Summary:
    """Follow a recording until it is over or interrupted; it is stopped whatever happens.

    Parameters
    ----------
    recorder
        It was started.
    follow
        Watches over it until its time is over.
    say, note
        Print a line to standard output and to standard error.
    """
    status = StatusLines(recorder)
    try:
        with ends_on_termination():
            follow(status)
    except KeyboardInterrupt:
        note("ending the recording")
    finally:
        summary = recorder.stop()
    for line in status.last(summary):
        say(line)
    return summary


class StatusLines:
    """What is to be said of a recording, a line at a time.

    Parameters
    ----------
    recorder
        It was started.
    """

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self._said = time.monotonic()
        self._began = time.monotonic()
        self._bytes = -1
        self._heard = time.monotonic()

    def wait(self) -> list[str]:
        """Wait a moment; gives what happened, and now and then how it stands."""
        time.sleep(LOOK_EVERY_S)
        lines = self._happened()
        if time.monotonic() - self._said >= SAY_EVERY_S:
            self._said = time.monotonic()
            lines.append(self._standing())
        return lines

    def is_over(self, seconds: float | None, until_silent: float | None) -> bool:
        """Whether the recording has lasted as long as it was to.

        Parameters
        ----------
        seconds
            Its length, s.
        until_silent
            Silence after the last byte that ends it, s.
        """
        now = time.monotonic()
        count = self._recorder.counters.bytes
        if count != self._bytes:
            self._bytes, self._heard = count, now
        if seconds is not None and now - self._began >= seconds:
            return True
        return until_silent is not None and count > 0 and now - self._heard >= until_silent

    def last(self, summary: Summary) -> list[str]:
        """What is said at the end."""
        counters = summary.counters
        return [
            *self._happened(),
            f"{counters.lines} lines in {summary.duration_s:.1f} s, {counters.rows} in the log, "
            f"{counters.rejected} not used, {counters.events} events",
            *(f"{finding.fault}: {finding.detail}" for finding in summary.findings),
            f"the run is in {self._recorder.folder}",
        ]

    def _happened(self) -> list[str]:
        return [f"{each.host_s:8.1f} s  {each.text}" for each in self._recorder.messages()]

    def _standing(self) -> str:
        recorder = self._recorder
        counters = recorder.counters
        cells = [
            f"{name} {cell.text}" for name, cell in list(recorder.latest().items())[:MAX_CELLS]
        ]
        lost = f", {counters.rejected} not used" if counters.rejected else ""
        standing = f"{recorder.host_s():8.1f} s  {counters.rows} lines{lost}"
        return "  ".join([standing, *cells])
