"""Which character is the decimal mark and which groups thousands, inferred from consistency alone.

A cell *proves* its decimal mark where no grouping of digits in threes can explain it: another
number of digits than three after the mark (``3.65``), more than three before it (``1234.567``),
a zero or nothing before it (``0.250``), an exponent, or the other mark before it (``1,234.5``).
What one column proves holds for the columns of the file that prove nothing; a column's own proof
comes first.

* ``1.003.000`` where the point is proven: the *last* point is the decimal mark, those before it
  group thousands, so this is 1003.000 (loggers that write ms.µs through a grouping printf). Where
  nothing proves it, every mark groups: 1003000.
* ``1.234`` where nothing proves anything: read as 1.234, and said in a finding; but where the
  same column has bare whole numbers below 1000 and goes on from them without a jump only if the
  mark groups thousands (998, 999, 1.000), it is read as 1234, and that is said too.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from ingest.findings import finding
from ingest.run import Finding
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

MIXED_DECIMAL_MARKS: Final = finding(
    "mixed_decimal_marks",
    "decimal points and decimal commas in one column; only those with {mark!r} are read as numbers",
    do="State decimal in [log], and check how the log was written.",
)
DECIMAL_DISAGREES: Final = finding(
    "decimal_disagrees",
    "{example!r} has the decimal mark {own!r}, and not {other!r} as "
    "run.toml states or the rest of the file has; the column is read by its own",
    do="Check the column; correct decimal in [log] if it is wrong.",
)
AMBIGUOUS_NUMBER: Final = finding(
    "ambiguous_number",
    "{example!r} may have a decimal mark or a thousands mark and nothing in the file tells "
    "which; {mark!r} is read as the decimal mark; state decimal or thousands in [log]",
    do="State decimal or thousands in [log].",
)
THOUSANDS_MARK: Final = finding(
    "thousands_mark",
    "{mark!r} is read as a thousands mark in {example!r}, because the column is consistent "
    "only so; state decimal or thousands in [log] if it is not",
    do="State decimal or thousands in [log] if it is not.",
)

DECIMALS: Final = (".", ",")
_SMOOTHER: Final = 3.0
"""How much larger the jumps of one reading of a column must be to rule that reading out."""


@dataclass(frozen=True, slots=True)
class Marks:
    """How numbers are written.

    Parameters
    ----------
    decimal
        ``.`` or ``,``.
    proven
        Whether a cell proves it (or the set-up states it).
    thousands
        The mark that groups digits where it is stated or was inferred from smoothness; None allows
        blanks, apostrophes and whichever of point and comma is not the decimal mark; "" none.
    """

    decimal: str = "."
    proven: bool = False
    thousands: str | None = None


def _proof(mark: str) -> str:
    m, other = re.escape(mark), re.escape(other_mark(mark))
    number = (
        rf"(?:\d+{m}\d{{0,2}}|\d*{m}\d{{4,}}|\d{{4,}}{m}\d*|0*{m}\d+|\d+{m}\d+[eE][+-]?\d+"
        rf"|\d{{1,3}}(?:{other}\d{{3}})+{m}\d*)"
    )
    return rf"[+\-−]?{number}(?:[eE][+-]?\d+)?"


def other_mark(mark: str) -> str:
    """The point for the comma and the comma for the point."""
    return "," if mark == "." else "."


PROOF_OF_CELL: Final = {mark: rf"^{_proof(mark)}\s*(?:$|[^\d.,:/\s].*$)" for mark in DECIMALS}
"""A whole cell (a unit may follow the number) that proves a decimal mark."""


def marks_of_sample(text: str, delimiter: str) -> tuple[Marks, bool]:
    """Decimal mark that the first part of a file speaks for.

    Parameters
    ----------
    text
        Lines of readings.
    delimiter
        What parts the cells.

    Returns
    -------
    Marks, bool
        And whether the sample proves both marks (in different columns).
    """
    proven = [mark for mark in DECIMALS if _proves(text, delimiter, mark)]
    if len(proven) == 1:
        return Marks(proven[0], proven=True), False
    if proven:
        return Marks(".", proven=False), True
    comma = delimiter != "," and "," in text
    return Marks("," if comma and "." not in text else ".", proven=False), False


def _proves(text: str, delimiter: str, mark: str) -> bool:
    if mark not in text or (mark == delimiter and '"' not in text):
        return False
    parted = re.escape(delimiter)
    if mark == delimiter:  # within quotation marks only, of which the first opens a cell
        before = rf'(?:^|{parted})[ \t]*"'
        after = r'(?=[ \t]*(?:[^\d.,:/\s"][^"\n]*)?")'
    else:
        before = rf'(?:^|["{parted}])'
        after = rf'(?=\s*(?:$|["{parted}]|[^\d.,:/\s]))'
    return re.search(rf"(?m){before}[ \t]*{_proof(mark)}{after}", text) is not None


def settle(cells: pl.Series, of_file: Marks) -> tuple[Marks, list[Finding]]:
    """Decimal mark of one column.

    Parameters
    ----------
    cells
        The column's text, stripped.
    of_file
        What the file as a whole speaks for.
    """
    present = [mark for mark in DECIMALS if cells.str.contains(mark, literal=True).any()]
    if not present or of_file.thousands is not None:
        return of_file, []
    if of_file.proven and present == [of_file.decimal]:
        return of_file, []
    proven = [mark for mark in present if cells.str.contains(PROOF_OF_CELL[mark]).any()]
    if len(proven) == 2:
        # a cell such as 1,234 must not pass for a grouped number here
        return replace(of_file, thousands=""), [MIXED_DECIMAL_MARKS.found(mark=of_file.decimal)]
    if proven:
        own = Marks(proven[0], proven=True)
        return own, [_disagreement(cells, of_file)] if _disagree(own, of_file) else []
    if of_file.proven:
        return of_file, []
    return _unproven(cells, present, of_file)


def _unproven(cells: pl.Series, present: list[str], of_file: Marks) -> tuple[Marks, list[Finding]]:
    """Every mark of the column stands before three digits, and nothing else in the file helps."""
    if len(present) == 2:
        return of_file, [_ambiguous(cells, of_file.decimal)]
    mark = present[0]
    number = rf"^[+\-−]?\d{{1,3}}(?:\{mark}\d{{3}})+$|^[+\-−]?\d{{1,3}}$"
    numbers = cells.filter(cells.str.contains(number).fill_null(value=False))
    marked = numbers.str.contains(mark, literal=True)
    if not marked.any():
        return replace(of_file, decimal=mark), []
    repeated = numbers.str.count_matches(mark, literal=True).max()
    grouped = Marks(other_mark(mark), proven=False, thousands=mark)
    if isinstance(repeated, int) and repeated > 1:
        return grouped, [_grouping(cells, mark)]
    if not marked.all():
        as_decimal = _jump(numbers.str.replace(mark, ".", literal=True), marked)
        as_groups = _jump(numbers.str.replace_all(mark, "", literal=True), marked)
        if as_decimal > _SMOOTHER * as_groups:
            return grouped, [_grouping(cells, mark)]
    return Marks(mark, proven=False), [_ambiguous(cells, mark)]


def _jump(numbers: pl.Series, marked: pl.Series) -> float:
    """Usual step where cells with and without the mark meet, over the range of the column."""
    values = numbers.cast(float, strict=False).to_numpy()
    with_mark = marked.to_numpy()
    meeting = with_mark[1:] != with_mark[:-1]
    steps = np.sort(abs(values[1:] - values[:-1])[meeting])
    span = float(values.max() - values.min())
    return float(steps[steps.size // 2]) / span if span > 0 else 0.0


def _example(cells: pl.Series, mark: str) -> str:
    return str(cells.filter(cells.str.contains(mark, literal=True).fill_null(value=False))[0])


def _disagree(own: Marks, of_file: Marks) -> bool:
    return of_file.proven and own.decimal != of_file.decimal


def _disagreement(cells: pl.Series, of_file: Marks) -> Finding:
    own = other_mark(of_file.decimal)
    return DECIMAL_DISAGREES.found(
        example=_example(cells, own),
        own=own,
        other=of_file.decimal,
        evidence={"example": _example(cells, own)},
    )


def _ambiguous(cells: pl.Series, mark: str) -> Finding:
    example = _example(cells, mark)
    return AMBIGUOUS_NUMBER.found(example=example, mark=mark, evidence={"example": example})


def _grouping(cells: pl.Series, mark: str) -> Finding:
    example = _example(cells, mark)
    return THOUSANDS_MARK.found(example=example, mark=mark, evidence={"example": example})
