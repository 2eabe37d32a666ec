"""Plays a recorded run as its logger would: into a pseudo-terminal or to whoever connects.

The log's lines go out as they stand in the file, in real time or faster; the control events go
between them as lines of their own, with the log's time of each, so that a recording of it gives
the same figures as the run itself.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from ingest.clock.reader import open_reader
from ingest.events.file import read_event_lines
from ingest.files import find_files
from ingest.record.recover import prepare
from ingest.record.replay_port import Outlet
from ingest.table.text.read import read_text_table
from ingest.table.text.source import Source
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.clock.reader import TimeReader
    from ingest.files import RunFiles

SETTLE_S: Final = 0.3
"""Silence between the moment somebody listens and the first line."""
LARGEST_BATCH: Final = 1 << 14
LONGEST_STEP_S: Final = 60.0
"""A gap in the log takes no longer than this to play."""
_POLL_S: Final = 0.05
_DRAIN_S: Final = 10.0


@dataclass(frozen=True)
class Script:
    """What is sent and when.

    Parameters
    ----------
    lines
        Lines with their ends.
    due
        Shape (n,): when each is due, s from the first, not decreasing.
    """

    lines: tuple[bytes, ...]
    due: NDArray[np.float64]

    @property
    def duration_s(self) -> float:
        """How long it takes in real time, s."""
        return float(self.due[-1]) if self.due.size else 0.0


def read_script(place: Path) -> Script:
    """The script of a run.

    Parameters
    ----------
    place
        As for `ingest.load.load.load_run`.

    Raises
    ------
    UnusableRun
        Where the run's log or events cannot be read.
    """
    files = find_files(place, None, prepare(place))
    with Source(files.log, files.setup.log) as source:
        text = source.whole(None).text.replace(b"\0", b"")
    lines = text.removesuffix(b"\n").split(b"\n")
    table = read_text_table(files.log, files.setup.log)
    reader, readings = open_reader(table, files.setup.log)
    reached = np.full(len(lines), np.nan)
    for row in range(table.height):
        reached[table.line(row) - 1] = readings[row]
    due = _due(reached)
    sent = [line + b"\r\n" for line in lines]
    return _with_events(files, reader, sent, reached, due)


def _due(reached: NDArray[np.float64]) -> NDArray[np.float64]:
    """When lines are due: at their own time, those without one along with the line before."""
    known = np.flatnonzero(np.isfinite(reached))
    steps = np.zeros(reached.size)
    if known.size:
        steps[known[1:]] = np.clip(np.diff(reached[known]), 0.0, LONGEST_STEP_S)
    due: NDArray[np.float64] = np.cumsum(steps)
    return due


def _with_events(
    files: RunFiles,
    reader: TimeReader,
    sent: list[bytes],
    reached: NDArray[np.float64],
    due: NDArray[np.float64],
) -> Script:
    if files.events is None or files.setup.events is None:
        return Script(tuple(sent), due)
    refs = [str(ref) for ref in reader.refs]
    events = read_event_lines(files.events, refs if len(refs) > 1 else ()).events
    times = reader.candidates([event.time for event in events])[0] + files.setup.events.offset
    known = np.flatnonzero(np.isfinite(reached))
    far = np.maximum.accumulate(reached[known])
    # before the first line that is later; what has no time, or lies after the end, comes last
    at = np.searchsorted(far, np.where(np.isfinite(times), times, np.inf), side="right")
    before = np.append(known, len(sent))[at]
    # nothing before the first row: a logger's names come before its readings
    before = np.maximum(before, known[0] + 1 if known.size else 0)
    marked = [f"!@{event.time}!{event.control},{event.position}\r\n".encode() for event in events]
    order = np.argsort(before, kind="stable")
    lines: list[bytes] = []
    when: list[float] = []
    waiting = iter([(int(before[each]), marked[each]) for each in order])
    following = next(waiting, None)
    for place in range(len(sent) + 1):
        while following is not None and following[0] <= place:
            lines.append(following[1])
            when.append(float(due[min(place, len(sent) - 1)]))
            following = next(waiting, None)
        if place < len(sent):
            lines.append(sent[place])
            when.append(float(due[place]))
    return Script(tuple(lines), np.array(when))


def play(
    script: Script,
    outlet: Outlet,
    speed: float = 1.0,
    *,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Send a script.

    It begins when somebody listens. In real time it then goes on as a logger does, heard or not;
    as fast as possible it waits for whoever listens.

    Parameters
    ----------
    script
        What is sent.
    outlet
        Where to.
    speed
        1 for real time, 10 for ten times as fast, 0 for as fast as possible.
    progress
        Told the script's time now and then.

    Returns
    -------
    int
        Lines that were sent while somebody listened.
    """
    _wait_for_ear(outlet)
    start = time.monotonic()
    place, heard = 0, 0
    while place < len(script.lines):
        end = _end_of_batch(script, place, start, speed)
        if end == place:
            time.sleep(min(max(script.due[place] / speed - (time.monotonic() - start), 0), _POLL_S))
            continue
        if outlet.listened():
            if outlet.send(b"".join(islice(script.lines, place, end))):
                heard += end - place
            elif speed == 0:
                continue  # the ear was lost in the middle: from the top of this batch
        elif speed == 0:
            _wait_for_ear(outlet)
            continue
        place = end
        if progress is not None:
            progress(float(script.due[place - 1]))
    outlet.drain(_DRAIN_S)
    return heard


def _wait_for_ear(outlet: Outlet) -> None:
    while not outlet.listened():
        time.sleep(_POLL_S)
    time.sleep(SETTLE_S)


def _end_of_batch(script: Script, place: int, start: float, speed: float) -> int:
    """One past the last line to send now."""
    now = np.inf if speed == 0 else (time.monotonic() - start) * speed
    size, end = 0, place
    while end < len(script.lines) and script.due[end] <= now and size < LARGEST_BATCH:
        size += len(script.lines[end])
        end += 1
    return end
