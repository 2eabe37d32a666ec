"""A table as lines of plain text, for screens and pipes."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from dashboard.text.shown import clean

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    import polars as pl

ID_DIGITS: Final = 12
"""Digits of a run's id that tell it from all others of a store."""

GAP: Final = "  "


def table_lines(frame: pl.DataFrame) -> list[str]:
    """Columns side by side under their names: texts to the left, numbers to the right.

    Parameters
    ----------
    frame
        The table. Numbers are shown to four digits, run ids to `ID_DIGITS`, a list by its length
        (files hold it whole).
    """
    rows = [
        [cell_text(name, cell) for name, cell in zip(frame.columns, row, strict=True)]
        for row in frame.iter_rows()
    ]
    right = {name for name in frame.columns if frame[name].dtype.is_numeric()}
    return side_by_side(frame.columns, rows, right)


def side_by_side(
    names: Sequence[str], rows: Sequence[Sequence[str]], right: Collection[str]
) -> list[str]:
    """Columns of texts under their names, those in `right` to the right."""
    columns = []
    for name, *cells in zip(names, *rows, strict=True):
        width = max(len(cell) for cell in (name, *cells))
        columns.append(
            [cell.rjust(width) if name in right else cell.ljust(width) for cell in (name, *cells)]
        )
    return [GAP.join(row).rstrip() for row in zip(*columns, strict=True)]


def cell_text(name: str, cell: Any) -> str:
    """One cell; what came from a log cannot steer the terminal."""
    if cell is None:
        return "-"
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return f"{cell:.4g}"
    if isinstance(cell, datetime):
        return cell.strftime("%Y-%m-%d %H:%M")
    if isinstance(cell, list):
        return str(len(cell))
    return clean(cell)[:ID_DIGITS] if name == "id" else clean(cell)
