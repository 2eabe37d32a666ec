"""What hands and eyes found, from the check sheets, and what was done."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from analysis.causes.knowledge import knowledge
from dashboard.report.blocks import short
from dashboard.text.shown import words

if TYPE_CHECKING:
    from dashboard.report.subject import Subject

MAX_DONE: Final = 3
LONGEST_DONE: Final = 130


def check_title(name: str) -> str:
    """A check's title; the name as it stands where the table has no such check."""
    titles = {row.name: row.title for row in knowledge().check}
    return titles.get(name) or short(words(name))


def done_lines(subject: Subject) -> list[str]:
    """What was done, as noted."""
    return _first([short(each, LONGEST_DONE) for each in subject.done])


def seen_lines(subject: Subject) -> list[str]:
    """Remarks of the checks that found something, newest answer of each."""
    newest = {line.check: line for line in subject.checks}
    return _first(
        [
            short(f"Seen in the workshop: {line.remark}", LONGEST_DONE)
            for line in newest.values()
            if line.found and line.remark.strip()
        ]
    )


def _first(lines: list[str]) -> list[str]:
    rest = len(lines) - MAX_DONE
    return [*lines[:MAX_DONE], f"and {rest} more"] if rest > 0 else lines
