"""The board's page: what the sliders answer, from plain functions."""

from __future__ import annotations

import json
import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from dash import Dash
from plotly.utils import PlotlyJSONEncoder

from analysis.limits import Limit, Limits, limits_for, parse_limits, with_limit
from analysis.tune.search.trial import attempt, prepare
from analysis.verdict import GUARD
from dashboard.board.app import create_app
from dashboard.pages import all_pages, tuning
from dashboard.web.service import Board
from dashboard.web.store_source import StoreSource
from ingest.errors import UnusableRun
from ingest.store.store import Store
from tests.support.components import texts
from tests.support.tune_fleet import Fleet, draw_fleet, fill_store

NAME = "steady_outlet_rise"


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return draw_fleet(80, 9, names=(NAME,), family_sd=0.2)


@pytest.fixture(scope="module")
def board(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Board:
    place = tmp_path_factory.mktemp("page") / "store"
    fill_store(fleet, place)
    return Board(StoreSource(Store.open(place)))


def labels(fleet: Fleet) -> dict[str, bool]:
    return {
        run_id: purpose == "complaint"
        for run_id, purpose in fleet.runs.select("id", "purpose").iter_rows()
    }


def words(component: object) -> str:
    return json.dumps(component, cls=PlotlyJSONEncoder)


def test_an_attempt_counts_what_lies_beyond(fleet: Fleet) -> None:
    trial = prepare(fleet.runs, fleet.figures, labels(fleet), NAME)
    assert trial is not None
    result = attempt(trial, 42.0, 3.0, 1.0, 0.2)
    values = dict(fleet.figures.select("run_id", "value").iter_rows())
    bad = [run_id for run_id, word in labels(fleet).items() if word]
    assert result.detection.total == len(bad)
    assert result.detection.count == sum(values[run_id] < 42.0 for run_id in bad)
    failed = sum(value < 42.0 - GUARD for value in values.values())
    passed = sum(value > 42.0 + GUARD for value in values.values())
    assert (result.failed, result.passed) == (failed, passed)
    assert result.undecided == 80 - failed - passed
    shares = result.detection.value, result.false_alarm.value
    assert result.cost == pytest.approx(0.2 * 3.0 * (1 - shares[0]) + 0.8 * shares[1])
    assert result.best_cost <= np.interp(-42.0, trial.limits, result.curve)
    near = [abs(trial.value[each] - 42.0) for each in result.on_edge]
    assert near == sorted(near)
    # every run was judged `pass`, so those that change are the others
    assert result.moved == 80 - passed


def test_dearer_misses_move_the_best_limit(fleet: Fleet) -> None:
    trial = prepare(fleet.runs, fleet.figures, labels(fleet), NAME)
    assert trial is not None
    best = [attempt(trial, 42.0, missed, 1.0, 0.2).best for missed in (1.0, 5.0, 25.0)]
    assert best == sorted(best)
    assert best[0] < best[-1]


def shown(board: Board, **asked: str) -> str:
    """Everything the page says for an address, but for what is drawn."""
    state = tuning.state_of({"figure": NAME} | asked, board)
    return " ".join(texts(list(tuning.results(board, tuning.Trials(board), state))))


def test_without_labels_there_are_still_counts(fleet: Fleet) -> None:
    trial = prepare(fleet.runs, fleet.figures, {}, NAME)
    assert trial is not None
    result = attempt(trial, 42.0, 3.0, 1.0, 0.1)
    page = tuning.answers(tuning.Tried(trial, result, 3.0, ""), "si")
    assert any("Without good and bad runs" in text for text in texts(page))
    # without good and bad runs there is neither a curve nor a cost: no axes for them
    assert words(page).count('"type": "Graph"') == 1
    assert "NaN" not in words(page)


def test_a_figure_nobody_has(fleet: Fleet) -> None:
    assert prepare(fleet.runs, fleet.figures, {}, "vacuum_decay") is None


def test_the_answer_in_words_and_units(board: Board) -> None:
    # the limit in force, exactly as it is: the default of 35 K
    assert "With 35 K or more asked" in shown(board)
    assert "In force now: 35 or more" in shown(board)
    assert "With 63 °F or more asked" in shown(board, units="us")
    # what is typed is in the reader's units: 72 °F of difference are 40 K
    counted = shown(board, limit="40").partition(" or more asked, ")[2].partition(" pass")[0]
    assert counted
    assert counted in shown(board, units="us", limit="72")
    assert "63.0000" not in words(tuning.PAGE.layout(board, {"units": "us"}))


def test_an_address_of_nonsense_is_the_usual_trial(board: Board) -> None:
    asked = {"limit": "nan", "ratio": "x", "share": "-3", "family": "<b>"}
    assert "With 35 K or more asked" in shown(board, **asked)
    assert tuning.within("1e9", tuning.RATIOS, "3") == 100.0


def test_the_limit_tried_is_saved_as_a_file_that_judges(board: Board) -> None:
    client = create_app(board).server.test_client()
    for family in ("any", "Knot"):
        asked = f"/limits.toml?figure={NAME}&family={family}&limit=72&units=us"
        answer = client.get(asked)
        assert answer.headers["Content-Disposition"].endswith('"limits.toml"')
        limits = parse_limits(answer.get_data(as_text=True))
        assert limits_for(limits, "Knot", "blend-air")[NAME].low == pytest.approx(40.0)
        others = limits_for(limits, "Plover", "blend-air")[NAME].low
        assert others == (pytest.approx(40.0) if family == "any" else 35.0)
        assert str(board.source.title) in limits_for(limits, "Knot", "blend-air")[NAME].basis


def test_what_stood_for_a_layout_or_a_family_is_changed_too() -> None:
    old, new = Limit(30.0, None, "old"), Limit(40.0, None, "new")
    limits = Limits("1", "", "", "", {NAME: old}, {"combined": {NAME: old}}, {"Knot": {NAME: old}})
    for heater, family in (("combined", None), ("blend-air", "Knot"), ("blend-air", None)):
        assert limits_for(with_limit(limits, NAME, new, None), family, heater)[NAME] == new
    own = with_limit(limits, NAME, new, "Plover")
    assert limits_for(own, "Plover", "combined")[NAME] == new
    assert limits_for(own, "Knot", "combined")[NAME] == old


def test_labels_of_the_store_go_before_purposes(board: Board, fleet: Fleet) -> None:
    file = board.source.store.folder / tuning.LABELS_FILE  # type: ignore[attr-defined]
    file.write_text(fleet.labels, encoding="utf-8")
    try:
        found, told = tuning.labels_of(board, board.source.runs())
        assert told == tuning.BY_FILE
        assert len(found) == 80
        file.write_text("car,label\nSC-00000,goood\n", encoding="utf-8")
        with pytest.raises(UnusableRun, match="did you mean good"):
            tuning.labels_of(board, board.source.runs())
    finally:
        file.unlink()


def test_one_family(board: Board, fleet: Fleet) -> None:
    trial, _ = tuning.trial_of(board, NAME, "Knot")
    assert trial is not None
    assert trial.value.size == fleet.runs.filter(pl.col("family") == "Knot").height


def test_the_page_registers_and_lays_itself_out(board: Board) -> None:
    app = Dash(__name__)
    tuning.PAGE.register(app, board)
    assert len(app.callback_map) + len(app._callback_list) >= 2
    text = words(tuning.PAGE.layout(board, {"figure": "no such", "family": "<b>"}))
    assert "What would another limit change?" in text
    assert "<b>" not in text


def test_ten_thousand_runs_answer_at_once() -> None:
    fleet = draw_fleet(10_000, 10, names=(NAME,))
    trial = prepare(fleet.runs, fleet.figures, labels(fleet), NAME)
    assert trial is not None
    used = []
    for step in range(0, 400, 40):
        start = time.process_time()
        limit = trial.low + (trial.high - trial.low) * step / 400
        found = tuning.Tried(trial, attempt(trial, limit, 3.0, 1.0, 0.1), 3.0, "")
        tuning.answers(found, "si")
        used.append(time.process_time() - start)
    assert np.median(used) < 0.2


def test_an_empty_store_has_a_page(tmp_path: Path) -> None:
    board = Board(StoreSource(Store.open(tmp_path / "empty")))
    assert tuning.trial_of(board, NAME, "any")[0] is None
    for page in [each for each in all_pages() if each.path not in ("/drop", "/live")]:
        said = texts(page.layout(board, {}))
        assert "There is no run here yet." in said
        assert "Units" not in said  # no controls of what is not there
    assert create_app(board).server.test_client().get("/limits.toml").status_code == 404
