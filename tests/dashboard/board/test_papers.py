"""What a car's page hands out and takes in: report, readings, result, check sheet, first answer."""

from __future__ import annotations

import io
import json
import re
import shutil
from pathlib import Path

import polars as pl
import pytest
from flask.testing import FlaskClient
from pypdf import PdfReader

from dashboard.board.app import create_app
from dashboard.pages.views.car_beside import matching
from dashboard.pages.views.car_checks import check_section
from dashboard.pages.views.car_shown import Shown
from dashboard.text.answer import headline
from dashboard.web.folder_source import FolderSource
from dashboard.web.service import Board
from tests.support.board_runs import SAMPLES, MadeSource, id_of, long_readings, made_document
from tests.support.components import texts

PAIR = ("SC-014-complaint", "SC-014-after-repair")
HOSTILE = '<img src=x onerror="alert(1)"></h1>'


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> FolderSource:
    place = tmp_path_factory.mktemp("runs")
    for name in (*PAIR, "SC-001-baseline"):
        shutil.copytree(SAMPLES / name, place / name)
    return FolderSource.read(sorted(place.iterdir()), "three runs")


@pytest.fixture
def client(source: FolderSource) -> FlaskClient:
    return create_app(Board(source)).server.test_client()


def test_the_report_is_of_both_runs_with_the_papers(
    client: FlaskClient, source: FolderSource
) -> None:
    before, after = (id_of(source, name) for name in PAIR)
    asked = f"/report?run={after}&before={before}&order=A-77&odometer=61,204 mi&done=cable set"
    answer = client.get(f"{asked}&format=pdf&units=us")
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"].endswith('"SC-014-after-repair-report.pdf"')
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(answer.data)).pages]
    assert len(pages) == 3
    assert "works as it should again" in pages[0]
    assert all(text in pages[1] for text in ("A-77", "61,204 mi", "cable set"))
    page = client.get(f"{asked}&format=html").get_data(as_text=True)
    assert "A-77" in page
    assert client.get(f"/report?run={after}&before={'0' * 64}").status_code == 404
    assert client.get("/report?run=../../etc/passwd").status_code == 404


def test_readings_and_result_come_as_files(client: FlaskClient, source: FolderSource) -> None:
    run_id = id_of(source, PAIR[0])
    readings = source.readings(run_id)
    assert readings is not None
    parquet = client.get(f"/readings?run={run_id}&format=parquet")
    assert pl.read_parquet(io.BytesIO(parquet.data)).equals(readings.frame)
    told = pl.read_csv(io.BytesIO(client.get(f"/readings?run={run_id}").data))
    assert told.columns == readings.frame.columns
    assert told.height == readings.rows
    assert json.loads(client.get(f"/result?run={run_id}").data) == source.document(run_id)
    assert client.get(f"/readings?run={'0' * 64}").status_code == 404
    assert client.get("/result").status_code == 404


def test_a_check_is_noted_and_counted(client: FlaskClient, source: FolderSource) -> None:
    run_id = id_of(source, PAIR[0])
    before = source.document(run_id)
    assert before is not None
    asked = {"run": run_id, "check": "cable_adjustment", "found": "no", "remark": "set right"}
    answer = client.post("/checked", data=asked)
    assert (answer.status_code, answer.headers["Location"]) == (303, f"/car?run={run_id}")
    after = source.document(run_id)
    assert after is not None
    share = {each["cause"]: each["probability"] for each in before["causes"]}
    now = {each["cause"]: each["probability"] for each in after["causes"]}
    # a check that would show the fault and found nothing speaks against it
    assert now["lever_short_of_hot"] < share["lever_short_of_hot"]
    assert [line.remark for line in source.sheet(run_id)] == ["set right"]
    row = source.runs().filter(pl.col("id") == run_id)
    assert row.height == 1
    assert row["verdict"][0] == after["verdict"]


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ({"check": "cable_adjustment", "found": "perhaps"}, 400),
        ({"check": "crystal_ball", "found": "yes"}, 422),
        ({"check": "cable_adjustment", "found": "yes", "run": "0" * 64}, 422),
        ({}, 400),
    ],
)
def test_what_cannot_be_noted_is_said(
    client: FlaskClient, source: FolderSource, asked: dict[str, str], status: int
) -> None:
    run_id = id_of(source, "SC-001-baseline")
    answer = client.post("/checked", data={"run": run_id} | asked)
    assert answer.status_code == status
    assert source.sheet(run_id) == []


def test_another_site_notes_nothing(client: FlaskClient, source: FolderSource) -> None:
    run_id = id_of(source, "SC-001-baseline")
    asked = {"run": run_id, "check": "cable_adjustment", "found": "yes"}
    answer = client.post("/checked", data=asked, headers={"Origin": "https://elsewhere.example"})
    assert answer.status_code == 403
    assert source.sheet(run_id) == []


def test_the_answer_stands_there_before_any_script(
    client: FlaskClient, source: FolderSource
) -> None:
    run_id = id_of(source, PAIR[1])
    document = source.document(run_id)
    assert document is not None
    for path, said in (
        (f"/car?run={run_id}&units=us", headline(document, "us")),
        ("/", "None of 2 cars fails"),
        ("/limits", "have a limit"),
        ("/tuning", "asked, "),
        ("/drop", "Dropping logs"),
    ):
        page = client.get(path).get_data(as_text=True)
        assert said in page.partition("<main")[2]
        # nothing that has to be fetched first stands in its way
        assert '<link rel="stylesheet"' not in page
        fetched = re.findall(r"<script[^>]* src=[^>]*>", page)
        assert len(fetched) > 5
        assert all(" defer" in each or " async" in each for each in fetched)


def test_the_first_answer_is_text_and_nothing_else() -> None:
    hostile = MadeSource({"a" * 64: made_document(HOSTILE)}, {"a" * 64: long_readings(100)})
    client = create_app(Board(hostile)).server.test_client()
    page = client.get(f"/car?run={'a' * 64}").get_data(as_text=True)
    assert "&lt;img src=x" in page
    assert "<img src=x" not in page


def shown(source: FolderSource, name: str, **asked: str) -> Shown:
    state = dict.fromkeys(("before", "beside", "from", "to"), "") | {"units": "si"}
    return Shown.of(Board(source), state | {"run": id_of(source, name)} | asked)


def test_only_earlier_runs_are_compared(source: FolderSource) -> None:
    before, after = (id_of(source, name) for name in PAIR)
    assert shown(source, PAIR[1]).before == before
    assert set(shown(source, PAIR[0]).earlier) == {"none"}
    assert shown(source, PAIR[0], before=after).before == ""


def test_without_dates_only_the_purpose_tells_what_was_first() -> None:
    told = {
        key * 64: made_document("SC-100", name=name, purpose=purpose, started=None)
        for key, name, purpose in (
            ("a", "one", "complaint"), ("b", "two", "after-repair"), ("c", "three", "road-test"),
        )
    }  # fmt: skip
    board = Board(MadeSource(told, {}))
    state = dict.fromkeys(("before", "beside", "from", "to"), "") | {"units": "si"}
    repaired = Shown.of(board, state | {"run": "b" * 64})
    assert repaired.before == "a" * 64
    assert "c" * 64 not in repaired.earlier
    assert set(Shown.of(board, state | {"run": "a" * 64}).earlier) == {"none"}


def test_a_run_to_lay_over_is_found_by_car_by_name_and_by_a_part_of_it(
    source: FolderSource,
) -> None:
    runs, here = source.runs(), id_of(source, "SC-001-baseline")
    newest_first = [id_of(source, name) for name in reversed(PAIR)]
    assert [row["id"] for row in matching(runs, "sc-014", here)] == newest_first
    assert [row["id"] for row in matching(runs, PAIR[0], here)] == [newest_first[1]]
    assert [row["id"] for row in matching(runs, "14-comp", here)] == [newest_first[1]]
    assert matching(runs, "nobody", here) == []
    assert matching(runs, here, here) == []


def test_checks_of_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    shutil.copytree(SAMPLES / "SC-001-baseline", tmp_path / "SC-001-baseline")
    source = FolderSource.read([tmp_path / "SC-001-baseline"], "one")
    (tmp_path / "SC-001-baseline" / "checks.csv").mkdir()
    client = create_app(Board(source)).server.test_client()
    run_id = id_of(source, "SC-001-baseline")
    asked = {"run": run_id, "check": "cable_adjustment", "found": "yes"}
    page = texts(check_section(shown(source, "SC-001-baseline")))
    assert any("checks.csv" in text for text in page)
    answer = client.post("/checked", data=asked)
    assert answer.status_code == 422
    assert "checks.csv" in answer.get_data(as_text=True)
