r"""Habits of writing that are put right before a log is taken apart, line for line.

Two of them: every line as a whole in quotation marks (a CSV file saved once more as text), and
quotation marks or delimiters inside cells escaped with a backslash (``\\"``) instead of doubled.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Final

_DELIMITERS: Final = (",", ";", "\t", "|")
_LOOKED_AT: Final = 60
_SHARE: Final = 0.9
_WHOLE: Final = re.compile(r'^"([^"\n]*)"[ \t]*$', re.MULTILINE)

Mend = Callable[[bytes], bytes]
"""Puts the lines of a body right; lines stay lines."""


def find_mend(text: str) -> Mend | None:
    """How the lines of a file must be put right, by its first lines; None where not at all."""
    if '"' not in text and "\\" not in text:
        return None
    lines = [line for line in text.split("\n") if line.strip()][:_LOOKED_AT]
    if len(lines) < 3:
        return None
    if _wholly_quoted(lines):
        return _unwrap
    if "\\" in text:
        for delimiter in _DELIMITERS:
            if _is_escaped(lines, delimiter):
                return lambda body: _without_escapes(body, delimiter)
    return None


def _wholly_quoted(lines: Sequence[str]) -> bool:
    """Whether lines are quoted as a whole and have, unquoted, as many delimiters as the first."""
    if not all(_WHOLE.match(line) for line in lines[:3]):
        return False
    whole = [line for line in lines if _WHOLE.match(line)]
    for delimiter in _DELIMITERS:
        count = lines[0].count(delimiter)
        alike = sum(line.count(delimiter) == count for line in whole)
        if count and alike >= _SHARE * len(lines):
            return True
    return False


def _unwrap(body: bytes) -> bytes:
    text = body.decode("utf-8", errors="surrogateescape")
    return _WHOLE.sub(r"\1", text).encode("utf-8", errors="surrogateescape")


def _is_escaped(lines: Sequence[str], delimiter: str) -> bool:
    """Whether backslashes that escape explain the lines, and quotation marks alone do not."""
    escaped = _share(lines, delimiter, "\\")
    return escaped >= _SHARE and escaped > _share(lines, delimiter, None)


def _share(lines: Sequence[str], delimiter: str, escape: str | None) -> float:
    """Share of the lines that have the usual number of cells, two or more."""
    widths = Counter(len(cells) for line in lines if (cells := _cells(line, delimiter, escape)))
    width, count = widths.most_common(1)[0] if widths else (0, 0)
    return count / len(lines) if width > 1 else 0.0


def _cells(line: str, delimiter: str, escape: str | None) -> list[str]:
    try:
        return next(
            csv.reader(
                [line], delimiter=delimiter, escapechar=escape, strict=True, skipinitialspace=True
            ),
            [],
        )
    except csv.Error:
        return []


def _without_escapes(body: bytes, delimiter: str) -> bytes:
    lines = body.decode("utf-8", errors="surrogateescape").split("\n")
    for at, line in enumerate(lines):
        cells = _cells(line, delimiter, "\\") if "\\" in line else []
        if cells:
            out = io.StringIO()
            csv.writer(out, delimiter=delimiter, lineterminator="").writerow(cells)
            lines[at] = out.getvalue()
    return "\n".join(lines).encode("utf-8", errors="surrogateescape")
