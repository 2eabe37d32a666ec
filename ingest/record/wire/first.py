"""Whether the first line after a port was opened is a whole one.

A recorder that starts while a logger prints may catch the end of a line first. Where the cut goes
through the time, ``232.50`` instead of ``1232.50``, the rest still looks like a line, and a run
that begins twenty minutes too early has every figure wrong. The two lines after it tell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from ingest.record.wire.derivation import Derivation
from ingest.record.wire.stamp import see_line

if TYPE_CHECKING:
    from ingest.setup.model import LogTable

NEEDED: Final = 3
_LARGEST_STEP: Final = 10.0
"""Times the step between the second and third line."""
_NEAR_S: Final = 0.5
"""Nearer than any digit taken off the front of a time in seconds would leave it."""


def time_cell(derivation: Derivation) -> int | None:
    """Where the time stands in a line; None where only the whole log shows it."""
    time = derivation.setup.log.time
    own = derivation.port_columns[0]
    if (
        time is None
        or not derivation.as_received
        or not (own or derivation.setup.log.header is False)
    ):
        return None
    ref = time.column if time.column is not None else (time.columns or ("",))[0]
    if isinstance(ref, int):
        return ref - 1
    return own.index(ref) if ref in own else None


def is_whole(cells: tuple[str, str, str]) -> bool:
    """Whether the first of three lines that follow each other is a whole one.

    Parameters
    ----------
    cells
        The cells of their times.
    """
    numbers = [_number(cell) for cell in cells]
    if not all(math.isfinite(number) for number in numbers[1:]):
        return len(cells[0]) >= len(cells[1])  # a clock with fixed places
    step = abs(numbers[2] - numbers[1])
    if not math.isfinite(numbers[0]):
        return False
    return step == 0 or abs(numbers[1] - numbers[0]) <= _LARGEST_STEP * step


def is_continued(head: str, lines: Sequence[str], log: LogTable) -> bool:
    """Whether the first of three lines after a port came back is surely a whole one.

    A cut takes off the beginning of a line, so that only a time in the first column can tell.

    Parameters
    ----------
    head
        The log's beginning, whole lines.
    lines
        Lines that follow each other.
    log
        The set-up's `[log]`.
    """
    seen = [see_line(head, line, log) for line in lines[:NEEDED]]
    known = [each for each in seen if each is not None and each.time_text is not None]
    if len(known) < NEEDED:
        return False
    first, second, third = (each.reading_s for each in known)
    leading = next(iter(known[0].cells.values()))
    if not leading or not (known[0].time_text or "").startswith(leading):
        return False
    return abs(second - first) <= max(_LARGEST_STEP * abs(third - second), _NEAR_S)


def _number(cell: str) -> float:
    try:
        return float(cell.strip(' "').replace(",", "."))
    except ValueError:
        return math.nan
