"""What the tuning page shows of a limit that is tried: answer, pictures with their keys, cars."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from dash import dcc, html

from analysis.tune.change import effect_of
from dashboard.plots.tuning import cost_picture, fleet_picture, roc_picture
from dashboard.text.limit_numbers import number
from dashboard.text.shown import clean, conversion, plain, words
from dashboard.text.tuning import share_text
from dashboard.web import address, parts

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.tune.search.trial import Attempt, Trial

KEYS: Final = {
    "fleet": (
        "How good and bad runs lie",
        "Heavy line: the limit tried. Gray: so near to it that the usual run is not decided.",
    ),
    "roc": (
        "What is found, and what it takes",
        "◆ the limit tried. Gray: where the curve lies with 95 % confidence.",
    ),
    "cost": ("What it costs", "◆ the limit tried, ○ the least expected cost."),
}
"""Heading and key of each picture."""


def reply(trial: Trial, tried: Attempt, units: str) -> list[Any]:
    """The page's answer: what the limit does, and where the least cost lies."""
    runs = tried.passed + tried.undecided + tried.failed
    asked = "or less" if trial.sign > 0 else "or more"
    told = (
        f"With {number(tried.limit, trial.unit, units)} {asked} asked, {tried.failed} of {runs} "
        f"runs fail, {tried.undecided} lie on the edge, {tried.passed} pass"
    )
    if math.isfinite(tried.best):
        told += f"; {number(tried.best, trial.unit, units)} would cost least"
    return [html.P(f"{told}.", className="reply")]


def cost(tried: Attempt, ratio: float) -> Component:
    """What the limit finds and what it costs, in words."""
    if not (tried.detection.total and tried.false_alarm.total):
        return parts.quiet("Without good and bad runs there is no cost to be told.")
    least = f" The least is {_two(tried.best_cost)}." if math.isfinite(tried.best) else ""
    return html.P(
        f"Beyond the limit lie {share_text(tried.detection)} of the bad runs and "
        f"{share_text(tried.false_alarm)} of the good ones. Where a missed fault costs as much as "
        f"{plain(ratio)} needless repairs, that is {_two(tried.cost)} needless repairs a car."
        f"{least}"
    )


def _two(cost: float) -> str:
    """A cost to two significant digits: shares of some dozens of runs are not known better."""
    return plain(float(f"{cost:.2g}"))


def pictures(trial: Trial, tried: Attempt, units: str) -> Component:
    """The pictures there is something to draw in, each with its key."""
    drawn = {
        "fleet": fleet_picture(trial, tried, units),
        "roc": roc_picture(trial, tried),
        "cost": cost_picture(trial, tried, units),
    }
    return html.Div(
        [
            html.Figure(
                [
                    html.H2(KEYS[name][0]),
                    html.Div(
                        dcc.Graph(id=f"tuning-{name}", config=parts.GRAPH, responsive=True,
                                  figure=figure, style={"height": "300px"}),
                        role="img",
                        className="graph",
                        style={"minHeight": "300px"},
                        **parts.aria(label=f"{KEYS[name][0]}: {words(trial.figure)}"),
                    ),
                    html.Figcaption(KEYS[name][1], className="quiet"),
                ],
                key=name,
            )
            for name, figure in drawn.items()
            if figure["data"]
        ],
        className="pictures",
    )  # fmt: skip


def edge_table(trial: Trial, tried: Attempt, units: str) -> Component:
    """The cars on the edge, each with a way to its page."""
    shown = conversion(trial.unit, units)
    rows = []
    for each in tried.on_edge:
        over = trial.sign * (float(trial.value[each]) - tried.limit) * shown.factor
        rows.append(
            (
                _car(trial, each, units),
                number(float(trial.value[each]), trial.unit, units),
                f"{abs(over):.2g} {'beyond' if over > 0 else 'inside'}",
                f"± {plain(2.0 * float(trial.u[each]) * shown.factor)}",
                _label(trial, each) or "no label",
            )
        )
    if not rows:
        return html.P("No car lies on the edge.", className="quiet")
    heads = ("Car", "Value", "From the limit", "Uncertainty", "Label")
    return parts.wide(parts.table(heads, rows, "Cars on the edge", "of-tuning"), "Cars on the edge")


def changed_table(trial: Trial, tried: Attempt, units: str) -> list[Any]:
    """Runs whose verdict in this figure would change, each with a way to its page."""
    if not tried.moved:
        return [parts.quiet("No run would get another verdict in this figure.")]
    rows = []
    for each, now in tried.changed:
        label = _label(trial, each)
        rows.append(
            (
                _car(trial, each, units),
                number(float(trial.value[each]), trial.unit, units),
                parts.verdict(str(trial.before[each])),
                parts.verdict(now),
                effect_of(label, str(trial.before[each]), now) or label or "no label",
            )
        )
    more = f", {len(rows)} of them below" if tried.moved > len(rows) else ""
    word = "run" if tried.moved == 1 else "runs"
    heads = ("Car", "Value", "Judged", "Would be", "Means")
    title = "Runs that would change"
    return [
        parts.quiet(f"{tried.moved} {word} would get another verdict in this figure{more}."),
        parts.wide(parts.table(heads, rows, title, "of-tuning"), title),
    ]


def _car(trial: Trial, each: int, units: str) -> Component:
    there = address.link("/car", {"run": trial.run_id[each], "units": units})
    return html.A(clean(trial.vehicle[each]), href=there)


def _label(trial: Trial, each: int) -> str:
    return "bad" if trial.bad[each] else ("good" if trial.good[each] else "")
