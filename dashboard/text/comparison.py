"""A comparison's table as lines: in the reader's units, every number rounded to its uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from dashboard.text.shown import COVERAGE, beside, conversion
from dashboard.text.table import cell_text, side_by_side, table_lines
from ingest.saying import difference_unit, half_width

if TYPE_CHECKING:
    import polars as pl

LEVELS: Final = frozenset({"mean", "shrunk", "value", "usual", "level", "moved", "before", "after"})
"""Columns that hold the figure itself."""

CHANGES: Final = frozenset(
    {"difference", "change", "u", "against_first", "against_low", "against_high"}
)
"""Columns that hold a difference of two of it."""

ENDS: Final = ("low", "high")
"""Ends of an interval: of the difference where the table has one, else of the figure."""


def comparison_lines(frame: pl.DataFrame, units: str) -> list[str]:
    """Columns side by side under their names.

    Parameters
    ----------
    frame
        What `analysis.compare` answers, a figure a row with its stored unit in `unit`; counts have
        none.
    units
        ``si`` or ``us``.
    """
    if "unit" not in frame.columns:
        return table_lines(frame)
    of_change = bool(CHANGES & set(frame.columns) - {"u"})
    rows = [_cells(row, units, of_change=of_change) for row in frame.iter_rows(named=True)]
    right = {name for name in frame.columns if frame[name].dtype.is_numeric()}
    return side_by_side(frame.columns, rows, right)


def _cells(row: dict[str, Any], units: str, *, of_change: bool) -> list[str]:
    level = conversion(row["unit"], units)
    change = conversion(difference_unit(row["unit"]), units)
    expanded = _expanded(row)
    spread = None if expanded is None else expanded * level.factor
    cells = []
    for name, value in row.items():
        if name == "unit":
            cells.append(level.unit or "-")
        elif not isinstance(value, float):
            cells.append(cell_text(name, value))
        elif name in CHANGES or (name in ENDS and of_change):
            cells.append(beside(value * change.factor, spread))
        elif name in LEVELS or name in ENDS:
            cells.append(beside(value * level.factor + level.offset, spread))
        else:
            cells.append(beside(value, None))
    return cells


def _expanded(row: dict[str, Any]) -> float | None:
    """The row's expanded uncertainty in its stored unit; None where it has none."""
    if row.get("u") is not None:
        return COVERAGE * float(row["u"])
    low, high = (row.get(end) for end in ENDS)
    return None if low is None or high is None else half_width((float(low), float(high)))


def causes_lines(causes: pl.DataFrame, legend: str) -> list[str]:
    """Cars by cause and family, and how they are counted."""
    return ["Cars by cause:", *table_lines(causes), "", legend]
