"""Two runs of a car: what changed from the earlier to this one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from dash import html

from dashboard.plots.car import OVER_PX, over_plot
from dashboard.text.shown import figure_text, said_in, words
from dashboard.web import parts

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.repair.changes import Repair
    from analysis.repair.verdict import Change
    from dashboard.pages.views.car_shown import Shown

QUESTION: Final = "What did the repair change?"
TABLE: Final = "Figures before and after"


def repair_answer(shown: Shown) -> list[Component]:
    """What changed from the earlier run to this one, in a sentence under the page's answer."""
    repair = _compared(shown)
    return [] if repair is None else [html.P(said_in(repair.sentence, shown.units))]


def repair_section(shown: Shown) -> Component:
    """The choice of an earlier run of the car, and what changed from it to this one."""
    if len(shown.earlier) < 2:
        return html.Div()
    chosen = shown.before or next(iter(shown.earlier))
    return parts.section(
        QUESTION,
        html.Div(
            parts.select(
                "before",
                "Compare with an earlier run",
                shown.earlier,
                chosen,
                usual=shown.usual,
                wide="broad",
            ),
            className="controls of-state",
        ),
        *_changes(shown),
    )


def _compared(shown: Shown) -> Repair | None:
    """The comparison with the earlier run chosen; None where there is none to be had."""
    from analysis.repair.changes import compare_repair

    if not shown.before:
        return None
    earlier, later = (shown.board.analysis(each) for each in (shown.before, shown.run))
    if earlier is None or later is None:
        return None
    return compare_repair(earlier, later)


def _changes(shown: Shown) -> list[Any]:
    board, units = shown.board, shown.units
    repair = _compared(shown)
    readings = board.readings(shown.before), board.readings(shown.run)
    if repair is None or readings[0] is None or readings[1] is None:
        return []
    rows = [
        [
            words(change.name),
            *(
                html.Span(figure_text(each, units) or "–", className="number")
                for each in _three(change)
            ),
            _meaning(change),
        ]
        for change in repair.changes
        if change.change.value is not None
    ]
    heads = ("Figure", "Before", "After", "Change, weather allowed for", "Is it real?")
    return [
        parts.graph(
            "car-before-after",
            over_plot((("before", readings[0]), ("after", readings[1])), units),
            OVER_PX,
        ),
        parts.wide(parts.table(heads, rows, TABLE), TABLE),
    ]


def _three(change: Change) -> list[dict[str, Any]]:
    """Before, after and the change as the result document writes figures."""
    told = [
        {"value": each.value, "u": each.u, "unit": each.unit}
        for each in (change.before, change.after, change.change)
    ]
    if told[2]["unit"] == "°C":
        # a difference of temperatures has no zero of its own
        told[2]["unit"] = "K"
    return told


def _meaning(change: Change) -> str:
    if not change.significant:
        return "within its uncertainty"
    return {1: "yes, for the better", -1: "yes, for the worse"}.get(change.direction, "yes")
