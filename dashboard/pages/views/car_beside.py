"""A car's run with any other run over it, both counted from the start of their engines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import polars as pl
from dash import html

from dashboard.pages.views.car_shown import run_label
from dashboard.plots.car import OVER_PX, over_plot
from dashboard.text.shown import clean
from dashboard.web import address, parts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.pages.views.car_shown import Shown

QUESTION: Final = "How does it look beside another run?"
MAX_OTHERS: Final = 8
"""Runs offered where several have what was asked for."""


def beside_section(shown: Shown) -> Component:
    """The field for another car or run, and both runs in one picture."""
    return parts.section(
        QUESTION,
        html.Div(
            parts.field("beside", "Another car or run, by its name", shown.beside,
                        of=shown.run, wide="broad"),
            className="controls of-state screen-only",
        ),
        *_beside(shown),
    )  # fmt: skip


def matching(runs: pl.DataFrame, text: str, run_id: str) -> list[dict[str, Any]]:
    """Runs meant by a text, newest first: an id, a car or a run of that name, else part of one."""
    others = runs.filter(pl.col("id") != run_id)
    names = [pl.col(each).str.to_lowercase() for each in ("vehicle", "name")]
    wanted = text.strip().lower()
    for meant in (
        pl.col("id") == text,
        pl.any_horizontal(each == wanted for each in names),
        pl.any_horizontal(each.str.contains(wanted, literal=True) for each in names),
    ):
        found = others.filter(meant)
        if found.height:
            return list(found.head(MAX_OTHERS + 1).iter_rows(named=True))
    return []


def _beside(shown: Shown) -> list[Any]:
    if not shown.beside:
        return []
    found = matching(shown.board.source.runs(), shown.beside, shown.run)
    mine = shown.board.readings(shown.run)
    other = shown.board.readings(found[0]["id"]) if found else None
    if other is None or mine is None:
        return [html.P(f"No run here has {clean(shown.beside)!r} in its name.", role="status")]
    document = shown.document or {}
    first, second = run_label(found[0]), clean(document["run"]["vehicle"])
    more = [html.Li(_link(shown, row)) for row in found[1:]]
    return [
        parts.graph(
            "car-beside",
            over_plot(((clean(found[0]["vehicle"]), other), (second, mine)), shown.units),
            OVER_PX,
        ),
        html.P(
            [
                "Dashed: ",
                html.A(first, href=_car(shown, found[0])),
                f". Solid: this run of {second}. Minutes count from the start of each engine.",
            ]
        ),
        *([parts.quiet("Also meant:"), html.Ul(more, className="plain")] if more else []),
    ]


def _car(shown: Shown, row: Mapping[str, Any]) -> str:
    return address.link("/car", {"run": row["id"], "units": shown.units})


def _link(shown: Shown, row: Mapping[str, Any]) -> Component:
    kept = {"run": shown.run, "before": shown.before, "units": shown.units, "beside": row["id"]}
    return html.A(run_label(row), href=address.link("/car", kept), className="same-page")
