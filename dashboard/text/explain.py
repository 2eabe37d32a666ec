"""What is known of a name, as lines of text: a figure, a cause, a check, a finding."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Final

from analysis.causes.knowledge import knowledge
from analysis.vocabulary import (
    cause_words,
    check_words,
    figure_words,
    finding_words,
    kinds_of,
    nearest,
)
from dashboard.text.shown import conversion, plain, words

if TYPE_CHECKING:
    from analysis.causes.knowledge import CauseRow
    from analysis.limits import Limit

WIDTH: Final = 80
HEAD: Final = 13
"""Columns of a line's heading."""

COMMON: Final = 0.05
"""A finding this much likelier than without the cause is worth naming."""


def explain_lines(name: str, units: str) -> list[str]:
    """What is known of a name; no line where nobody knows it.

    Parameters
    ----------
    name
        As results and commands write it.
    units
        ``si`` or ``us``.
    """
    lines: list[str] = []
    for kind in kinds_of(name):
        told = {"figure": _figure, "cause": _cause, "check": _check, "finding": _finding}[kind]
        lines += [*([""] if lines else []), *told(name, units)]
    return lines


def unknown_line(name: str) -> str:
    """What to say of a name nobody knows."""
    near = nearest(name)
    if near:
        return f"there is no {name!r}; did you mean {' or '.join(near)}?"
    every = ", ".join(figure_words())
    return f"there is no {name!r}: not a figure, cause, check or finding; figures are {every}"


def _figure(name: str, units: str) -> list[str]:
    figure = figure_words()[name]
    shown = conversion(figure.unit, units).unit
    lines = [f"{name}: a figure, {shown or 'a ratio'}", "-" * WIDTH]
    lines += _part("", figure.label)
    lines += _part("definition", figure.definition)
    for number, line in enumerate(figure.equation.splitlines()):
        lines += _part("" if number else "equation", line)
    lines += _part("not measured", figure.missing)
    lines += _part("source", figure.source)
    lines += _part("uncertainty", figure.uncertainty)
    for layout, limit in figure.limits.items():
        lines += _part(f"limit {layout}".rstrip(), _limit(limit, figure.unit, units))
    if not figure.limits:
        lines += _part("limit", "none by default; a baseline of good cars can set one")
    move = [
        f"{words(cause)} ({moderate_move(row, name, units)})"
        for cause, rows in cause_words().items()
        for row in rows
        if name in row.moves
    ]
    lines += _part("moved by", "; ".join(dict.fromkeys(move)))
    return lines


def _limit(limit: Limit, unit: str, units: str) -> str:
    shown = conversion(unit, units)
    bounds = [
        f"{plain(bound * shown.factor + shown.offset)} {shown.unit}".strip() + f" or {side}"
        for bound, side in ((limit.low, "more"), (limit.high, "less"))
        if bound is not None
    ]
    return f"{' and '.join(bounds) or 'none'}; basis: {limit.basis}"


def _cause(name: str, units: str) -> list[str]:
    rows = cause_words()[name]
    lines = [f"{name}: a cause", "-" * WIDTH]
    for title in dict.fromkeys(row.title for row in rows):
        lines += _part("", title)
    for row in rows:
        moves = (f"{words(each)} {moderate_move(row, each, units)}" for each in row.moves)
        signs = (knowledge().signs[sign].label for sign in row.signs)
        lines += _part("form", row.form)
        lines += _part("moves", "; ".join(moves))
        lines += _part("shows", "; ".join(signs))
    first = rows[0]
    layouts = dict.fromkeys(layout for row in rows for layout in row.layouts)
    lines += _part("met in", f"{', '.join(layouts)} heaters")
    lines += _part("to be seen", f"log {' or '.join(words(each) for each in first.channels)}")
    check = check_words()[first.check]
    lines += _part("check", f"{check.name}: {check.title} ({check.minutes:g} min)")
    lines.append("Moves are those of a moderate case, known to about a third.")
    return lines


def moderate_move(row: CauseRow, figure: str, units: str) -> str:
    """How far a moderate case moves a figure from what is usual."""
    scale = knowledge().figures[figure]
    moderate = row.moves[figure][1]
    if scale.scale == "relative":
        return f"{100.0 * moderate:+.0f} %"
    if scale.scale == "log":
        return f"× {plain(round(math.exp(moderate), 2))}"
    known = figure_words().get(figure)
    unit = known.unit if known else scale.unit
    shown = conversion("K" if unit in {"°C", "degC"} else unit, units)
    return f"{'+' if moderate > 0 else ''}{plain(round(moderate * shown.factor, 2))} {shown.unit}"


def _check(name: str, _units: str) -> list[str]:
    row = check_words()[name]
    lines = [f"{name}: a check, {row.minutes:g} min", "-" * WIDTH]
    lines += _part("", row.title)
    lines += _part("how", row.how)
    lines += _part("caution", row.caution)
    tells = [
        f"{words(cause)} {100.0 * share:.0f} %"
        for cause, share in row.found.items()
        if share > row.false_alarm + COMMON
    ]
    lines += _part("finds", ", ".join(tells))
    lines += _part(
        "mistaken", f"finds something that is not the cause: {100.0 * row.false_alarm:.0f} %"
    )
    return lines


def _finding(name: str, _units: str) -> list[str]:
    told = finding_words()[name]
    lines = [f"{name}: a finding in the log", "-" * WIDTH]
    return lines + _part("", told.meaning) + _part("what to do", told.remedy)


def _part(head: str, text: str) -> list[str]:
    """A heading and its text, wrapped beside it; nothing where there is no text."""
    if not text:
        return []
    indent = " " * HEAD
    return textwrap.wrap(
        text, WIDTH, initial_indent=f"{head:<{HEAD - 1}} ", subsequent_indent=indent
    )
