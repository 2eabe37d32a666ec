"""Byte work on lines: one-byte delimiters, quotation marks, what a cut-off end looks like."""

from __future__ import annotations

import csv
import re
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.table.text.dialect import BLANKS, WIDE_BLANKS

SEPARATOR: Final = b"\x1f"
"""Stands for delimiters of more than one byte."""
NEWLINE: Final = 0x0A
LONGEST_LINE: Final = 4 << 20
"""Bytes; the widest logs have some ten thousand columns of some ten bytes."""
_LINES_BEFORE: Final = 20


def one_byte_delimiters(body: bytes, delimiter: str, quote: bytes | None) -> tuple[bytes, bytes]:
    """Replace blanks or long delimiters by `SEPARATOR`; lines stay lines."""
    if delimiter in (BLANKS, WIDE_BLANKS):
        return _part_blanks(body, quote, least=len(delimiter)), SEPARATOR
    separator = delimiter.encode()
    quoted = quote is not None and quote != b"" and quote in body
    if len(separator) > 1:
        body = (
            _outside(body, quote or b"", separator, SEPARATOR)
            if quoted
            else (body.replace(separator, SEPARATOR))
        )
        separator = SEPARATOR
    if quoted and quote and b" " in body:
        # blanks between delimiter and quotation mark belong to neither
        near = (separator + b" " + quote, quote + b" " + separator)
        if any(each in body for each in near):
            body = _outside(body, quote, separator + b" ", separator, before=quote)
            body = body.replace(quote + b" " + separator, quote + separator)
    return body, separator


def _outside(body: bytes, quote: bytes, old: bytes, new: bytes, before: bytes = b"") -> bytes:
    """Replace what stands outside quotation marks (and before `before`); lines start outside."""
    mark = re.escape(quote)
    ahead = b"(?=" + re.escape(before) + b")" if before else b""
    cell = mark + b"[^" + mark + rb"\n]*" + mark
    pattern = re.compile(b"(" + cell + b")|" + re.escape(old) + ahead)
    return pattern.sub(lambda found: found[1] if found[1] is not None else new, body)


def _part_blanks(body: bytes, quote: bytes | None, least: int) -> bytes:
    array = np.frombuffer(body, dtype=np.uint8)
    tab = array == 0x09
    blank = (array == 0x20) | tab
    if quote and quote in body:
        blank &= ~inside_quotes(array, quote)
    newline = array == NEWLINE
    edge = np.flatnonzero(np.diff(blank.astype(np.int8), prepend=0, append=0))
    starts, ends = edge[::2], edge[1::2]
    at_line_edge = (starts == 0) | newline[starts - 1] | newline[np.minimum(ends, array.size - 1)]
    parting = ends - starts >= least
    if least > 1:
        tabs = np.concatenate(([0], np.cumsum(tab)))
        parting |= tabs[ends] > tabs[starts]
    out = array.copy()
    keep = np.ones(array.size, dtype=bool)
    # blanks that part cells shrink to one separator, those at the ends of a line vanish
    inside = np.repeat(parting | at_line_edge, ends - starts)
    positions = np.flatnonzero(blank)
    keep[positions[inside]] = False
    marks = starts[parting & ~at_line_edge]
    keep[marks] = True
    out[marks] = SEPARATOR[0]
    return out[keep].tobytes()


def inside_quotes(array: NDArray[np.uint8], quote: bytes) -> NDArray[np.bool_]:
    """Which bytes stand between quotation marks; every line starts outside."""
    marks = array == quote[0]
    total = np.cumsum(marks, dtype=np.int64)
    ends = np.flatnonzero(array == NEWLINE)
    before = np.concatenate(([0], total[ends]))
    lengths = np.diff(ends, prepend=-1)
    at_start = np.repeat(before[: ends.size], lengths)
    rest = np.full(array.size - at_start.size, before[-1], dtype=at_start.dtype)
    inside: NDArray[np.bool_] = (total - np.concatenate((at_start, rest))) % 2 == 1
    return inside


def start_of_header(line: bytes, delimiter: str, quote: bytes | None) -> bytes:
    """First cells of a header, by which a repeated one is found; empty where there are none."""
    plain, separator = one_byte_delimiters(line.strip() + b"\n", delimiter, quote)
    plain = plain[:-1]
    end = 0
    while end < len(plain):
        at = plain.find(separator, end)
        end = at + 1 if at >= 0 else len(plain)
        # readings may start with an empty cell, but not with a word
        if plain[:end].strip(separator + b" \t'\""):
            return plain[:end]
    return b""


def stray_quotes(
    array: NDArray[np.uint8], inside: NDArray[np.bool_], separator: bytes, quote: bytes
) -> NDArray[np.int64]:
    """Positions of quotation marks that neither begin nor end a cell nor stand doubled in one.

    Parameters
    ----------
    inside
        Which bytes stand between quotation marks, counting the opening one (`inside_quotes`).
    """
    at = np.flatnonzero(array == quote[0])
    beside = np.full(256, fill_value=False)
    beside[[separator[0], NEWLINE, quote[0]]] = True
    opens = inside[at]
    before = beside[array[np.maximum(at - 1, 0)]] | (at == 0)
    after = beside[array[np.minimum(at + 1, array.size - 1)]]
    return at[~np.where(opens, before, after)]


def requote(plain: bytes, separator: bytes, quote: bytes, width: int) -> bytes | None:
    """A line with quotation marks in odd places (inches), quoted by the book.

    None where it does not come out as `width` cells.
    """
    mark = quote.decode("latin-1")
    reader = csv.reader(
        [plain.decode("utf-8", errors="replace")],
        delimiter=separator.decode("latin-1"),
        quotechar=mark,
        strict=True,
    )
    try:
        cells = next(reader, [])
    except csv.Error:
        return None
    if len(cells) != width:
        return None
    parting = separator.decode("latin-1")
    return parting.join(
        mark + cell.replace(mark, mark * 2) + mark if mark in cell or parting in cell else cell
        for cell in cells
    ).encode()


def last_looks_cut(plain: bytes, separator: bytes) -> bool:
    """Whether the last cell lacks decimals that the same cell has in the lines before."""
    lines = plain[-LONGEST_LINE:].rsplit(b"\n", _LINES_BEFORE + 2)[1:-1]
    decimals = [_decimals(line.rpartition(separator)[2]) for line in lines]
    usual = set(decimals[:-1])
    return len(decimals) > 5 and len(usual) == 1 and 0 <= decimals[-1] < usual.pop()


def _decimals(cell: bytes) -> int:
    """Digits behind the last mark of a number, -1 where it is none."""
    whole, mark, digits = cell.strip(b' "').rpartition(b"," if b"," in cell else b".")
    if not digits.isdigit():
        return 0 if mark and not digits else -1
    return len(digits) if mark and whole[-1:].isdigit() else 0
