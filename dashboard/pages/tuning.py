"""Tuning: what another limit would change, while it is being moved.

The address holds the limit tried and the costs, so that a trial can be sent on; a slider writes
there while it is dragged. `Trial` is made once a figure and family, all else follows from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import polars as pl
from dash import Dash, Input, Output, State, dcc, html, no_update

from analysis.figures import all_figures
from analysis.limits import Limit, Limits, default_limits, with_limit
from analysis.tune.search.trial import Attempt, Trial, attempt, prepare
from dashboard.pages import Page
from dashboard.pages.views.tuning import changed_table, cost, edge_table, pictures, reply
from dashboard.text.shown import clean, conversion, limit_text, words
from dashboard.web import address, parts
from dashboard.web.service import Recent
from ingest.errors import LukewarmError
from ingest.saying import Shown
from ingest.values import dataclass

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.web.service import Board

PATH: Final = "/tuning"
TITLE: Final = "What would another limit change?"
ANY: Final = "any"
LABELS_FILE: Final = "labels.csv"

USUAL_RATIO: Final = "3"
USUAL_SHARE: Final = "10"
RATIOS: Final = (0.1, 100.0)
SHARES: Final = (1.0, 50.0)

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
        "limit": told.get("limit", ""),
        "ratio": told.get("ratio", USUAL_RATIO),
        "share": told.get("share", USUAL_SHARE),
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


def in_force(board: Board, figure: str, family: str) -> Limit | None:
    """The limit that judges the figure now; of the commonest heater layout where families mix."""
    runs = board.source.runs()
    if family != ANY:
        runs = runs.filter(pl.col("family") == family)
    heater = str(runs["heater"].mode().sort()[0])
    return board.source.limits(None if family == ANY else family, heater).get(figure)


def start_of(board: Board, trial: Trial, family: str) -> float:
    """Where the trial starts: the limit in force, else the middle of the values."""
    limit = in_force(board, trial.figure, family)
    found = None if limit is None else (limit.high if trial.sign > 0 else limit.low)
    return 0.5 * (trial.low + trial.high) if found is None else found


@dataclass(frozen=True)
class Tried:
    """A limit as the address has it.

    Parameters
    ----------
    trial
        The figure it is tried on.
    result
        What it does.
    ratio
        Cost of a missed fault, in needless repairs.
    told
        Where the labels come from.
    """

    trial: Trial
    result: Attempt
    ratio: float
    told: str


def asked_limit(trial: Trial, state: Mapping[str, str], start: float) -> float:
    """The limit of an address, in the figure's unit; the one it starts from where it has none."""
    shown = conversion(trial.unit, state["units"])
    asked = address.number(state["limit"])
    return start if asked is None else (asked - shown.offset) / shown.factor


def tried(board: Board, state: Mapping[str, str], trial: Trial, told: str) -> Tried:
    """What the limit and costs of an address do."""
    limit = asked_limit(trial, state, start_of(board, trial, state["family"]))
    ratio = within(state["ratio"], RATIOS, USUAL_RATIO)
    share = within(state["share"], SHARES, USUAL_SHARE)
    return Tried(trial, attempt(trial, limit, ratio, 1.0, share / 100.0), ratio, told)


def within(text: str, ends: tuple[float, float], usual: str) -> float:
    """A number of an address between two ends; the usual one where it is none."""
    found = address.number(text)
    return float(usual) if found is None else min(max(found, ends[0]), ends[1])


def sliders(board: Board, state: Mapping[str, str], trial: Trial) -> list[Component]:
    """The limit and the costs, each a slider with its number beside it."""
    shown = conversion(trial.unit, state["units"])
    start = start_of(board, trial, state["family"])
    limit = asked_limit(trial, state, start)
    ends = sorted((min(trial.low, limit, start), max(trial.high, limit, start)))
    low, high = (_shown(end, shown) for end in ends)
    return [
        parts.slider(
            "limit", f"Limit tried, {shown.unit}".rstrip(", "), f"{_shown(limit, shown):.6g}",
            (low, high), unit=shown.unit, usual=f"{_shown(start, shown):.6g}",
        ),
        parts.slider(
            "ratio", "A missed fault costs as much as so many needless repairs", state["ratio"],
            RATIOS, unit="needless repairs", usual=USUAL_RATIO, log=True,
        ),
        parts.slider(
            "share", "Share of bad cars where the limit is used, %", state["share"], SHARES,
            unit="%", usual=USUAL_SHARE,
        ),
    ]  # fmt: skip


def _shown(value: float, shown: Shown) -> float:
    return value * shown.factor + shown.offset


def limits_file(board: Board, told: Mapping[str, str]) -> Limits | None:
    """The limits in force with the one of an address in them; None where nothing can be tried."""
    state = state_of(told, board)
    trial, _ = trial_of(board, state["figure"], state["family"])
    if trial is None:
        return None
    start = start_of(board, trial, state["family"])
    bound = float(f"{asked_limit(trial, state, start):.6g}")
    before = in_force(board, trial.figure, state["family"]) or Limit(None, None, "")
    basis = f"tried on {trial.value.size} runs of {board.source.title}"
    low, high = (before.low, bound) if trial.sign > 0 else (bound, before.high)
    limit = Limit(low, high, basis, before.harmless)
    limits = board.source.judging()["limits"] or default_limits()
    family = None if state["family"] == ANY else state["family"]
    changed = with_limit(limits, trial.figure, limit, family)
    today = datetime.now(tz=UTC).date().isoformat()
    return replace(changed, version=f"{limits.version}, {trial.figure} changed", date=today,
                   fingerprint="")  # fmt: skip


def answers(found: Tried, units: str) -> list[Any]:
    """Everything below the sliders."""
    trial, result = found.trial, found.result
    return [
        cost(result, found.ratio),
        parts.quiet(found.told),
        pictures(trial, result, units),
        parts.section("Cars on the edge", edge_table(trial, result, units)),
        parts.section("What would change", *changed_table(trial, result, units)),
    ]


def now_judged(board: Board, state: Mapping[str, str], trial: Trial) -> Component:
    """The limit in force, and the one tried as a file."""
    limit = in_force(board, trial.figure, state["family"])
    bounds = {} if limit is None else {"low": limit.low, "high": limit.high}
    text = limit_text({"limit": bounds, "unit": trial.unit}, state["units"])
    whose = "" if state["family"] == ANY else f" for {clean(state['family'])}"
    kept = {key: value for key, value in state.items() if key not in ("ratio", "share")}
    save = html.A(
        "Save the one tried as a limits file", href=address.link("/limits.toml", kept), download=""
    )
    return html.P([f"In force now{whose}: {text or 'no limit'}. ", save, "."])


def layout(board: Board, told: Mapping[str, str]) -> Component:
    """The page."""
    state = state_of(told, board)
    if not board.source.runs().height:
        return html.Div([html.H1(TITLE), *parts.first_run(board.source.title)])
    families = {ANY: "any family"} | {name: clean(name) for name in _families(board.source.runs())}
    trials = Trials(board)
    said, below = results(board, trials, state)
    return html.Div(
        [
            dcc.Location(id="tuning-address", refresh=False),
            dcc.Store(id="tuning-shown", data=choice_of(state)),
            html.H1(TITLE),
            html.Div(said, id="tuning-answer", **parts.aria(live="polite")),
            parts.form(
                "tuning-form",
                parts.select("figure", "Figure", {name: words(name) for name in tunable_figures()},
                             state["figure"], resets="limit"),
                parts.select("family", "Family", families, state["family"], usual=ANY,
                             resets="limit"),
                parts.units(state["units"], board.units, resets="limit"),
            ),
            html.Div(sliders_of(board, trials, state), id="tuning-sliders",
                     className="sliders of-state"),
            html.Div(below, id="tuning-results"),
        ]
    )  # fmt: skip


class Trials:
    """Figures as they are tried: the last few are kept, so that a slider need not wait."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._ready: Recent[tuple[Trial | None, str]] = Recent(8)

    def of(self, state: Mapping[str, str]) -> tuple[Trial | None, str]:
        """The figure as the store holds it now, and where its labels come from."""
        choice = (state["figure"], state["family"])
        key = "\n".join((*choice, _edition(self._board, self._board.source.runs())))
        return self._ready.get(key, lambda: trial_of(self._board, *choice))


def results(board: Board, trials: Trials, state: Mapping[str, str]) -> tuple[list[Any], list[Any]]:
    """Answer, and what stands below the sliders."""
    try:
        trial, told = trials.of(state)
    except LukewarmError as error:
        return [parts.faults(str(error).splitlines(), "The labels cannot be used")], []
    if trial is None:
        name = words(state["figure"])
        return [html.P(f"No two runs here differ in their {name}.", className="reply")], []
    found = tried(board, state, trial, told)
    said = [*reply(trial, found.result, state["units"]), now_judged(board, state, trial)]
    return said, answers(found, state["units"])


def choice_of(state: Mapping[str, str]) -> str:
    """What the sliders belong to: with another choice they are made anew."""
    return "\n".join(state[key] for key in ("figure", "family", "units"))


def sliders_of(board: Board, trials: Trials, state: Mapping[str, str]) -> list[Component]:
    """The sliders; none where nothing can be tried."""
    try:
        trial, _ = trials.of(state)
    except LukewarmError:
        return []
    return [] if trial is None else sliders(board, state, trial)


def register(app: Dash, board: Board) -> None:
    """Add the page's callbacks."""
    trials = Trials(board)

    @app.callback(
        Output("tuning-sliders", "children"),
        Output("tuning-shown", "data"),
        Input("tuning-address", "search"),
        State("tuning-shown", "data"),
        prevent_initial_call=True,
    )
    def open_figure(search: str, shown: str | None) -> tuple[Any, Any]:
        state = state_of(address.read(search), board)
        choice = choice_of(state)
        if choice == shown:
            return no_update, no_update  # what is being dragged stays as it is
        return sliders_of(board, trials, state), choice

    @app.callback(
        Output("tuning-answer", "children"),
        Output("tuning-results", "children"),
        Input("tuning-address", "search"),
        prevent_initial_call=True,
    )
    def show(search: str) -> tuple[list[Any], list[Any]]:
        return results(board, trials, state_of(address.read(search), board))


def first(board: Board, told: Mapping[str, str]) -> list[Component]:
    """The answer, before any script has run."""
    if not board.source.runs().height:
        return [html.H1(TITLE), *parts.first_run(board.source.title)]
    said, _ = results(board, Trials(board), state_of(told, board))
    return [html.H1(TITLE), *said]


PAGE = Page(PATH, "Tuning", TITLE, 35, layout, register, plots=True, first=first)
