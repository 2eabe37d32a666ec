"""A car's page opened by what `store list` prints of a run."""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

import pytest
from flask.testing import FlaskClient

from dashboard.board.app import create_app
from dashboard.board.login import Password
from dashboard.web.service import Board
from tests.support.board_runs import MadeSource, made_document

LONE = "b9987112c080" + "1" * 52
TWINS = ("abcd00" + "2" * 58, "abcdff" + "3" * 58)
NAME = "Fahrt ärgerlich & <b>kalt</b>"
SAME = "run"


def source() -> MadeSource:
    documents = {
        LONE: made_document("SC-078", name=NAME),
        TWINS[0]: made_document("SC-001", name=SAME),
        TWINS[1]: made_document("SC-002", name=SAME),
    }
    return MadeSource(documents, {})


@pytest.fixture
def client() -> FlaskClient:
    return create_app(Board(source())).server.test_client()


@pytest.mark.parametrize("asked", ["b9987112c080", "b998", "B9987112C080", " b9987112c080 ", NAME])
def test_what_a_list_prints_opens_the_page(client: FlaskClient, asked: str) -> None:
    answer = client.get("/car", query_string={"run": asked, "units": "us"})
    assert answer.status_code == 302
    there = urlsplit(answer.headers["Location"])
    assert there.path == "/car"
    assert parse_qs(there.query) == {"run": [LONE], "units": ["us"]}
    assert client.get(answer.headers["Location"]).status_code == 200


@pytest.mark.parametrize("asked", ["abcd", SAME])
def test_where_several_are_meant_one_is_chosen(client: FlaskClient, asked: str) -> None:
    answer = client.get("/car", query_string={"run": asked, "units": "us"})
    assert answer.status_code == 300
    page = answer.get_data(as_text=True)
    assert "2 runs" in page
    for run, vehicle in zip(TWINS, ("SC-001", "SC-002"), strict=True):
        assert f"run={run}&amp;units=us" in page
        assert vehicle in page


@pytest.mark.parametrize("asked", ["ffff", "abc", "no such run", "../../etc", "u-12", "<b>"])
def test_what_means_no_run_is_said_to_be_missing(client: FlaskClient, asked: str) -> None:
    answer = client.get("/car", query_string={"run": asked})
    assert answer.status_code == 404
    assert "Location" not in answer.headers


def test_without_the_password_nothing_is_told() -> None:
    app = create_app(Board(source()), password=Password("a long enough word"), hosts=None)
    answer = app.server.test_client().get("/car?run=b998")
    assert "/login" in answer.headers["Location"]
    assert LONE not in answer.headers["Location"]
