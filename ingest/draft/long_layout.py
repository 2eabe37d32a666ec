"""Tells a long log (one reading a row, the channel's name beside it) from a wide one."""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import TYPE_CHECKING, Final

import polars as pl

from ingest.table.cells import kind_of
from ingest.table.units import clean_unit, is_unit, names_no_unit
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.table.columns import Columns

_NAME_WORDS: Final = re.compile(
    r"(?i)\b(?:pid|name|channel|signal|parameter|sensor|tag|variable|quantity|item|point|kanal"
    r"|messstelle|groesse|größe|voie|canal|grandeur|senal|señal|canale|sonda)\b"
)
_MAX_CHANNELS: Final = 300
_MIN_REPEATS: Final = 3
_LOOKED_AT: Final = 2000
_READING: Final = r"^[+\-−–]?\d+[.,]\d+\s*(.*)$"
_MAX_UNITS: Final = 2
"""An instrument that chooses its range writes two units, hardly more."""


@dataclass(frozen=True, slots=True)
class LongLayout:
    """Columns of a long log (0-based) and its channels with their units.

    Parameters
    ----------
    sure
        Whether the column of names is called one; else a wide log of one reading and a state
        (``Outlet, Lever``) may look the same.
    """

    name: int
    value: int
    unit: int | None
    channels: tuple[tuple[str, str | None], ...]
    sure: bool


def find_long(table: Columns, time: Collection[int]) -> LongLayout | None:
    """The long layout of a table, or None where it is wide.

    It is long where one column of text repeats few names again and again, exactly one other
    column holds readings, and there is nothing else but the time, a column of units and remarks.
    """
    others = [at for at in range(table.width) if at not in time]
    if not 2 <= len(others) <= 4:
        return None
    texts = {at: table.text(at) for at in others}
    words = [
        at
        for at in others
        if _share_of_text(texts[at]) > 0.9
        and not _all_units(texts[at])
        and not _are_readings(texts[at])
        and _are_words(texts[at])
    ]
    values = [at for at in others if at not in words and _share_of_numbers(table, at) > 0.5]
    names = [at for at in words if _repeats(texts[at])]
    if len(names) > 1:
        names = [at for at in names if _NAME_WORDS.search(table.names[at])]
    if len(names) != 1 or len(values) != 1:
        return None
    rest = [at for at in others if at not in (names[0], values[0])]
    units = [at for at in rest if _all_units(texts[at])]
    if any(_are_readings(texts[at]) for at in rest):
        return None
    return LongLayout(
        names[0],
        values[0],
        units[0] if units else None,
        _channels(texts[names[0]], texts[units[0]] if units else None),
        sure=bool(_NAME_WORDS.search(table.names[names[0]])),
    )


def _channels(names: pl.Series, units: pl.Series | None) -> tuple[tuple[str, str | None], ...]:
    frame = pl.DataFrame({"name": names}).with_columns(
        pl.lit(None, dtype=pl.String).alias("unit") if units is None else units.alias("unit")
    )
    first = (
        frame.drop_nulls("name")
        .group_by("name", maintain_order=True)
        .agg(pl.col("unit").drop_nulls().mode().sort().first())
    )
    return tuple(
        (name, clean_unit(unit) if unit and not names_no_unit(unit) else None)
        for name, unit in first.iter_rows()
    )


def _repeats(cells: pl.Series) -> bool:
    distinct = cells.n_unique()
    return distinct <= _MAX_CHANNELS and cells.len() >= _MIN_REPEATS * distinct


def _are_words(cells: pl.Series) -> bool:
    """Whether most distinct cells have a letter: numbers in parentheses are text, and no names."""
    distinct = cells.drop_nulls().unique()
    return 2 * int(distinct.str.contains(r"\pL").sum()) > distinct.len()


def _share_of_text(cells: pl.Series) -> float:
    filled = cells.drop_nulls().head(_LOOKED_AT).to_list()
    return sum(kind_of(cell) == "X" for cell in filled) / len(filled) if filled else 0.0


def _are_readings(cells: pl.Series) -> bool:
    """Whether most cells are numbers with decimals and one and the same text behind.

    It may be a unit, or what a wrong encoding made of one.
    """
    filled = cells.drop_nulls().head(_LOOKED_AT)
    behind = filled.str.extract(_READING).drop_nulls()
    return 2 * behind.len() > filled.len() and behind.n_unique() <= _MAX_UNITS


def _share_of_numbers(table: Columns, at: int) -> float:
    values = table.numbers(at).values
    return 1.0 - values.null_count() / values.len() if values.len() else 0.0


def _all_units(cells: pl.Series) -> bool:
    """Whether the distinct cells of a column are mostly units."""
    distinct = cells.drop_nulls().unique().to_list()
    known = sum(is_unit(cell) or names_no_unit(cell) for cell in distinct)
    return bool(distinct) and len(distinct) <= _MAX_CHANNELS and 2 * known >= len(distinct)
