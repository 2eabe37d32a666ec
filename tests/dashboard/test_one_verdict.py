"""One run has one verdict, whoever shows it: store, board, dropped log, terminal, report, export.

The sample runs are put into a store and every place that shows a run is asked for it; the places
are checked against each other, so no number is written down here.
"""

from __future__ import annotations

import csv
import json
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import lukewarm
from analysis.causes.conditions import follows_the_run
from analysis.compare.judging import decide, judging_of
from analysis.compare.stored import Edition
from analysis.limits import default_limits
from analysis.result import document
from dashboard.pages.fleet import results as fleet_results
from dashboard.pages.fleet import state_of
from dashboard.pages.views.car import answer as answer_on_page
from dashboard.pages.views.car import below
from dashboard.pages.views.car_shown import Shown
from dashboard.plots.run_page import answer_of
from dashboard.report.content import build_report
from dashboard.report.subject import subject_of
from dashboard.text.answer import WORTH_NAMING, answer, headline
from dashboard.text.result import result_lines
from dashboard.text.shown import limit_text
from dashboard.web.service import Board
from dashboard.web.store_source import StoreSource
from dashboard.web.uploads import Uploads
from ingest.load.load import run_folders
from ingest.store.many import judged_otherwise
from ingest.store.read import runs
from ingest.store.store import Store
from tests.support.components import texts

SAMPLES = Path(__file__).parents[2] / "sample_logs"
FOLDERS = run_folders(SAMPLES)
CURLEWS = ("SC-071-baseline", "SC-072-baseline", "SC-073-baseline")


def command(*arguments: object) -> None:
    """Run the command line in this process."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["lukewarm", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            lukewarm.main()
    assert not ended.value.code


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("one") / "store"
    # the good cars come in two goes: what the first ones judged is judged anew
    good = [each for each in FOLDERS if "baseline" in each.name]
    others = (each for each in FOLDERS if each not in good)
    command("store", "add", folder, *good[:2], *others, "--jobs", 1)
    command("store", "add", folder, *good[2:], "--jobs", 1)
    return folder


@pytest.fixture(scope="module")
def documents(place: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """What the terminal's JSON says, by the run's name."""
    out = tmp_path_factory.mktemp("terminal") / "all.json"
    command("analyze", *FOLDERS, "--baseline", place, "--json", out)
    return {each["run"]["name"]: each for each in json.loads(out.read_text("utf-8"))}


@pytest.fixture(scope="module")
def board(place: Path) -> Iterator[Board]:
    source = StoreSource(Store.open(place))
    uploads = Uploads(source)
    yield Board(source, uploads)
    uploads.close()


def judgment(document: dict[str, Any]) -> dict[str, Any]:
    """What people act on, numbers as they are shown."""
    return {
        "verdict": document["verdict"],
        "decided_by": list(document["decided_by"]),
        "limits": document["limits"],
        "figures": {
            name: (each["verdict"], limit_text(each, "si"))
            for name, each in document["figures"].items()
        },
        "causes": [(each["cause"], round(each["probability"], 6)) for each in document["causes"]],
        "next": (document["next_check"] or {}).get("check"),
        "cable": None
        if document["cable"] is None
        else (document["cable"]["sentence"], round(document["cable"]["offset_pct"], 6)),
        "answer": answer(document, "si"),
    }


def page_of_car(board: Board, run_id: str) -> list[str]:
    """Everything the page of a car says of a run, its question and answer first."""
    state = {"run": run_id, "before": "", "beside": "", "units": "si", "from": "", "to": ""}
    shown = Shown.of(board, state)
    return texts([*answer_on_page(shown), *below(shown)])


def test_all_are_there(place: Path, documents: dict[str, dict[str, Any]]) -> None:
    store = Store.open(place)
    assert runs(store).height == len(FOLDERS) == len(documents)
    assert judged_otherwise(store, judging_of(store).versions) == []
    store.close()


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_run_has_one_verdict(
    folder: Path, board: Board, documents: dict[str, dict[str, Any]]
) -> None:
    told = judgment(documents[folder.name])
    row = next(
        each for each in board.source.runs().iter_rows(named=True) if each["name"] == folder.name
    )
    stored = board.document(row["id"])
    assert stored is not None
    assert judgment(stored) == told
    assert row["verdict"] == told["verdict"]
    assert (row["first_cause"], round(row["first_probability"], 6)) == told["causes"][0]

    limits = board.source.limits(row["family"], row["heater"])
    figures = {name: limit for name, (_, limit) in told["figures"].items() if limit}
    for name, shown in figures.items():
        if follows_the_run(name):
            # a family's limit is at its usual outside air and blower, a run's at its own
            continue
        unit = stored["figures"][name]["unit"]
        limit = {"low": limits[name].low, "high": limits[name].high}
        u = stored["figures"][name]["u"]
        assert limit_text({"unit": unit, "u": u, "limit": limit}, "si") == shown

    assert board.uploads is not None
    files = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    token = board.uploads.receive(files)
    board.uploads.analyze(token)
    dropped = board.document(token)
    assert dropped is not None
    assert judgment(dropped) == told

    answer_line = headline(documents[folder.name], "si")
    terminal = " ".join(" ".join(result_lines(documents[folder.name], "si")).split())
    assert told["answer"] in terminal
    assert answer_of(documents[folder.name], "si").reply == answer_line  # of --picture
    measured = {
        name: shown
        for name, shown in figures.items()
        if documents[folder.name]["figures"][name]["value"] is not None
    }
    pages = [page_of_car(board, each) for each in (row["id"], token)]
    for page in pages:
        assert page[1] == answer_line
        assert all(shown in page for shown in measured.values())
        likely = [
            each for each in documents[folder.name]["causes"] if each["probability"] >= WORTH_NAMING
        ]
        assert all(each["title"] in page for each in likely)
        if told["cable"] is not None:
            assert any(told["cable"][0][1:] in text for text in page)
            assert told["cable"][0][1:] in terminal
    assert pages[0][:2] == pages[1][:2]
    found = texts(fleet_results(board, state_of({"text": row["vehicle"]}, board))[-1])
    assert answer_line in found

    afresh = board.analysis(row["id"])
    assert afresh is not None
    report = build_report(subject_of([afresh], (), (), board.source.judging()["baseline"], "si"))
    assert answer_line in str(report.pages)
    assert f"Figures: {told['verdict']}" in str(report.pages)
    assert all(shown in str(report.pages) for shown in measured.values())
    if told["cable"] is not None:
        assert told["cable"][0][1:] in str(report.pages)


def test_the_export_says_the_same(
    place: Path, documents: dict[str, dict[str, Any]], tmp_path: Path
) -> None:
    command("store", "export", place, "--out", tmp_path / "runs.csv", "--table", "runs")
    with (tmp_path / "runs.csv").open(encoding="utf-8-sig", newline="") as file:
        told = {row["name"]: (row["verdict"], row["first_cause"]) for row in csv.DictReader(file)}
    assert told == {
        name: (each["verdict"], each["causes"][0]["cause"]) for name, each in documents.items()
    }


def test_a_decision_is_numbered_and_kept(place: Path, tmp_path: Path) -> None:
    store = Store.open(tmp_path / "other")
    first = judging_of(store)
    assert (first.number, first.baseline) == (1, None)
    assert decide(store, own=True).number == 1  # as it was
    source = Store.open(place)
    good = judging_of(source).baseline
    assert good is not None
    second = decide(store, good=("elsewhere", good))
    assert (second.number, second.good_from) == (2, "elsewhere")
    assert second.versions("Plover", "blend-air") == Edition(default_limits(), good).versions(
        "Plover", "blend-air"
    )
    assert "5 good Plover cars from elsewhere" in second.said("Plover", "blend-air")
    assert decide(store, good=("elsewhere", good)).number == 2
    assert decide(store, own=True).number == 3
    for each in (store, source):
        each.close()


def test_what_something_else_judged_is_marked(tmp_path: Path) -> None:
    folder = tmp_path / "store"
    command("store", "add", folder, SAMPLES / "SC-014-complaint")
    source = StoreSource(Store.open(folder))
    assert source.judged_otherwise() == frozenset()
    decide(source.store, good=("elsewhere", source_of_good()))
    marked = StoreSource(source.store)
    assert marked.judged_otherwise() == frozenset(marked.runs()["id"])
    command("store", "refresh", folder)
    assert StoreSource(source.store).judged_otherwise() == frozenset()


def source_of_good() -> Any:
    """Two good Plovers, measured here."""
    from analysis.baseline import Baseline
    from analysis.pipeline import measure
    from ingest.load.load import load_run

    return Baseline.of([measure(load_run(SAMPLES / f"SC-00{n}-baseline")) for n in (1, 2)])


def test_what_a_check_found_counts_everywhere(tmp_path: Path) -> None:
    folder = tmp_path / "SC-075-complaint"
    shutil.copytree(SAMPLES / folder.name, folder)
    place = tmp_path / "store"
    good = [each for each in FOLDERS if each.name in CURLEWS]
    command("store", "add", place, folder, *good)
    command("checked", folder, "vacuum_isolation", "--found", "no")
    command("store", "add", place, folder)  # again: what was noted since comes in
    command("analyze", folder, "--baseline", place, "--json", tmp_path / "told.json")
    told = judgment(json.loads((tmp_path / "told.json").read_text("utf-8")))
    source = StoreSource(Store.open(place))
    board = Board(source)
    run_id = next(
        str(row["id"])
        for row in source.runs().iter_rows(named=True)
        if row["purpose"] == "complaint"
    )
    stored = board.document(run_id)
    assert stored is not None
    assert judgment(stored) == told

    board.note(run_id, "coolant_level", "low", found=True)
    command("checked", folder, "coolant_level", "--found", "yes")
    command("analyze", folder, "--baseline", place, "--json", tmp_path / "again.json")
    again = judgment(json.loads((tmp_path / "again.json").read_text("utf-8")))
    stored, afresh = board.document(run_id), board.analysis(run_id)
    assert stored is not None
    assert afresh is not None
    assert judgment(stored) == judgment(document(afresh)) == again != told
    source.store.close()
