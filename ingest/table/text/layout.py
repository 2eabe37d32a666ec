"""What stands above the readings: names, units, remarks, and which name belongs to which column.

The row of names is the nearest row of text above the first reading that has about as many cells
as the readings; a row of units may stand below or above it, and below both a row of words such as
``Avg``, which are no names. Everything else above is kept as metadata. Where names and cells differ
in number they are matched from the left, which is said; where even that is doubtful, columns can
only be had by number (`Layout.doubtful`).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.run import Finding, Rejected
from ingest.table.cells import kind_of
from ingest.table.text.dialect import BLANKS, WIDE_BLANKS, Cut, Line
from ingest.table.text.joins import fractions, joined
from ingest.table.text.spans import find_spans, place_names
from ingest.table.units import clean_unit, is_unit, names_no_unit, split_unit, unit_of_name
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import LogTable

HEADER_MISMATCH: Final = finding(
    "header_mismatch",
    "line {line}: {what}; {how}",
    do="Check that run.toml's columns hold what their names say.",
)
JOINED_CELLS: Final = finding(
    "joined_cells",
    "line {line}: {left!r} and {right!r} are read as one cell "
    "{joined!r}, because the names are fewer than the cells",
    do="Check a few readings against the logger's own display.",
)

_COMMENT: Final = re.compile(r"^\s*(?:#+|%+|//+|;+|\*+|!+)\s*")
_TIME_NAME: Final = re.compile(
    r"(?i)^(?:t|s|ms|x|(?:time|zeit|tijd|temps|tiempo|tempo|tid|date|datum|fecha|data|uhr|clock|stamp"
    r"|elapsed|sec|heure|hora|ora|timestamp).*|.*(?:time|zeit|uhrzeit))$"
)
_SUMMARIES: Final = frozenset(
    [
        *("avg", "average", "mean", "mittel", "mittelwert", "moyenne", "media", "med", "median"),
        *("min", "minimum", "max", "maximum", "total", "sum", "rms"),
        *("std", "stdev", "sdev"),
    ]
)
"""What a measuring station writes of the readings between two rows, below names and units."""
_UNITS_SHARE: Final = 0.6
_HEADER_SHARE: Final = 0.5
_ROWS_ABOVE: Final = 6


@dataclass(frozen=True, slots=True)
class Layout:
    """Names, units and lines of the first part of a file.

    Parameters
    ----------
    names, units
        One a column as written (before columns without name and content are taken off).
    aliases
        Other rows of names above the readings (channel numbers, descriptions).
    doubtful
        Why names cannot be trusted to stand over their columns; None where they can.
    surplus
        Names to the right of the last column, which have no readings.
    rejected
        Lines above the first reading that begin like one, but are none.
    """

    names: tuple[str, ...]
    units: tuple[str | None, ...]
    header: Line | None
    units_row: Line | None
    first: Line
    metadata: tuple[str, ...]
    aliases: tuple[tuple[str, ...], ...] = ()
    doubtful: str | None = None
    surplus: tuple[str, ...] = ()
    joins: tuple[int, ...] = ()
    join_with: str = "."
    findings: tuple[Finding, ...] = ()
    rejected: tuple[Rejected, ...] = ()


def find_layout(lines: Sequence[Line], cut: Cut, log: LogTable, file: str) -> Layout:
    """Find the first reading and what stands above it.

    Raises
    ------
    UnusableRun
        Where there is no line of readings.
    """
    at = _first_reading(lines, cut, log)
    if at is None:
        raise UnusableRun(
            Fault(
                file,
                f"no line of readings ({len(lines)} lines of text)",
                "lines of numbers below the names",
                "check that the logger was recording",
            )
        )
    # readings that went wrong from the start are no names, however many there are
    text = [line for line in lines[:at] if not _is_broken_reading(line, cut)][-_ROWS_ABOVE:]
    above = [(line, _uncommented(line.text, cut)) for line in text]
    if log.header_row is None:
        header, units_row = _pick_rows(above, cut, log)
    else:
        header, units_row = _stated_rows(lines[:at], cut, log, file)
    below = [line for line in lines[:at] if header is None or line.number > header.number]
    broken = [
        line
        for line in below
        if line != units_row
        and (_begins_like_a_reading(line, cut) or _is_broken_reading(line, cut))
    ]
    metadata = tuple(line.text for line in lines[:at] if line not in (header, units_row, *broken))
    aliases = tuple(
        tuple(cells)
        for line, cells in above
        if line not in (header, units_row)
        and len(cells) == cut.width
        and sum(bool(cell) for cell in cells) > 0.8 * cut.width
    )
    rows = {line: _uncommented(line.text, cut) for line in (header, units_row) if line}
    base = Layout(
        names=tuple(str(number) for number in range(1, cut.width + 1)),
        units=(None,) * cut.width,
        header=header,
        units_row=units_row,
        first=lines[at],
        metadata=metadata,
        aliases=aliases,
        rejected=tuple(_rejected(line, cut, file) for line in broken),
    )
    if header is None:
        return base
    readings = [cut.cells(line.text) for line in lines[at : at + 50]]
    names, units = rows[header], rows[units_row] if units_row else []
    doubtful = None
    if cut.delimiter in (BLANKS, WIDE_BLANKS):
        names, units, doubtful = _over_columns(base, names, units, lines[at:], cut)
    return _match(base, names, units, readings, cut, doubtful)


def _begins_like_a_reading(line: Line, cut: Cut) -> bool:
    cells = cut.cells(line.text)
    return len(cells) > 1 and kind_of(cells[0]) in {"N", "T", "U"}


def _is_broken_reading(line: Line, cut: Cut) -> bool:
    """Whether a line has a reading's cells, if not all of their kinds, and cannot be names.

    A name that is a number is a whole one. Beside a number or a time that comes first there are
    names only where they have letters and differ.
    """
    cells = cut.cells(line.text)
    if len(cells) != cut.width or cut.width < 2:
        return False
    kinds = [kind_of(cell) for cell in cells]
    if any(kind in "NU" and not cell.isdigit() for cell, kind in zip(cells, kinds, strict=True)):
        typed = sum(kind in "NUTW" for kind in kinds)
        return kinds[0] in "NT" or 2 * typed >= len(kinds) - kinds.count("E")
    text = [cell for cell, kind in zip(cells, kinds, strict=True) if kind == "X"]
    if kinds[0] not in "NT" or not text:
        return False
    letters = [cell for cell in text if any(mark.isalpha() for mark in cell)]
    return len(set(letters)) < max(2, len(letters))


def _rejected(line: Line, cut: Cut, file: str) -> Rejected:
    cells = len(cut.cells(line.text))
    reason = f"{cells} cells where the other lines have {cut.width}"
    if cells == cut.width:
        reason = "no reading like those below it"
    return Rejected(file, line.number, line.text[:200], reason)


def _uncommented(text: str, cut: Cut) -> list[str]:
    mark = _COMMENT.match(text)
    if mark and not (cut.delimiter == ";" and mark.group().strip().startswith(";")):
        text = text[mark.end() :]
    cells = cut.cells(text)
    if cut.delimiter == WIDE_BLANKS and len(cells) != cut.width:
        words = text.split()
        return words if len(words) == cut.width or (not mark and len(cells) < 2) else cells
    return cells


def _first_reading(lines: Sequence[Line], cut: Cut, log: LogTable) -> int | None:
    stated_header = log.header is True
    for at, line in enumerate(lines):
        if (stated_header and at == 0) or line.number <= (log.header_row or 0):
            continue
        if not cut.fits(cut.cells(line.text)):
            continue
        following = lines[at + 1 : at + 5]
        if not following or any(cut.fits(cut.cells(after.text)) for after in following):
            return at
    return None


def _pick_rows(
    above: list[tuple[Line, list[str]]], cut: Cut, log: LogTable
) -> tuple[Line | None, Line | None]:
    """Row of names and row of units among the lines above the readings."""
    if log.header is False:
        return None, None
    station = _above_summaries(above, cut)
    if station is not None:
        return station[0], station[1] if log.units_row is not False else None
    rows = [(line, cells) for line, cells in reversed(above) if _may_be_names(cells, cut)]
    if not rows:
        if log.header is True and above:
            return above[-1][0], None
        return None, None
    first, second = rows[0], rows[1] if len(rows) > 1 else None
    if log.units_row is False:
        return first[0], None
    if second is not None and (log.units_row is True or is_units_row(first[1])):
        if log.units_row is not True and is_units_row(second[1]):
            return first[0], second[0]
        if log.units_row is True and is_units_row(second[1]) and not is_units_row(first[1]):
            return first[0], second[0]
        return second[0], first[0]
    if second is not None and is_units_row(second[1]):
        return first[0], second[0]
    return first[0], None


def _stated_rows(
    above: Sequence[Line], cut: Cut, log: LogTable, file: str
) -> tuple[Line, Line | None]:
    """The row of names that the set-up states, and a row of units beside it.

    Raises
    ------
    UnusableRun
        Where that line is blank or holds a reading.
    """
    at = next((i for i, line in enumerate(above) if line.number == log.header_row), None)
    if at is None:
        raise UnusableRun(
            Fault(
                f"{file} line {log.header_row}",
                "no text above the readings",
                "the names of the columns, as [log] header_row says",
                "correct header_row in run.toml",
            )
        )
    near = [above[i] for i in (at + 1, at - 1) if 0 <= i < len(above)]
    stated = log.units_row is True
    units = (line for line in near if stated or is_units_row(_uncommented(line.text, cut)))
    return above[at], None if log.units_row is False else next(units, None)


def _above_summaries(above: list[tuple[Line, list[str]]], cut: Cut) -> tuple[Line, Line] | None:
    """Names and units where a row such as ``,,Mean,Max`` follows them; None where there is none."""
    if len(above) < 3:
        return None
    (names_line, names), (units_line, units), (_, last) = above[-3:]
    if not are_summaries(last):
        return None
    named = names[: cut.width]
    distinct = all(named) and len(set(named)) == cut.width
    # the time and the number of a row have no unit
    over = [unit for unit, summary in zip(units, last, strict=False) if summary]
    return (names_line, units_line) if distinct and is_units_row(over) else None


def are_summaries(cells: Sequence[str]) -> bool:
    """Whether a row says of some columns, not all, how a station made one reading of many."""
    filled = [cell for cell in cells if cell]
    words = {cell.lower().rstrip(".") for cell in filled}
    return 0 < len(filled) < len(cells) and words <= _SUMMARIES


def _may_be_names(cells: Sequence[str], cut: Cut) -> bool:
    filled = [cell for cell in cells if cell]
    if len(filled) < max(1, _HEADER_SHARE * (cut.width - cut.kinds.count("E"))):
        return False
    nameless_first = len(cells) == cut.width and not cells[0]
    if cut.width > 1 and len(filled) < 2 and not nameless_first:
        return False
    # a numbered header ("Time, 1, 2, 3") has text where the readings have their time
    text = [cell for cell in filled if kind_of(cell) == "X" or is_unit(cell)]
    return bool(text) and (cells[0] in text or not cells[0] or 2 * len(text) > len(filled))


def is_units_row(cells: Sequence[str]) -> bool:
    """Whether most filled cells of a row are units."""
    filled = [cell for cell in cells if not names_no_unit(cell)]
    return bool(filled) and sum(map(is_unit, filled)) >= _UNITS_SHARE * len(filled)


def _over_columns(
    base: Layout, names: list[str], units: list[str], sample: Sequence[Line], cut: Cut
) -> tuple[list[str], list[str], str | None]:
    """Put the rows above blank-parted columns over them, by their positions if need be."""
    spans = find_spans(sample, cut)

    def placed(line: Line | None, cells: list[str]) -> list[str] | None:
        if line is None or len(cells) == cut.width:
            return cells
        mark = _COMMENT.match(line.text)
        blanked = " " * mark.end() + line.text[mark.end() :] if mark else line.text
        return place_names(blanked, cut.width, spans)

    over, units_over = placed(base.header, names), placed(base.units_row, units)
    if over is None and not joined(len(names), [cut.cells(x.text) for x in sample[:50]], cut)[0]:
        return list(base.names), [], f"{len(names)} words stand over {cut.width} columns"
    return over or names, units_over or [], None


def _match(
    base: Layout,
    header: list[str],
    units: list[str],
    readings: list[list[str]],
    cut: Cut,
    doubtful: str | None,
) -> Layout:
    """Put the names over the columns."""
    width = cut.width
    names = list(header)
    while len(names) > width and not names[-1]:
        names.pop()
    found: list[Finding] = []
    joins: tuple[int, ...] = ()
    join_with = "."
    named = len(names) - next((i for i, name in enumerate(reversed(names)) if name), 0)
    if doubtful:
        found.append(_mismatch(base, doubtful, named=False))
    elif named < width and not _empty_beyond(readings, named):
        joins, join_with = joined(named, readings, cut)
        if joins:
            width = named
            found.append(_join_finding(base, joins, join_with, readings))
        elif len(names) < width:
            doubtful = _narrow(names, readings, cut) or _perhaps_commas(named, readings, cut)
            what = f"{len(names)} names stand over {width} columns"
            found.append(_mismatch(base, what, named=not doubtful))
    surplus = tuple(names[width:])
    if surplus:
        what = f"{len(names)} names stand over {width} columns"
        found.append(_mismatch(base, what, named=True))
    names = (names + [""] * width)[:width]
    cells = (units + [""] * width)[:width]
    return replace(
        base,
        names=tuple(names),
        units=tuple(_unit(name, cell) for name, cell in zip(names, cells, strict=True)),
        doubtful=doubtful,
        surplus=surplus,
        joins=joins,
        join_with=join_with,
        findings=tuple(found),
    )


def _unit(name: str, cell: str) -> str | None:
    if cell and not names_no_unit(cell):
        return clean_unit(cell)
    return unit_of_name(name)


def _empty_beyond(readings: list[list[str]], width: int) -> bool:
    return not any(cell for row in readings for cell in row[width:])


def _narrow(names: Sequence[str], readings: list[list[str]], cut: Cut) -> str | None:
    """Why a header with too few names cannot be matched from the left; None where it can."""
    rows = [row for row in readings if len(row) == cut.width]
    first_is_time = bool(_TIME_NAME.match(split_unit(names[0])[0])) and (
        cut.kinds[:1] == ("T",) or _increases(rows, 0)
    )
    second_too = cut.kinds[1:2] == ("T",) or _increases(rows, 1)
    if first_is_time and not second_too:
        return None
    return f"{len(names)} names stand over {cut.width} columns"


def _perhaps_commas(named: int, readings: list[list[str]], cut: Cut) -> str | None:
    """Why the comma of a comma file may be a decimal one; None where it is not."""
    rows = [row for row in readings if len(row) == cut.width]
    columns = list(zip(*rows, strict=True))
    if cut.delimiter != "," or not fractions(columns, cut.width - named):
        return None
    return f"{named} names stand over {cut.width} columns, whose commas may be decimal ones"


def _increases(rows: list[list[str]], at: int) -> bool:
    try:
        values = [float(row[at].replace(",", ".")) for row in rows]
    except ValueError:
        return False
    return len(values) > 2 and all(b > a for a, b in itertools.pairwise(values))


def _mismatch(base: Layout, what: str, *, named: bool) -> Finding:
    line = base.header.number if base.header else 0
    how = "the names are taken from the left" if named else "columns can only be had by number"
    return HEADER_MISMATCH.found(line=line, what=what, how=how, evidence={"line": float(line)})


def _join_finding(
    base: Layout, joins: tuple[int, ...], join_with: str, readings: list[list[str]]
) -> Finding:
    at = joins[0]
    left, right = readings[0][at], readings[0][at + 1]
    return JOINED_CELLS.found(
        line=base.first.number,
        left=left,
        right=right,
        joined=left + join_with + right,
        evidence={"joins": float(len(joins))},
    )
