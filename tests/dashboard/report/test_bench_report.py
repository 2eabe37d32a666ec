"""A part on the bench as people meet it: terminal, picture, the board, a report of one page."""

from __future__ import annotations

from pathlib import Path

import pytest
from pypdf import PdfReader

from analysis.pipeline import Analysis
from analysis.result import document
from dashboard.pages.car import state_of
from dashboard.pages.views.car import answer, below
from dashboard.pages.views.car_shown import Shown
from dashboard.plots.run_page import write_run_picture
from dashboard.report.bench.picture import bench_picture
from dashboard.report.make import write_report
from dashboard.report.subject import subject_of
from dashboard.text.result import result_lines
from dashboard.web.folder_source import FolderSource
from dashboard.web.service import Board
from ingest.errors import UnusableRun
from tests.analysis.bench.test_bench_hold import held
from tests.analysis.bench.test_bench_sensors import ice
from tests.analysis.bench.test_bench_switch import ramp, switch
from tests.analysis.bench.test_bench_thermostat import F160, pot
from tests.support.bench import answered

PARTS = ("vacuum switch", "thermostat", "sensors", "actuator")


def part(place: Path, name: str) -> Analysis:
    """One invented run of a part."""
    folder = place / "run"
    if name == "vacuum switch":
        return switch(folder, ramp(12.0, 85.0), 3.0)
    if name == "thermostat":
        return pot(folder, F160, "180 degF")
    if name == "sensors":
        return answered(ice(folder, [0.6, -0.4, 6.0]))
    return held(folder, 3000.0)


@pytest.fixture(scope="module", params=PARTS)
def found(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return part(tmp_path_factory.mktemp("bench"), request.param)


def named(found: Analysis) -> str:
    assert found.run.setup.bench is not None
    return found.run.setup.bench.part


@pytest.mark.parametrize("units", ["si", "us"])
def test_the_report_is_one_page(found: Analysis, units: str, tmp_path: Path) -> None:
    subject = subject_of([found], (), (), None, units)
    write_report(subject, tmp_path / "part.pdf")
    (page,) = PdfReader(tmp_path / "part.pdf").pages
    text = page.extract_text()
    assert f"On the bench: {named(found)}" in text
    assert found.verdict in text
    for digest in found.run.sha256.values():
        assert digest in text.replace("\n", "")
    write_report(subject, tmp_path / "part.html")
    html = (tmp_path / "part.html").read_text(encoding="utf-8")
    assert "<svg" in html
    assert "heater" not in html.split("</style>")[1]


def test_what_was_logged_is_drawn(found: Analysis, tmp_path: Path) -> None:
    picture = bench_picture(found.run, "si")
    assert picture is not None
    assert picture.narrow is not None
    if named(found) == "vacuum switch":
        assert "way down" in picture.says
        assert {"lever up", "lever down"} <= {each.text for each in picture.labels}
    write_run_picture(found.run, document(found), tmp_path / "run.html", "si")
    html = (tmp_path / "run.html").read_text(encoding="utf-8")
    assert "What did the bench show?" in html
    assert "Minutes from the start of the log" in html
    assert "Minutes from engine start" not in html


def test_the_terminal_names_the_part(found: Analysis) -> None:
    lines = result_lines(document(found), "si")
    assert named(found) in lines[0]
    assert "blend-air" not in lines[0]
    if named(found) == "sensors":
        assert "coolant in: sensor offset" in "\n".join(lines)


def test_the_boards_page(tmp_path: Path) -> None:
    part(tmp_path, "vacuum switch")
    board = Board(FolderSource.read([tmp_path / "run"], "bench"))
    (run_id,) = board.source.runs()["id"].to_list()
    page = Shown.of(board, {**state_of({}, board), "run": run_id})
    shown = str([*answer(page), *below(page)])
    assert "What did the bench show?" in shown
    assert "asked of the part itself" in shown


def test_a_bench_run_has_no_before(tmp_path: Path) -> None:
    found = part(tmp_path, "actuator")
    with pytest.raises(UnusableRun, match="without --before"):
        subject_of([found, found], (), (), None, "si")
