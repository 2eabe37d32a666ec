"""Two runs of a car: what changed from the earlier to this one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from dash import dcc, html

from dashboard.plots.car import before_after_plot
from dashboard.text.shown import figure_text, said_in, words
from dashboard.web import parts

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.repair.verdict import Change
    from dashboard.pages.views.car_shown import Shown
    from dashboard.web.service import Board

QUESTION: Final = "What did the repair change?"
TABLE: Final = "Figures before and after"


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
            # made anew with another run, so that its choice is the address's
            key=f"{shown.run}{shown.before}",
        ),
        *(_changes(shown.board, shown.run, shown.before, shown.units) if shown.before else ()),
    )


def _changes(board: Board, run: str, before: str, units: str) -> list[Any]:
    from analysis.repair.changes import compare_repair

    readings = board.readings(before), board.readings(run)
    earlier, later = board.analysis(before), board.analysis(run)
    if readings[0] is None or readings[1] is None or earlier is None or later is None:
        return []
    repair = compare_repair(earlier, later)
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
        html.P(said_in(repair.sentence, units), className="reply"),
        dcc.Graph(
            id="car-before-after",
            figure=before_after_plot(readings[0], readings[1], units),
            config=parts.GRAPH,
            style={"height": "380px"},
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
