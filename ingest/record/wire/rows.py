"""Lines to cells in the order of a port's columns, for a log that is put together by column."""

from __future__ import annotations

import itertools
import json
import math
import struct
from collections import Counter
from typing import Any, Final

from ingest.bus.values import read_cell
from ingest.json_text import parse_json
from ingest.setup.serial import PortTable, Register
from ingest.table.text.dialect import split_cells
from ingest.values import dataclass

CHANGED_COLUMNS: Final = "another number of columns"
GARBAGE: Final = "not readable as text"
BEFORE_HEADER: Final = "a line before the one with the columns' names"
NO_FIELD: Final = "a JSON line without any of the columns"
_DELIMITERS: Final = ",;\t|"


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a line gives no row."""

    reason: str


class Header:
    """Says that a line holds the columns' names."""


HEADER: Final = Header()


def sniff_delimiter(text: str) -> str:
    """The usual delimiter that a line holds most of; a comma where it holds none."""
    counts = Counter(mark for mark in text if mark in _DELIMITERS)
    return counts.most_common(1)[0][0] if counts else ","


def count_cuts(text: str, delimiter: str) -> int:
    """How often a line is cut; delimiters between quotation marks do not count.

    A quotation mark that is never closed is a mark like any other: it may not swallow cells.
    """
    if '"' not in text or text.count('"') % 2:
        return text.count(delimiter)
    return len(split_cells(text, delimiter, '"')) - 1


def holds_readings(text: str, delimiter: str) -> bool:
    """Whether most cells of a line begin as numbers or times do: no preface, no names."""
    cells = [cell for cell in split_cells(text, delimiter, '"') if cell]
    return 2 * sum(cell[0] in "0123456789+-.," for cell in cells) > len(cells)


ANEW: Final = 20
"""So many lines in a row with another number of cells: the logger prints another table now."""


class CellCount:
    """How many cells the lines of a log have whose columns nobody named."""

    def __init__(self) -> None:
        self.delimiter: str | None = None
        self._settled: int | None = None
        self._last = -1
        self._others = 0

    def fits(self, text: str, count: int, delimiter: str) -> bool:
        """Whether a line has as many cells as the lines before it.

        Two lines of readings alike settle how many; so many others alike in a row do it anew.
        """
        last, self._last = self._last, count
        if self._settled is None:
            if count == last > 0 and holds_readings(text, delimiter):
                self._settled, self.delimiter = count, delimiter
            return True
        if count == self._settled:
            self._others = 0
            return True
        self._others = self._others + 1 if count == last else 1
        if self._others >= ANEW and count > 0:
            self._settled, self._others = count, 0
            return True
        return False


class RowMaker:
    """Cells of one port's lines.

    Parameters
    ----------
    port
        Its table.
    own
        Its columns, without prefix.
    """

    def __init__(self, port: PortTable, own: tuple[str, ...]) -> None:
        self._port = port
        self._own = own
        self._order: list[int] | None = list(range(len(own))) if port.own_columns else None
        self._width = len(own)
        ends = [0]
        for query in port.query:
            ends.append(ends[-1] + len(query.columns))
        self._answers = list(itertools.pairwise(ends))

    def cells(self, line: str, query: int = 0) -> list[str] | Refused | Header:
        """The cells of a line, one a column; empty where it holds none.

        Parameters
        ----------
        line
            Without its end.
        query
            For an instrument that is asked: the question this answers.
        """
        if self._port.format == "json":
            return self._from_json(line)
        if self._port.format == "query":
            return self._answer(line, query)
        return self._from_csv(line)

    def _split(self, line: str) -> list[str]:
        delimiter = self._port.delimiter or sniff_delimiter(line)
        cells = split_cells(line, delimiter, '"')
        return [self._plain(cell) for cell in cells]

    def _plain(self, cell: str) -> str:
        return cell.replace(",", ".") if self._port.decimal == "," else cell

    def _from_csv(self, line: str) -> list[str] | Refused | Header:
        cells = self._split(line)
        if self._port.own_columns:
            if tuple(cells) == self._own:
                return HEADER
        elif 2 * len(set(cells) & set(self._own)) >= len(self._own):
            self._order = [self._own.index(cell) if cell in self._own else -1 for cell in cells]
            self._width = len(cells)
            return HEADER
        if self._order is None:
            return Refused(BEFORE_HEADER)
        if len(cells) == self._width + 1 and not cells[-1]:
            del cells[-1]
        if len(cells) != self._width:
            return Refused(CHANGED_COLUMNS)
        row = [""] * len(self._own)
        for at, cell in zip(self._order, cells, strict=True):
            if at >= 0:
                row[at] = cell
        return row

    def _answer(self, line: str, query: int) -> list[str] | Refused:
        start, end = self._answers[min(query, len(self._answers) - 1)]
        cells = self._split(line)
        if len(cells) != end - start:
            return Refused(CHANGED_COLUMNS)
        return [""] * start + cells + [""] * (len(self._own) - end)

    def _from_json(self, line: str) -> list[str] | Refused:
        try:
            # numbers stay as they are written
            found = json.loads(line, parse_float=str, parse_int=str, parse_constant=str)
        except (ValueError, RecursionError):
            return Refused(GARBAGE)
        if not isinstance(found, dict):
            return Refused(GARBAGE)
        flat: dict[str, str] = {}
        _flatten(found, "", flat)
        if not flat.keys() & set(self._own):
            return Refused(NO_FIELD)
        return [self._plain(flat.get(name, "")) for name in self._own]


def _flatten(found: dict[str, Any], prefix: str, flat: dict[str, str]) -> None:
    for key, value in found.items():
        if isinstance(value, dict):
            _flatten(value, f"{prefix}{key}.", flat)
        elif isinstance(value, bool):
            flat[prefix + key] = str(int(value))
        elif value is None:
            flat[prefix + key] = ""
        elif isinstance(value, str):
            flat[prefix + key] = value


def register_cells(port: PortTable, payload: bytes) -> list[str] | Refused:
    """Cells of one reading of a Modbus device.

    Parameters
    ----------
    port
        Its table.
    payload
        A JSON object: the place of each register of `port.registers` that answered → its words.
    """
    try:
        found = parse_json(payload)
        return [
            _number(register, found[str(at)]) if str(at) in found else ""
            for at, register in enumerate(port.registers)
        ]
    except (ValueError, TypeError, KeyError, struct.error):
        return Refused(GARBAGE)


def bus_cells(port: PortTable, payload: bytes) -> list[str] | Refused:
    """Cells of one reading of a car's control units.

    Parameters
    ----------
    port
        Its table.
    payload
        A JSON object whose ``cells`` hold the place of each value of `port.values` that was
        answered → the frame that answered it, as hexadecimal digits.
    """
    try:
        found = parse_json(payload)["cells"]
        return [
            read_cell(each.value, bytes.fromhex(found[str(at)])) if str(at) in found else ""
            for at, each in enumerate(port.values)
        ]
    except (ValueError, TypeError, KeyError):
        return Refused(GARBAGE)


_PACKING: Final = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


def _number(register: Register, words: list[int]) -> str:
    ordered = words if register.word_order == "big" else words[::-1]
    raw = struct.pack(f">{len(ordered)}H", *ordered)
    value = struct.unpack(_PACKING[register.type], raw)[0]
    if isinstance(value, float):
        value = _shortest_single(value)
    elif register.scale == 1.0 and register.offset == 0.0:
        return str(value)
    result = value * register.scale + register.offset
    return f"{result:.10g}" if math.isfinite(result) else ""


def _shortest_single(value: float) -> float:
    """The shortest decimal that is the same single-precision number (23.4, not 23.39999962)."""
    for digits in range(6, 10):
        text = f"{value:.{digits}g}"
        if struct.pack(">f", float(text)) == struct.pack(">f", value):
            return float(text)
    return value
