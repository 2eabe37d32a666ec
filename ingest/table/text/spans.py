"""Columns of a text of fixed width, by the positions its readings fill."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

import numpy as np

from ingest.table.text.dialect import BLANKS, WIDE_BLANKS, Cut, Line

_SPAN_LINES: Final = 200
_MIN_LINES: Final = 5

Spans = tuple[tuple[int, int], ...]
"""First position and position after the last of each column."""


def find_spans(sample: Sequence[Line], cut: Cut) -> Spans:
    """Runs of positions that whole rows fill somewhere; empty where they are not one a column."""
    if cut.delimiter not in (BLANKS, WIDE_BLANKS):
        return ()
    texts = [line.text for line in sample[:_SPAN_LINES] if len(cut.cells(line.text)) == cut.width]
    if len(texts) < _MIN_LINES or any("\t" in text for text in texts):
        return ()
    used = np.zeros(max(map(len, texts)) + 2, dtype=np.int8)
    for text in texts:
        used[1 : len(text) + 1] |= np.array([character != " " for character in text], dtype=np.int8)
    edges = np.flatnonzero(np.diff(used))
    spans = tuple((int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))
    return spans if len(spans) == cut.width else ()


def place_cells(text: str, spans: Spans) -> list[str] | None:
    """Cells of a line by their positions; None where a word straddles a gap."""
    cells = [text[start:end].strip() for start, end in spans]
    words = text.split()
    if [word for cell in cells for word in cell.split()] != words:
        return None
    return cells if all(len(cell.split()) <= 1 for cell in cells) else None


def place_names(text: str, width: int, spans: Spans) -> list[str] | None:
    """Names over blank-parted columns; None where it is doubtful which stands over which.

    Names may hold single blanks where two blanks part them and every column has one. Where a
    column has none, every name must be one word that stands over one column only.
    """
    groups = [(found.start(), found.end()) for found in re.finditer(r"\S+(?: \S+)*", text)]
    names = [text[start:end] for start, end in groups]
    if len(names) == width:
        return names
    if len(text.split()) == width:
        return text.split()
    if any(" " in name for name in names):
        return None
    over = [
        [at for at, (start, end) in enumerate(spans) if start < to and end > begin]
        for begin, to in groups
    ]
    columns = [at[0] for at in over if len(at) == 1]
    if len(columns) != len(groups) or len(set(columns)) != len(columns):
        return None
    placed = [""] * width
    for at, name in zip(columns, names, strict=True):
        placed[at] = name
    return placed
