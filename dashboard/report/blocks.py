"""What a page of the report is made of, without saying how it is drawn.

Content is text and nothing else: each drawer escapes it in its own way.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final, Literal

from dashboard.text.shown import clean
from ingest.values import dataclass

Style = Literal["body", "lead", "quiet", "caution"]
Paper = Literal["a4", "letter"]

LONGEST_NAME: Final = 40
"""Longest name from a log or a set-up."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading within a page."""

    text: str


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph."""

    text: str
    style: Style = "body"


@dataclass(frozen=True, slots=True)
class Bullets:
    """A short list."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table.

    Parameters
    ----------
    head
        Column titles; empty for a list of facts, whose first column is then its titles.
    rows
        Cells as text.
    shares
        Widths of the columns, any scale.
    more
        What was left out and where it is; empty where nothing was.
    dense
        Whether in small print.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shares: tuple[float, ...]
    more: str = ""
    dense: bool = False


@dataclass(frozen=True, slots=True)
class Blank:
    """Lines to write on by hand."""

    lines: int


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line of a picture: points from the upper left corner, pt."""

    points: tuple[tuple[float, float], ...]
    width: float = 1.0
    dash: tuple[float, ...] = ()
    gray: float = 0.0


@dataclass(frozen=True, slots=True)
class Label:
    """Text in a picture; `x`, `y` is the start, middle or end of its base line."""

    x: float
    y: float
    text: str
    anchor: Literal["start", "middle", "end"] = "start"
    bold: bool = False
    size: float = 9.0


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing in points, with a sentence that says what it shows.

    Parameters
    ----------
    width, height
        Its size, pt.
    strokes, labels
        What is drawn.
    says
        For the caption, and for readers who cannot see it.
    narrow
        The same for a screen held upright.
    """

    width: float
    height: float
    strokes: tuple[Stroke, ...]
    labels: tuple[Label, ...]
    says: str
    narrow: Picture | None = None


Block = Heading | Text | Bullets | Table | Blank | Picture


@dataclass(frozen=True, slots=True)
class ReportPage:
    """One page for one reader."""

    reader: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """The whole document.

    Parameters
    ----------
    title
        For the window and the file's properties.
    foot
        At the foot of every page.
    paper
        ``a4`` or ``letter``.
    pages
        In order.
    """

    title: str
    foot: str
    paper: Paper
    pages: tuple[ReportPage, ...]


def short(text: object, most: int = LONGEST_NAME) -> str:
    """Text made harmless and cut to a length, dots for what is missing.

    A list is cut between two of its parts and a sentence between two words, where that leaves most
    of it: half a statement may say what the whole does not.
    """
    whole = clean(text).strip()
    if len(whole) <= most:
        return whole
    kept = whole[: most - 1].rstrip()
    for end, least in (("; ", most / 2), (" ", most * 0.7)):
        at = kept.rfind(end)
        if at >= least:
            return kept[: at + len(end) - 1].rstrip() + " …"
    return kept + "…"


def glued(text: str) -> str:
    """Text in which no line may end between a number and its percent or degree sign."""
    return _BEFORE_SIGN.sub("\u00a0", text)


_BEFORE_SIGN: Final = re.compile(r"(?<=\d) (?=%|°[CF])")


def first_rows(
    rows: Sequence[tuple[str, ...]], most: int, where: str
) -> tuple[tuple[tuple[str, ...], ...], str]:
    """As many rows as fit, and what to say of the others."""
    if len(rows) <= most:
        return tuple(rows), ""
    return tuple(rows[:most]), f"and {len(rows) - most} more: {where}"
