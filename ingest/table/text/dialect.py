"""How a delimited text is written: delimiter, quotes, width, where the readings begin.

Detection looks at the first lines only (`Sample`). Each candidate delimiter is scored by how many
lines it cuts into the same number of cells and by how many of those cells are numbers, times,
words for no reading or empty; a delimiter that leaves text such as ``5;21`` loses. What the set-up
states is taken as stated.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import field
from typing import TYPE_CHECKING, Final, NamedTuple

from ingest.errors import Fault, UnusableRun
from ingest.table.cells import kind_of
from ingest.table.marks import Marks
from ingest.table.units import is_unit
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import LogTable

BLANKS: Final = " "
"""Delimiter: a run of blanks or tabs."""
WIDE_BLANKS: Final = "  "
"""Delimiter: two blanks or more (or a tab); one blank belongs to the cell."""

_WEIGHTS: Final = {"\t": 1.0, ";": 1.0, "|": 1.0, ",": 0.97, WIDE_BLANKS: 0.85, BLANKS: 0.8}
"""Candidates. Blanks and commas also occur inside cells, so they must do better than others."""

_NAMES: Final = {
    "comma": ",",
    "semicolon": ";",
    "tab": "\t",
    "\\t": "\t",
    "pipe": "|",
    "blank": BLANKS,
    "blanks": BLANKS,
    "space": BLANKS,
    "spaces": BLANKS,
    "whitespace": BLANKS,
}
_FIRST_LINES: Final = 100
_LAST_LINES: Final = 100
_DIGIT: Final = re.compile(r"\d")
_TYPED_LINES: Final = 24
_TYPED_CELLS: Final = 64
_TEXT_SHARE: Final = 0.2
_MIN_SCORE: Final = 0.2
_ONE_COLUMN: Final = 0.5
"""Weight of there being no delimiter at all; no score is above 1."""
_QUOTED: Final = {'"': re.compile(r'"[^"\n]*"'), "'": re.compile(r"'[^'\n]*'")}


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a log is written. Line numbers are 1-based lines of the file.

    Parameters
    ----------
    encoding
        Python's name of the encoding.
    delimiter
        The delimiter; one blank stands for runs of blanks, two for runs of at least two.
    quote
        The quotation mark, or None where nothing is quoted.
    marks
        Decimal and thousands mark.
    width
        Cells in a line as written, before joining.
    header_line, units_line
        Lines of the names and of the units, or None.
    first_data_line
        Line of the first reading.
    metadata
        Lines above the readings that are neither names nor units, as they stand.
    joins
        Delimiters (0-based, within a line) that are decimal marks or part a date from its time,
        and so do not part cells; and the character that stands for them afterwards.
    trailing_delimiters
        In how many delimiters that part no column every line ends.
    """

    encoding: str
    delimiter: str
    quote: str | None
    marks: Marks
    width: int
    header_line: int | None
    units_line: int | None
    first_data_line: int
    metadata: tuple[str, ...] = ()
    joins: tuple[int, ...] = ()
    join_with: str = "."
    trailing_delimiters: int = 0

    @property
    def decimal(self) -> str:
        """The decimal mark."""
        return self.marks.decimal


class Line(NamedTuple):
    """A line of the sample: its 1-based number in the file and its text."""

    number: int
    text: str


@dataclass(frozen=True, slots=True)
class Cut:
    """A delimiter and what it makes of the sample.

    Parameters
    ----------
    width
        Cells in most lines of readings.
    kinds
        Usual kind of the cells (`ingest.table.cells.kind_of`) of the first columns.
    """

    delimiter: str
    quote: str | None
    width: int
    kinds: tuple[str, ...] = field(default=())
    score: float = 0.0

    def cells(self, text: str) -> list[str]:
        """Stripped cells of a line."""
        return split_cells(text, self.delimiter, self.quote)

    def fits(self, cells: Sequence[str]) -> bool:
        """Whether a line looks like a reading: its cells are of the columns' usual kinds."""
        if not self.width - 1 <= len(cells) <= self.width + 1:
            return False
        typed = [
            (cell, kind)
            for cell, kind in zip(cells, self.kinds, strict=False)
            if kind not in "XE" and cell
        ]
        if not typed:
            return "X" in self.kinds and set(self.kinds) <= {"X", "E"}
        if not any(_DIGIT.search(cell) for cell, _ in typed):
            return False  # "---" under every name is a rule drawn below them
        # "%" in a row of units would pass for a word for no reading
        good = [kind_of(cell) != "X" and not is_unit(cell) for cell, _ in typed]
        return good[0] and 2 * sum(good) >= len(good)


def stated_delimiter(log: LogTable) -> str | None:
    """The set-up's delimiter as one of ours, or None where it says nothing."""
    if not log.delimiter:
        return None
    return _NAMES.get(log.delimiter.strip().lower(), log.delimiter)


def split_cells(text: str, delimiter: str, quote: str | None) -> list[str]:
    """Cut a line into stripped cells without their quotation marks."""
    quoted = quote is not None and quote in text
    if delimiter in (BLANKS, WIDE_BLANKS):
        inner = text.strip()
        if quoted:
            pieces = re.findall(rf"{quote}[^{quote}]*{quote}|[^\s{quote}]+", inner)
            return [piece.strip(quote).strip() for piece in pieces]
        return re.split(r"[ \t]+" if delimiter == BLANKS else r"\t+ *| {2,}\t*", inner)
    if quoted:
        if len(delimiter) > 1:
            outside = re.compile(rf"({quote}[^{quote}]*{quote})|{re.escape(delimiter)}")
            text = outside.sub(lambda found: found[1] or "\x1f", text)
            delimiter = "\x1f"
        try:
            row = next(
                csv.reader([text], delimiter=delimiter, quotechar=quote, skipinitialspace=True),
                [],
            )
        except (csv.Error, TypeError):
            row = text.split(delimiter)
        return [cell.strip() for cell in row]
    return [cell.strip() for cell in text.split(delimiter)]


def find_cut(lines: Sequence[Line], log: LogTable, file: str) -> Cut:
    """Choose the delimiter of a sample.

    Raises
    ------
    UnusableRun
        Where no delimiter makes a table of it.
    """
    if len(lines) > _FIRST_LINES + _LAST_LINES:
        lines = [*lines[:_FIRST_LINES], *lines[-_LAST_LINES:]]
    text = "\n".join(line.text for line in lines)
    quote = _find_quote(text)
    bare = (_QUOTED[quote].sub(quote * 2, text) if quote else text).split("\n")
    stated = stated_delimiter(log)
    best: Cut | None = None
    for delimiter, weight in ({stated: 1.0} if stated else _WEIGHTS).items():
        if best is not None and best.score >= weight:
            break  # nothing further down can do better
        counts = _counts(bare, delimiter)
        for count, _ in counts.most_common(3):
            cut = _judge(lines, bare, delimiter, quote, count + 1)
            if best is None or cut.score * weight > best.score:
                best = Cut(delimiter, quote, cut.width, cut.kinds, cut.score * weight)
    if stated is None and (best is None or best.score < _ONE_COLUMN):
        single = _judge(lines, bare, "\n", quote, 1)
        if best is None or _ONE_COLUMN * single.score > best.score:
            best = Cut(";", quote, 1, single.kinds, _ONE_COLUMN * single.score)
    if best is None or best.score < _MIN_SCORE:
        raise UnusableRun(
            Fault(
                file,
                f"no table ({_excerpt(lines)})" if lines else "no lines",
                "lines of readings parted by a comma, semicolon, tab, pipe or blanks",
                "name the logger's file, or state delimiter in [log]",
            )
        )
    return best


def _find_quote(text: str) -> str | None:
    if '"' in text:
        return '"'
    # an apostrophe quotes only where cells begin and end with it
    if "'" in text and re.search(r"(?m)(?:^|[,;\t|])'[^'\n]*'(?:[,;\t|]|$)", text):
        return "'"
    return None


def _counts(bare: Sequence[str], delimiter: str) -> Counter[int]:
    if delimiter == BLANKS:
        found = [len(line.split()) - 1 for line in bare]
    elif delimiter == WIDE_BLANKS:
        if not any("  " in line.strip() for line in bare):
            return Counter()
        found = [len(split_cells(line, delimiter, None)) - 1 for line in bare]
    else:
        found = [line.count(delimiter) for line in bare]
    return Counter(count for count in found if count > 0)


def _judge(
    lines: Sequence[Line], bare: Sequence[str], delimiter: str, quote: str | None, width: int
) -> Cut:
    """Score one delimiter and width: share of lines it suits, share of cells it explains."""
    if delimiter in (BLANKS, WIDE_BLANKS):
        suited = [
            line
            for line, b in zip(lines, bare, strict=True)
            if len(split_cells(b, delimiter, None)) == width
        ]
    elif delimiter == "\n":
        suited = [line for line in lines if line.text.strip()]
    else:
        suited = [
            line for line, b in zip(lines, bare, strict=True) if b.count(delimiter) == width - 1
        ]
    if not suited:
        return Cut(delimiter, quote, width)
    # the last lines are the surest to be readings, but one of them may be cut off or a footer
    first = len(suited) // 2
    step = max(1, (len(suited) - first) // _TYPED_LINES)
    rows = [
        [kind_of(cell) for cell in split_cells(line.text, delimiter, quote)[:_TYPED_CELLS]]
        for line in suited[first::step]
    ]
    cells = sum(len(row) for row in rows)
    explained = sum(kind != "X" for row in rows for kind in row)
    kinds = tuple(_usual(column) for column in zip(*rows, strict=False))
    score = explained / cells * (len(suited) / len(lines)) ** 0.5
    return Cut(delimiter, quote, width, kinds, score)


def _usual(kinds: Sequence[str]) -> str:
    """Usual kind of a column; text as soon as a good part of its cells is text."""
    counts = Counter(kinds)
    del counts["E"]
    if not counts:
        return "E"
    if counts["X"] > _TEXT_SHARE * counts.total():
        return "X"
    del counts["X"]
    return counts.most_common(1)[0][0]


def _excerpt(lines: Sequence[Line]) -> str:
    return f"line {lines[0].number}: {lines[0].text.strip()[:60]!r}"
