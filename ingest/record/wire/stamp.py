"""One line of a growing log through the loader's own eyes: its cells, and the time of an event.

The head of the log and the line are read as a log of their own, so that whatever dialect the
loader knows holds here too.
"""

from __future__ import annotations

import math
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ingest.clock.reader import PER_SECOND, SECONDS_PER, TimeReader, open_reader
from ingest.errors import UnusableRun
from ingest.table.text.read import read_text_table
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import LogTable

HEAD_CHARACTERS: Final = 16 << 10
"""How much of the log's beginning is kept to read a line by."""
_DECIMALS: Final = {"s": 3, "ms": 0, "us": 0, "epoch s": 3, "epoch ms": 0, "min": 5, "h": 7}


@dataclass(frozen=True)
class SeenLine:
    """A line of the log.

    Parameters
    ----------
    cells
        Column name → cell as it stands.
    time_text
        Its time as it stands, date and time joined; None where it has none.
    reading_s
        That time as the log's clock reads, s; NaN where it has none.
    reader
        How the log's times are read; None where that is not known yet.
    """

    cells: dict[str, str]
    time_text: str | None
    reading_s: float
    reader: TimeReader | None


def see_line(head: str, line: str, log: LogTable) -> SeenLine | None:
    """Read a line as the loader would.

    Parameters
    ----------
    head
        The log's beginning, whole lines.
    line
        The line, without its end.
    log
        The set-up's `[log]`.

    Returns
    -------
    SeenLine or None
        None where the line is no row of readings, or the log's head makes no table yet.
    """
    text = head if head.endswith(line + "\n") else f"{head}{line}\n"
    try:
        return _see_last(text, log)
    except OSError:  # no room for a temporary file
        return None


def _see_last(text: str, log: LogTable) -> SeenLine | None:
    with tempfile.TemporaryDirectory(prefix="lukewarm-") as folder:
        path = Path(folder) / "head.csv"
        path.write_text(text, encoding="utf-8", newline="\n")
        try:
            table = read_text_table(path, log)
        except UnusableRun:
            return None
        last = table.height - 1
        if table.line(last) != text.count("\n"):
            return None
        cells = {name: table.text(at)[last] or "" for at, name in enumerate(table.names)}
        try:
            reader, readings = open_reader(table, log)
        except UnusableRun:
            return SeenLine(cells, None, math.nan, None)
        return SeenLine(cells, reader.texts(table)[last], float(readings[last]), reader)


def event_time(seen: SeenLine, later_s: float) -> str | None:
    """The log's time of an event, written as the log writes its times.

    Parameters
    ----------
    seen
        A line near it.
    later_s
        How much later than that line it was, by the host's clock, s.

    Returns
    -------
    str or None
        For times that are plain numbers, the moment itself; for times that are texts, that of the
        line. None where the line has no time.
    """
    reader = seen.reader
    if reader is None or seen.time_text is None or not math.isfinite(seen.reading_s):
        return None
    if reader.form is not None:
        return seen.time_text
    unit = reader.unit or "s"
    moment = seen.reading_s + later_s
    number = moment / SECONDS_PER[unit] if unit in SECONDS_PER else moment * PER_SECOND[unit]
    return f"{round(number, _DECIMALS[unit]) + 0.0:.{_DECIMALS[unit]}f}"
