"""Limits and their intervals as numbers a reader meets: in their units, no finer than is known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.tune.tidy import SAYS_NOTHING, tells
from dashboard.text.shown import beside, conversion
from ingest.saying import half_width

if TYPE_CHECKING:
    from analysis.tune.search.one_figure import FigureTuning
    from ingest.saying import Shown


def number(value: float, unit: str, units: str, interval: tuple[float, float] | None = None) -> str:
    """A value of a figure in the reader's units, with its unit, rounded to its 95 % interval.

    To three significant digits where it has none.
    """
    shown = conversion(unit, units)
    return f"{_rounded(value, shown, interval)} {shown.unit}".strip()


def limit_number(value: float, unit: str, units: str, interval: tuple[float, float] | None) -> str:
    """A limit as the limits file has it; converted for US readers, rounded to its interval."""
    shown = conversion(unit, units)
    if (shown.factor, shown.offset) != (1.0, 0.0):
        return number(value, unit, units, interval)
    return f"{value:.10g} {shown.unit}".strip()


def interval_text(each: FigureTuning, ends: tuple[float, float], units: str) -> str:
    """The 95 % interval of a limit, or in words that it says nothing."""
    if not tells(ends, each.measured):
        low, high = each.measured or ends
        return f"{SAYS_NOTHING}, {span_text((low, high), each.unit, units)}"
    return f"95 % interval {span_text(ends, each.unit, units)}"


def limit_text(each: FigureTuning, units: str) -> str:
    """The limit for other families; where there is none, the known families' from least to most."""
    if each.limit is None:
        return ""
    if each.others or not each.families:
        return limit_number(each.limit, each.unit, units, each.interval)
    own = sorted(each.families.values(), key=lambda one: one.limit)
    ends = [(one.limit, one.interval) for one in (own[0], own[-1])]
    told = limits_text(ends, each.unit, units)
    return f"{told}, by family" if " to " in told else told


def limits_text(
    ends: Sequence[tuple[float, tuple[float, float] | None]], unit: str, units: str
) -> str:
    """Limits with their intervals, from least to most, the unit said once; empty for none."""
    told = list(dict.fromkeys(limit_number(limit, unit, units, span) for limit, span in ends))
    shown = conversion(unit, units).unit
    return " to ".join([*(each.removesuffix(shown).strip() for each in told[:-1]), *told[-1:]])


def span_text(
    ends: tuple[float, float], unit: str, units: str, interval: tuple[float, float] | None = None
) -> str:
    """Two values of a figure as a span, rounded to a 95 % interval: their own where None."""
    shown = conversion(unit, units)
    low, high = (_rounded(end, shown, interval or ends) for end in ends)
    return f"{low} to {high}"


def _rounded(value: float, shown: Shown, interval: tuple[float, float] | None) -> str:
    reach = None if interval is None else half_width(interval) * shown.factor
    return beside(value * shown.factor + shown.offset, reach)
