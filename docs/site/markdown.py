"""Markdown from text that is not meant as Markdown, and tables of it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

_MEANT = re.compile(r"([\\`*_{}\[\]<>|$~#])")


def plain(text: object) -> str:
    """Text with every mark that Markdown would act on escaped; one line."""
    return _MEANT.sub(r"\\\1", " ".join(str(text).split()))


def code(text: object) -> str:
    """Text as it is typed."""
    return f"`{' '.join(str(text).split())}`"


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of cells that are Markdown already; empty where it has no row."""
    lines = [f"| {' | '.join(row)} |" for row in rows]
    if not lines:
        return ""
    return "\n".join([f"| {' | '.join(heads)} |", "|" + " --- |" * len(heads), *lines])


def page(*parts: str) -> str:
    """Parts under each other, those that are empty left out."""
    return "\n\n".join(part.strip("\n") for part in parts if part) + "\n"


def contents(entries: Iterable[str], *, depth: int = 1, hidden: bool = False) -> str:
    """The generator's table of contents."""
    options = [f":maxdepth: {depth}", *([":hidden:"] if hidden else [])]
    return "\n".join(["```{toctree}", *options, "", *entries, "```"])
