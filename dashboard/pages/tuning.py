"""Tuning: what another limit, or another cost of an error, would do to the fleet.

The sliders answer at once from what `analysis.tune.search.trial.prepare` laid ready; every callback
is one call of a plain function.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import polars as pl
from dash import Dash, Input, Output, dcc, html, no_update

from analysis.figures import all_figures
from analysis.tune.change import effect_of
from analysis.tune.search.trial import Attempt, Trial, attempt, prepare
from dashboard.pages import Page
from dashboard.plots.tuning import cost_picture, fleet_picture, roc_picture
from dashboard.text.shown import clean, conversion, plain, words
from dashboard.text.tuning import number, share_text
from dashboard.web import address, parts
from dashboard.web.service import Recent

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.web.service import Board

PATH: Final = "/tuning"
ANY: Final = "any"
LABELS_FILE: Final = "labels.csv"
STEPS: Final = 400
"""Of the slider between the ends of a figure's values."""

RATIOS: Final = {-1.0: "1:10", 0.0: "1:1", 1.0: "10:1", 2.0: "100:1"}
USUAL_RATIO: Final = 0.48
SHARES: Final = {1: "1 %", 25: "25 %", 50: "50 %"}
USUAL_SHARE: Final = 10

BY_FILE: Final = "Good and bad are as in the labels.csv of the store."
BY_PURPOSE: Final = (
    "There is no labels.csv in the store, so known-good runs count as good and complaints as bad."
)


def tunable_figures() -> tuple[str, ...]:
    """Figures with a bad side: limits can be tuned for these."""
    return tuple(each.name for each in all_figures() if each.bad is not None)


def state_of(told: Mapping[str, str], board: Board) -> dict[str, str]:
    """The page's state from an address, every word checked."""
    families = [ANY, *_families(board.source.runs())]
    figures = tunable_figures()
    return {
        "figure": address.one_of(told.get("figure"), figures, figures[0]),
        "family": address.one_of(told.get("family"), families, ANY),
        "units": address.one_of(told.get("units"), parts.UNITS, board.units),
    }


def _families(runs: pl.DataFrame) -> list[str]:
    return sorted(runs["family"].drop_nulls().unique().to_list())


def labels_of(board: Board, runs: pl.DataFrame) -> tuple[dict[str, bool], str]:
    """Labels by run id, and where they come from.

    Raises
    ------
    UnusableRun
        Where the labels file has faults.
    """
    from analysis.causes.knowledge import knowledge
    from analysis.tune.labels import match, parse_labels
    from ingest.load.load import read_text

    store = getattr(board.source, "store", None)
    if store is not None and (store.folder / LABELS_FILE).is_file():
        causes = {row.name: None for row in knowledge().cause}
        text = read_text(store.folder / LABELS_FILE)
        found = match(parse_labels(text, tuple(causes), LABELS_FILE), runs)
        return {run_id: label.bad for run_id, label in found.by_run.items()}, BY_FILE
    kinds = {"baseline": False, "complaint": True}
    pairs = runs.select("id", "purpose").iter_rows()
    return {run_id: kinds[word] for run_id, word in pairs if word in kinds}, BY_PURPOSE


def _edition(board: Board, runs: pl.DataFrame) -> str:
    """Changes when runs were added or the labels file was changed."""
    store = getattr(board.source, "store", None)
    file = store.folder / LABELS_FILE if store is not None else None
    changed = file.stat().st_mtime_ns if file is not None and file.is_file() else 0
    return f"{runs.height} {runs['id'].hash().sum()} {changed}"


def trial_of(board: Board, figure: str, family: str) -> tuple[Trial | None, str]:
    """One figure of the fleet, and where its labels come from."""
    runs = board.source.runs()
    labels, told = labels_of(board, runs)
    if family != ANY:
        runs = runs.filter(pl.col("family") == family)
    return prepare(runs, board.source.figures([figure]), labels, figure), told


def start_of(board: Board, trial: Trial, family: str) -> float:
    """Where the slider starts: the limit in force, else the middle of the values."""
    runs = board.source.runs()
    if family != ANY:
        runs = runs.filter(pl.col("family") == family)
    heater = str(runs["heater"].mode().sort()[0])
    limit = board.source.limits(None if family == ANY else family, heater).get(trial.figure)
    found = None if limit is None else (limit.high if trial.sign > 0 else limit.low)
    if found is None:
        return 0.5 * (trial.low + trial.high)
    return min(max(found, trial.low), trial.high)


def limit_slider(board: Board, state: Mapping[str, str], trial: Trial) -> tuple[int, Any, str]:
    """Where the limit's slider stands for a figure, its marks and its label."""
    shown = conversion(trial.unit, state["units"])
    start = start_of(board, trial, state["family"])
    place = round(STEPS * (start - trial.low) / (trial.high - trial.low))
    reach = trial.high - trial.low
    marks = {
        step: f"{(trial.low + reach * step / STEPS) * shown.factor + shown.offset:.3g}"
        for step in range(0, STEPS + 1, STEPS // 4)
    }
    return place, marks, f"Limit, {shown.unit}".rstrip(", ")


def _slider(
    name: str, label: str, low: float, high: float, step: float, value: float, marks: Any
) -> Component:
    return html.Div(
        [
            html.Label(label, id=f"tuning-{name}-label"),
            dcc.Slider(
                id=f"tuning-{name}", min=low, max=high, step=step, value=value, marks=marks,
                updatemode="drag", allow_direct_input=False, included=False,
            ),
        ],
        className="control broad",
        style={"marginBottom": "18px"},
        role="group",
        **parts.aria(labelledby=f"tuning-{name}-label"),
    )  # fmt: skip


def tried(trial: Trial, step: float, ratio: float, share: float) -> Attempt:
    """What the sliders' positions do."""
    limit = trial.low + (trial.high - trial.low) * step / STEPS
    return attempt(trial, limit, 10.0**ratio, 1.0, share / 100.0)


def reply(trial: Trial, result: Attempt, ratio: float, units: str) -> list[Any]:
    """The answer in words."""
    side = "above" if trial.sign > 0 else "below"
    limit = number(result.limit, trial.unit, units)
    runs = result.passed + result.undecided + result.failed
    lines: list[Any] = [
        html.P(
            f"Failing {side} {limit}: {result.failed} of {runs} runs fail, {result.undecided} lie "
            f"on the edge, {result.passed} pass.",
            className="reply",
        )
    ]
    if result.detection.total and result.false_alarm.total:
        lines.append(
            html.P(
                f"Beyond the limit lie {share_text(result.detection)} of the bad runs and "
                f"{share_text(result.false_alarm)} of the good ones. Where a missed fault costs "
                f"{plain(10.0**ratio)} needless repairs, that is {plain(result.cost)} needless "
                "repairs a car."
            )
        )
    else:
        lines.append(parts.quiet("Without good and bad runs there is no cost to be told."))
    if math.isfinite(result.best):
        lines.append(
            html.P(
                f"Least expected cost: {plain(result.best_cost)} a car, at "
                f"{number(result.best, trial.unit, units)}."
            )
        )
    return lines


def edge_table(trial: Trial, result: Attempt, units: str) -> Component:
    """The cars on the edge, each with a way to its page."""
    shown = conversion(trial.unit, units)
    rows = []
    for each in result.on_edge:
        label = "bad" if trial.bad[each] else ("good" if trial.good[each] else "no label")
        there = address.link("/car", {"run": trial.run_id[each], "units": units})
        over = trial.sign * (float(trial.value[each]) - result.limit) * shown.factor
        rows.append(
            (
                html.A(clean(trial.vehicle[each]), href=there),
                number(float(trial.value[each]), trial.unit, units),
                f"{abs(over):.2g} {'beyond' if over > 0 else 'inside'}",
                f"± {plain(2.0 * float(trial.u[each]) * shown.factor)}",
                label,
            )
        )
    if not rows:
        return html.P("No car lies on the edge.", className="quiet")
    heads = ("Car", "Value", "From the limit", "Uncertainty", "Label")
    return parts.table(heads, rows, "Cars on the edge", "runs")


def changed_table(trial: Trial, result: Attempt, units: str) -> list[Any]:
    """Runs whose verdict in this figure would change, each with a way to its page."""
    if not result.moved:
        return [parts.quiet("No run would get another verdict in this figure.")]
    rows = []
    for each, now in result.changed:
        label = "bad" if trial.bad[each] else ("good" if trial.good[each] else "")
        there = address.link("/car", {"run": trial.run_id[each], "units": units})
        rows.append(
            (
                html.A(clean(trial.vehicle[each]), href=there),
                number(float(trial.value[each]), trial.unit, units),
                parts.verdict(str(trial.before[each])),
                parts.verdict(now),
                effect_of(label, str(trial.before[each]), now) or label or "no label",
            )
        )
    more = f", {len(rows)} of them below" if result.moved > len(rows) else ""
    heads = ("Car", "Value", "Judged", "Would be", "Means")
    return [
        parts.quiet(f"{result.moved} runs would get another verdict in this figure{more}."),
        parts.table(heads, rows, "Runs that would change", "runs"),
    ]


def layout(board: Board, told: Mapping[str, str]) -> Component:
    """The page's frame."""
    state = state_of(told, board)
    families = {ANY: "any family"} | {name: clean(name) for name in _families(board.source.runs())}
    return html.Div(
        [
            dcc.Location(id="tuning-address", refresh=False),
            html.H1("What would another limit change?"),
            parts.form(
                "tuning-form",
                parts.select("figure", "Figure", {name: words(name) for name in tunable_figures()},
                             state["figure"]),
                parts.select("family", "Family", families, state["family"], usual=ANY),
                parts.units(state["units"], board.units),
            ),
            html.Div(id="tuning-labels"),
            _slider("limit", "Limit", 0, STEPS, 1, STEPS // 2, None),
            _slider("ratio", "Cost of a missed fault against a needless repair", -1, 2, 0.02,
                    USUAL_RATIO, RATIOS),
            _slider("share", "Share of bad cars where the limit is used", 1, 50, 1, USUAL_SHARE,
                    SHARES),
            html.Div(id="tuning-reply", **parts.aria(live="polite")),
            html.Div(
                [
                    html.Div(
                        dcc.Graph(id=f"tuning-{name}", config=parts.GRAPH, responsive=True,
                                  style={"height": "300px"}),
                        role="img",
                        **parts.aria(label=label),
                    )
                    for name, label in PICTURES.items()
                ],
                className="causes",
            ),
            parts.section("Cars on the edge", html.Div(id="tuning-edge")),
            parts.section("What would change", html.Div(id="tuning-changed")),
        ]
    )  # fmt: skip


PICTURES: Final = {
    "fleet": "Distribution of good and bad runs with the limit",
    "roc": "Bad runs found against good runs failed, with the limit's point",
    "cost": "Expected cost against the limit",
}


def answers(trial: Trial, step: float, ratio: float, share: float, units: str) -> tuple[Any, ...]:
    """Everything the sliders change: words, pictures, the cars on the edge, what changes."""
    result = tried(trial, step, ratio, share)
    return (
        reply(trial, result, ratio, units),
        fleet_picture(trial, result, units),
        roc_picture(trial, result),
        cost_picture(trial, result, units),
        edge_table(trial, result, units),
        changed_table(trial, result, units),
    )


class _Trials:
    """Figures as they are tried: the last few are kept, so that a slider need not wait."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._ready: Recent[tuple[Trial | None, str]] = Recent(8)
        self._newest: dict[tuple[str, str], str] = {}

    def opened(self, state: Mapping[str, str]) -> tuple[Trial | None, str]:
        """The figure as the store holds it now, and what its labels say."""
        choice = (state["figure"], state["family"])
        key = "\n".join((*choice, _edition(self._board, self._board.source.runs())))
        self._newest[choice] = key
        return self._kept(choice)

    def shown(self, search: str) -> tuple[Trial | None, str]:
        """The figure as the page was opened with, and its units: this asks no store."""
        told = address.read(search)
        choice = (told.get("figure", tunable_figures()[0]), told.get("family", ANY))
        state = {**told, "figure": choice[0], "family": choice[1]}
        if choice not in self._newest:
            state = state_of(told, self._board)
            trial, _ = self.opened(state)
        else:
            trial, _ = self._kept(choice)
        return trial, address.one_of(state.get("units"), parts.UNITS, self._board.units)

    def _kept(self, choice: tuple[str, str]) -> tuple[Trial | None, str]:
        return self._ready.get(self._newest[choice], lambda: trial_of(self._board, *choice))


def register(app: Dash, board: Board) -> None:
    """Add the page's callbacks."""
    from ingest.errors import LukewarmError

    trials = _Trials(board)

    @app.callback(
        Output("tuning-labels", "children"),
        Output("tuning-limit", "value"),
        Output("tuning-limit", "marks"),
        Output("tuning-limit-label", "children"),
        Input("tuning-address", "search"),
    )
    def open_figure(search: str) -> tuple[Any, ...]:
        state = state_of(address.read(search), board)
        try:
            trial, told = trials.opened(state)
        except LukewarmError as error:
            wrong = parts.faults(str(error).splitlines(), "The labels cannot be used")
            return wrong, no_update, no_update, no_update
        if trial is None:
            nothing = html.P("No two runs here differ in this figure.", className="reply")
            return nothing, no_update, no_update, no_update
        return parts.quiet(told), *limit_slider(board, state, trial)

    @app.callback(
        Output("tuning-reply", "children"),
        *(Output(f"tuning-{name}", "figure") for name in PICTURES),
        Output("tuning-edge", "children"),
        Output("tuning-changed", "children"),
        Input("tuning-limit", "value"),
        Input("tuning-ratio", "value"),
        Input("tuning-share", "value"),
        Input("tuning-address", "search"),
    )
    def move(step: float, ratio: float, share: float, search: str) -> tuple[Any, ...]:
        try:
            trial, units = trials.shown(search)
        except LukewarmError:
            trial, units = None, "si"
        if trial is None:
            return [], {}, {}, {}, [], []
        return answers(trial, step, ratio, share, units)


PAGE = Page(PATH, "Tuning", "What would another limit change?", 35, layout, register)
