"""The grammar of one cell: number, time, unit behind a number, word for no reading, or text.

A column of text becomes numbers in `numbers_of`. Cells that are neither a number nor a word for
no reading are kept and counted, never dropped. Everything is done on the distinct cells that a
plain parse leaves over, so that a clean column costs one cast.

Words for no reading
    `NO_READING` without regard to case and sign, cells made of punctuation only (``---``,
    ``***``), and statements of range (``<-200``, ``>1372``).
Numbers for no reading
    `SENTINELS`, each only where it stands apart: no other reading lies within half of its
    size. A counter that runs through -999 keeps it. What is not in that list (``999.0``) must be
    stated in ``[log] no_reading``; `SUSPECTS` that stand apart make a finding.
"""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import field
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from ingest.findings import finding
from ingest.run import Finding, Rejected
from ingest.table.cell_units import common_unit, unit_finding
from ingest.table.marks import Marks, other_mark, settle
from ingest.table.units import LOGGER_WORDS, clean_unit, is_unit
from ingest.values import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from polars.expr.whenthen import ChainedThen, Then

SUSPECTED_NO_READING: Final = finding(
    "suspected_no_reading",
    "{value} stands apart from every other reading ({count} times); if "
    'it means no reading, state no_reading = ["{value}"] in [log]',
    do="Add it to no_reading in [log] if it means no reading.",
)

NO_READING: Final = frozenset(LOGGER_WORDS["no_reading"])
"""Words for no reading, lower case, without blanks."""

FAULTS: Final = NO_READING - frozenset(LOGGER_WORDS["nothing"])
"""Those of them that say that the sensor or its wire is at fault."""

SENTINELS: Final = (
    -999.0,
    -999.9,
    -999.99,
    -9999.0,
    -9999.9,
    -9999.99,
    -99999.0,
    -99999.9,
    -999999.0,
    9.9e37,  # IEEE 488.2 instruments: overload, and with 9.91e37 not a number
    -9.9e37,
    9.91e37,
    3.4028235e38,  # largest number of four bytes
    -3.4028235e38,
)
"""Numbers that loggers write for no reading and no sensor of a car reaches."""

SUSPECTS: Final = (999.0, 999.9, 9999.0, 9999.9, 99999.0, 850.0, 32767.0, -32768.0, 65535.0)
"""Numbers often written for no reading that might still be one."""

CELLS_KEPT: Final = 100
"""Bad cells of one column kept with their text; all are counted."""

_SIGN: Final = r"[+\-−–]?"
_EXPONENT: Final = r"(?:[eE][+\-]?\d+|[dD][+\-]\d+)"
"""With a sign D is the exponent of a double in Fortran's formatted output."""
_NUMBER: Final = rf"{_SIGN}(?:\d[\d.,]*|[.,]\d+){_EXPONENT}?"
_MONTH: Final = r"(?:jan|feb|m[aä]r|apr|ma[iy]|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-zé]*\.?"
_CLOCK: Final = r"\d{1,3}:\d{2}(?::\d{2})?(?:[.,:]\d+)?(?:\s?[ap]\.?m\.?)?"
_DATE: Final = (
    r"(?:\d{4}[-./]\d{1,2}[-./]\d{1,2}|\d{1,2}[-./]\d{1,2}[-./](?:\d{4}|\d{2})"
    rf"|\d{{1,2}}[-. /]?{_MONTH}[-. /,]*\d{{2,4}}|{_MONTH}[ -]\d{{1,2}},?[ -]\d{{4}}"
    r"|\d{4}[-/ ]?" + _MONTH + r"[-/ ]?\d{1,2}|\d{8}(?=T))"
)
_ZONE: Final = r"(?:\s?(?:z|[a-z]{3,4}|(?:utc|gmt)?[+\-]\d{1,2}(?::?\d{2})?))?"
_TIME: Final = re.compile(
    rf"(?i)^(?:\w{{2,9}},?\s)?(?:{_DATE}(?:[T ,;_-]\s?(?:{_CLOCK}|\d{{6}}(?:\.\d+)?){_ZONE})?"
    rf"|{_CLOCK}{_ZONE})$"
)
_KIND: Final = re.compile(rf"^{_NUMBER}(?P<unit>\s?[°%/A-Za-zµΩ][^\s\d]{{0,9}}[23²³]?)?$")
_PUNCTUATION: Final = re.compile(r"^(?:[^\w\s]|_)+(?:\s(?:[^\w\s]|_)+)*$")
_RANGE: Final = re.compile(rf"^[<>≤≥]=?\s*{_NUMBER}\s*\S{{0,8}}$")
_NOT_DIGITS: Final = re.compile(r"\s+")


@dataclass(frozen=True)
class Numbers:
    """A column read as numbers.

    Parameters
    ----------
    values
        Float64, null where there is no reading; never NaN or infinite.
    words
        Words and numbers for no reading met, with counts; ``""`` counts empty cells.
    bad
        Cells that are neither number nor word, up to `CELLS_KEPT`.
    bad_count
        How many there were in all.
    cell_units
        Units found inside the cells, with counts.
    findings
        What is doubtful about the column (no channel named yet).
    """

    values: pl.Series
    words: dict[str, int]
    bad: tuple[Rejected, ...] = ()
    bad_count: int = 0
    cell_units: dict[str, int] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


def kind_of(cell: str) -> str:
    """Kind of a stripped cell.

    Returns
    -------
    str
        ``E`` empty, ``N`` number, ``U`` number with a unit, ``T`` date or time, ``W`` word for no
        reading, ``X`` other text.
    """
    if not cell:
        return "E"
    if (cell[1:] if cell[0] in "+-" else cell).replace(".", "", 1).isdecimal():
        return "N"  # most cells end here
    number = _KIND.match(cell)
    if number and number["unit"] is None:
        if cell.count(".") == 2 and _TIME.match(cell):
            return "T"  # 14.01.2026
        return "N"
    if _TIME.match(cell):
        return "T"
    if is_no_reading(cell):
        return "W"
    # "1 Outlet" is a name, and "0 OVER" what a comma that is no delimiter leaves of "21,0 OVER"
    return "U" if number and is_unit(_cell_unit(number["unit"])) else "X"


def _cell_unit(text: str) -> str:
    unit = clean_unit(text)
    return unit.upper() if unit in ("c", "f") else unit


def says_fault(cell: str) -> bool:
    """Whether a cell without a reading says that the sensor is at fault, as ``OPEN`` does."""
    word = _NOT_DIGITS.sub("", cell.lower()).lstrip("+-").strip("()[]<>*'\"")
    return word in FAULTS


def is_no_reading(cell: str, stated: frozenset[str] = frozenset()) -> bool:
    """Whether a stripped cell is a word for no reading (`stated`: the set-up's own, lower case)."""
    word = cell.lower()
    if word in stated:
        return True
    if "\ufffd" in cell:
        return False  # damaged characters are no punctuation
    plain = _NOT_DIGITS.sub("", word).lstrip("+-").strip("()[]<>*'\"")
    if plain in NO_READING or word in NO_READING or plain.startswith("1.#"):
        return True
    return bool(_PUNCTUATION.match(cell) or _RANGE.match(cell))


class CellReader:
    """Turns columns of one table into numbers.

    Parameters
    ----------
    marks
        What the file speaks for.
    no_reading
        The set-up's words and numbers for no reading.
    reject
        Makes a `Rejected` of a row index, the cell and the reason.
    """

    def __init__(
        self,
        marks: Marks,
        no_reading: Iterable[str],
        reject: Callable[[int, str, str], Rejected],
    ) -> None:
        self._marks = marks
        stated = [word.strip() for word in no_reading]
        self._words = frozenset(word.lower() for word in stated)
        self._stated = tuple(value for word in stated if (value := _as_float(word)) is not None)
        self._reject = reject

    def for_column(self, cells: pl.Series) -> CellReader:
        """Reader for parts of a column, all read with the marks of the whole."""
        reader = copy.copy(self)
        reader._marks = settle(cells, self._marks)[0]
        return reader

    def from_parsed(self, values: pl.Series) -> Numbers | None:
        """Numbers of a column that parsed as it stands; None where its text must be looked at.

        `values` is Float64 and holds null where a cell was empty or no plain number.
        """
        if values.null_count():
            return None
        array = values.to_numpy()
        low, high = (float(array.min()), float(array.max())) if array.size else (0.0, 0.0)
        if not (math.isfinite(low) and math.isfinite(high)):  # NaN shows in them, too
            return None
        cleaned, words, findings = self._without_sentinels(values, array, low, high)
        return Numbers(cleaned, words, findings=tuple(findings))

    def from_values(self, values: pl.Series) -> Numbers:
        """Numbers of a Float64 column that may hold nulls, which count as empty cells."""
        words = {"": values.null_count()} if values.null_count() else {}
        array = values.drop_nulls().to_numpy()
        low, high = (float(array.min()), float(array.max())) if array.size else (0.0, 0.0)
        cleaned, sentinels, findings = self._without_sentinels(values, array, low, high)
        return Numbers(cleaned, words | sentinels, findings=tuple(findings))

    def from_text(self, cells: pl.Series, rows: NDArray[np.int64] | None = None) -> Numbers:
        """Numbers of a column of stripped text (null where empty).

        Parameters
        ----------
        rows
            Row of each cell in the table, where it is not its position.
        """
        marks, findings = settle(cells, self._marks)
        values = _plain(cells, marks)
        words: dict[str, int] = {}
        if cells.null_count():
            words[""] = cells.null_count()
        left = cells.is_not_null() & ~values.is_finite().fill_null(value=False)
        bad_rows: NDArray[np.int64] = np.empty(0, dtype=np.int64)
        units: dict[str, int] = {}
        if left.any():
            sorted_out = self._sort_out(cells.filter(left), marks)
            words |= sorted_out.words
            units = sorted_out.units
            positions = np.flatnonzero(left.to_numpy())
            values = _put(values, positions, sorted_out.values)
            bad_rows = positions[sorted_out.bad]
        array = values.drop_nulls().to_numpy() if values.null_count() else values.to_numpy()
        low, high = (float(array.min()), float(array.max())) if array.size else (0.0, 0.0)
        values, sentinels, more = self._without_sentinels(values, array, low, high)
        common = common_unit(units)
        if common is not None:
            more.append(unit_finding(units, common))
        return Numbers(
            values,
            words | sentinels,
            tuple(self._bad(cells, bad_rows, rows)),
            int(bad_rows.size),
            units,
            (*findings, *more),
        )

    def _bad(
        self, cells: pl.Series, bad: NDArray[np.int64], rows: NDArray[np.int64] | None
    ) -> list[Rejected]:
        return [
            self._reject(
                int(rows[at]) if rows is not None else int(at),
                str(cells[int(at)]),
                "neither a number nor a word for no reading",
            )
            for at in bad[:CELLS_KEPT]
        ]

    def _sort_out(self, left: pl.Series, marks: Marks) -> _SortedOut:
        """Classify what a plain parse left over, on its distinct cells."""
        # in an order of its own: the library's changes from one run to the next
        counts = left.value_counts(name="count").sort("count", left.name, descending=[True, False])
        distinct = counts[left.name]
        number, unit = _number_and_unit(distinct, marks)
        said: list[str | None] = []  # the unit of a number, "" for none; None for what is no number
        words: dict[str, int] = {}
        units: dict[str, int] = {}
        bad: list[bool] = []
        for cell, value, behind, count in zip(
            distinct.to_list(), number.to_list(), unit.to_list(), counts["count"], strict=True
        ):
            named = _cell_unit(behind or "")
            word = is_no_reading(cell, self._words)
            known = value is not None and (not named or is_unit(named)) and not word
            said.append(named if known else None)
            bad.append(not known and not word)
            if known and named:
                units[named] = units.get(named, 0) + count
            elif word:
                words[cell] = words.get(cell, 0) + count
        common = common_unit(units)
        table = np.full(len(distinct), np.nan)
        for at, (value, own) in enumerate(zip(number.to_list(), said, strict=True)):
            if own is None:
                continue
            brought = value if common is None else common.value(value, own)
            bad[at] = brought is None
            table[at] = np.nan if brought is None else brought
        index = pl.Series(np.arange(len(distinct)))
        back = left.replace_strict(distinct, index, return_dtype=pl.Int64).to_numpy()
        return _SortedOut(table[back], np.array(bad)[back], words, units)

    def _without_sentinels(
        self, values: pl.Series, array: NDArray[np.float64], low: float, high: float
    ) -> tuple[pl.Series, dict[str, int], list[Finding]]:
        """Null the numbers that mean no reading, and say which look as if they did.

        `array` holds the values that are not null, between `low` and `high`.
        """
        if not array.size:
            return values, {}, []
        gone = [v for v in self._stated if low <= v <= high and (array == v).any()]
        candidates = [
            v for v in SENTINELS if low <= v <= high and v not in gone and (array == v).any()
        ]
        if candidates:
            others = array[~np.isin(array, [*candidates, *gone])]
            gone += [v for v in candidates if _stands_apart(v, others)]
        findings = _suspects(array, low, high, gone)
        if not gone:
            return values, {}, findings
        words = {_spelled(v): int((array == v).sum()) for v in gone}
        kept = values.is_in(gone).fill_null(value=False)
        return values.set(kept, None), words, findings


@dataclass(frozen=True, slots=True)
class _SortedOut:
    values: NDArray[np.float64]
    bad: NDArray[np.bool_]
    words: dict[str, int]
    units: dict[str, int]


def _put(values: pl.Series, positions: NDArray[np.int64], found: NDArray[np.float64]) -> pl.Series:
    array = values.to_numpy().copy()
    array[positions] = found
    empty = np.isnan(array)
    return pl.Series(values.name, array).set(pl.Series(empty), None)


def _plain(cells: pl.Series, marks: Marks) -> pl.Series:
    """Cells that are nothing but digits, a sign, an exponent and the decimal mark."""
    if marks.decimal == ",":
        pointed = cells.str.contains(".", literal=True)
        cells = cells.str.replace(",", ".", literal=True)
        if pointed.any():
            cells = cells.set(pointed.fill_null(value=False), None)
    elif marks.thousands == ".":
        cells = cells.set(cells.str.contains(".", literal=True).fill_null(value=False), None)
    return cells.cast(pl.Float64, strict=False)


def _number_and_unit(distinct: pl.Series, marks: Marks) -> tuple[pl.Series, pl.Series]:
    """Value (null where there is none) and what stands behind it, of grouped or suffixed cells."""
    parts = distinct.str.extract_groups(
        r"^(?<sign>[+\-−–]?)\s?(?<digits>\d[\d.,'’ \x{00a0}\x{202f}]*\d[.,]?|\d[.,]?|[.,]\d+)"
        r"(?<exponent>[eE][+\-]?\d+|[dD][+\-]\d+)?\s*(?<unit>[^\s\d.,+\-'].{0,12})?$"
    ).struct.unnest()
    digits = parts["digits"]
    decimal = re.escape(marks.decimal)
    plain = digits.str.contains(rf"^(?:\d+{decimal}?\d*|{decimal}\d+)$")
    frame = pl.DataFrame({"digits": digits})
    chain: Then | ChainedThen = pl.when(plain.fill_null(value=False)).then(pl.col("digits"))
    for mark in _grouping_marks(marks):
        grouped = rf"^\d{{1,3}}(?:{mark}\d{{3}})+(?:{decimal}\d*)?$"
        chain = chain.when(pl.col("digits").str.contains(grouped)).then(
            pl.col("digits").str.replace_all(mark, "")
        )
    if marks.proven:
        # 1.003.000: the last mark is the decimal one
        repeated = rf"^\d{{1,3}}(?:{decimal}\d{{3}}){{2,}}$"
        whole = pl.col("digits").str.extract(rf"^(.*){decimal}\d{{3}}$")
        fraction = pl.col("digits").str.extract(r"(\d{3})$")
        chain = chain.when(pl.col("digits").str.contains(repeated)).then(
            pl.concat_str(whole.str.replace_all(decimal, ""), pl.lit(marks.decimal), fraction)
        )
    spelled = frame.select(chain.otherwise(None).str.replace(",", ".", literal=True)).to_series()
    sign = parts["sign"].replace({"−": "-", "–": "-", "+": ""}).fill_null("")
    exponent = parts["exponent"].str.replace("[dD]", "e").fill_null("")
    number = sign + spelled + exponent
    value = number.cast(pl.Float64, strict=False)
    return value.set(value.is_infinite().fill_null(value=False), None), parts["unit"]


def _grouping_marks(marks: Marks) -> Sequence[str]:
    if marks.thousands is not None:
        return [re.escape(marks.thousands)] if marks.thousands else []
    return [re.escape(other_mark(marks.decimal)), "['’]", r"[ \x{00a0}\x{202f}]"]


def _stands_apart(value: float, others: NDArray[np.float64]) -> bool:
    return not others.size or float(np.abs(others - value).min()) > abs(value) / 2


def _suspects(
    array: NDArray[np.float64], low: float, high: float, gone: Sequence[float]
) -> list[Finding]:
    findings = []
    for value in SUSPECTS:
        # only an end of the range can stand apart
        if value not in (low, high) or value in gone:
            continue
        others = array[(array != value) & ~np.isin(array, gone)]
        if others.size and _stands_apart(value, others):
            count = int((array == value).sum())
            findings.append(
                SUSPECTED_NO_READING.found(
                    value=_spelled(value),
                    count=count,
                    evidence={"value": value, "count": float(count)},
                )
            )
    return findings


def _as_float(word: str) -> float | None:
    try:
        value = float(word.replace(",", "."))
    except ValueError:
        return None
    return value if np.isfinite(value) else None


def _spelled(value: float) -> str:
    return f"{value:.10g}"
