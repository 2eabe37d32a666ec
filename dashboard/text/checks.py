"""The checks for hands and eyes as plain text: how-to, caution, what is on the sheet, ranking."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from analysis.causes.knowledge import noted_checks
from dashboard.text.shown import clean, words

if TYPE_CHECKING:
    from analysis.pipeline import Analysis
    from ingest.check_sheet import Checked

WIDTH: Final = 80
WORTH_NAMING: Final = 0.05


def all_check_lines(sheet: Sequence[Checked], analysis: Analysis) -> list[str]:
    """Every check with its how-to, its caution and its newest line on the sheet."""
    newest = {line.check: line for line in sheet}
    lines: list[str] = []
    for row in noted_checks():
        lines.append(f"{row.name}  ({row.minutes:g} min)  {row.title}")
        lines += _wrapped(row.how)
        lines += _wrapped(f"Caution: {row.caution}")
        if row.name in newest:
            lines += _wrapped(f"On the sheet: {_noted(newest[row.name])}")
        lines.append("")
    return lines + ranking_lines(analysis)


def _noted(line: Checked) -> str:
    answer = "found something" if line.found else "found nothing"
    remark = f": {clean(line.remark)}" if line.remark else ""
    return f"{clean(line.time).replace('T', ' ')}, {answer}{remark}"


def ranking_lines(analysis: Analysis) -> list[str]:
    """The causes with what is on the check sheet counted in, and what to check next."""
    lines = ["Likely causes now", "-----------------"]
    rest = 0.0
    for cause in analysis.causes:
        if cause.probability < WORTH_NAMING:
            rest += cause.probability
        else:
            lines.append(f"{100 * cause.probability:3.0f} %  {words(cause.cause)}: {cause.title}")
    if rest >= 0.005:
        lines.append(f"{100 * rest:3.0f} %  all others together")
    proposed = analysis.next_check
    if proposed is not None:
        check = proposed.check
        lines += ["", "Next check", "----------", f"{check.title} ({check.minutes:g} min)"]
        lines += textwrap.wrap(check.how, WIDTH)
        lines += textwrap.wrap(f"Caution: {check.caution}", WIDTH)
    return lines


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="  ")
