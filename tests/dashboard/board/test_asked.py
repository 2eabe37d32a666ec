"""Requests no page sends: refused with 4xx, and no traceback in the log.

Which status means what: RFC 9110, 15.5.
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboard.board.app import create_app
from dashboard.web.service import Board
from dashboard.web.uploads import Uploads
from tests.support.board_runs import MadeSource, made_document

CALLBACKS = "/_dash-update-component"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    source = MadeSource({"a" * 64: made_document("SC-090")}, {})
    uploads = Uploads(source)
    live: Path = tmp_path_factory.mktemp("live")
    yield create_app(Board(source, uploads, live=live)).server.test_client()
    uploads.close()


@pytest.fixture(autouse=True)
def _no_traceback(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    yield
    assert "Traceback" not in caplog.text
    assert not any(record.exc_info for record in caplog.records)


def asked(client: FlaskClient, name: str) -> dict[str, Any]:
    """A request as the page sends it, its values null."""
    (found,) = [
        each for each in client.get("/_dash-dependencies").get_json() if name in each["output"]
    ]
    return {
        "output": found["output"],
        "outputs": [],
        "inputs": [{**each, "value": None} for each in found["inputs"]],
        "state": [{**each, "value": None} for each in found["state"]],
        "changedPropIds": [f"{each['id']}.{each['property']}" for each in found["inputs"]],
    }


DEEP = 100_000
BODIES = {
    "null": "null",
    "list": "[]",
    "text": '"x"',
    "number": "1",
    "empty": "",
    "no JSON": "{",
    "deep list": "[" * DEEP + "]" * DEEP,
    "deep object": '{"a":' * DEEP + "1" + "}" * DEEP,
    "digits": "1" * 60_000,
    "not a number": "NaN",
    "no output": "{}",
    "output of another kind": '{"output": {}}',
    "output that is a list": '{"output": []}',
    "unknown output": '{"output": "x.y", "inputs": []}',
    "nothing given": '{"output": "page.children"}',
    "inputs null": '{"output": "page.children", "inputs": null, "state": []}',
    "inputs of another kind": '{"output": "page.children", "inputs": [1], "state": [2]}',
    "surrogates": '{"output": "\\ud800"}',
}


@pytest.mark.parametrize("body", BODIES.values(), ids=BODIES)
def test_a_body_no_page_sends_is_refused(client: FlaskClient, body: str) -> None:
    assert client.post(CALLBACKS, data=body, content_type="application/json").status_code == 400
    assert client.post(CALLBACKS, data=body, content_type="text/plain").status_code == 415


@pytest.mark.parametrize(
    ("contents", "names"),
    [(1, "x"), ("x", "x"), ({}, []), ([1], ["log.csv"]), ([None], [None]), ([[]], [{}]),
     (["x"], [1]), (["data:,"], []), (["data:;base64,é"], ["log.csv"])],
)  # fmt: skip
def test_contents_that_are_none_are_no_upload(
    client: FlaskClient, contents: object, names: object
) -> None:
    body = asked(client, "drop-token.data")
    body["outputs"] = [{"id": "drop-token", "property": "data"}]
    body["inputs"][0]["value"], body["state"][0]["value"] = contents, names
    answer = client.post(CALLBACKS, json=body)
    assert answer.status_code == 400 or b"no file" in answer.data or answer.status_code == 204


def test_what_a_page_sends_is_answered(client: FlaskClient) -> None:
    body = asked(client, "limits-answer.children")
    names = re.findall(r"([a-z-]+)\.children", body["output"])
    body["outputs"] = [{"id": name, "property": "children"} for name in names]
    body["inputs"][0]["value"] = "?units=us"
    assert client.post(CALLBACKS, json=body).status_code == 200


LOST = ("/nowhere", "//[", "?" * 5000, "\0")


@pytest.mark.parametrize(
    "there",
    ["", "/", "/limits?units=us", "/nowhere", "//[", "/car?run=../x&from=x&to=9e9", "?" * 5000,
     "/tuning?figure=%00&limit=nan", "/?page=9e9&text=%ff", "/drop", "/live", "\0"],
)  # fmt: skip
def test_a_page_opens_at_any_address(client: FlaskClient, there: str) -> None:
    answer = client.get("/_dash-layout", query_string={"at": there})
    assert answer.status_code == 200
    opened = answer.get_json()["props"]
    assert opened["id"] == "page"
    assert ("no such page" in answer.get_data(as_text=True)) == (there in LOST)


def test_a_page_opens_with_the_search_of_its_address(client: FlaskClient) -> None:
    # else Dash would take the address for a new one and ask for everything again
    answer = client.get("/_dash-layout", query_string={"at": "/limits?units=us&x=%C3%A9"})
    assert '"search":"?units=us&x=%C3%A9"' in answer.get_data(as_text=True).replace(" ", "")


@pytest.mark.parametrize(
    "path",
    ["dash/nothing.js", "nothing/x.js", "dash/dcc/x.js", "plotly/package_data/x", "dash/../x",
     "dash/%2e%2e/x", "%00/x", "dash/deps/react@1.min.js"],
)  # fmt: skip
def test_unknown_component_files_are_not_there(client: FlaskClient, path: str) -> None:
    assert client.get(f"/_dash-component-suites/{path}").status_code == 404


ODD: list[Any] = [
    None, True, False, 0, -1, 1, 2**63, 10**400, 1e308, "", "x", "\0", "\ud800", "?", "?run=x",
    "/", "/car", "?run=" + "a" * 64, "?figure=../x&page=9e9", [], [None], [1], ["x"], {}, {"x": 1},
    {"points": []}, {"points": [{}]}, {"points": [{"customdata": [1]}]}, {"points": "x"},
    {"xaxis.range[0]": "x", "xaxis.range[1]": None}, {"xaxis.range[0]": 0, "xaxis.range[1]": 1},
    {"autosize": True}, [{}], [[[]]], "data:;base64,AAAA", ["data:;base64,AAAA"], ["log.csv"],
    "u-" + "0" * 32, "ｘ" * 2000,
]  # fmt: skip


def spoiled(rng: random.Random, body: dict[str, Any]) -> Any:
    """A request in which something, or everything, is not as it should be."""
    told: dict[str, Any] = json.loads(json.dumps(body))
    for each in (*told["inputs"], *told["state"]):
        if isinstance(each, dict) and rng.random() < 0.7:
            each["value"] = rng.choice(ODD)
    for _ in range(rng.choice([0, 0, 1, 2])):
        part = rng.choice([told, *told["inputs"], *told["state"]])
        if isinstance(part, dict) and part:
            part[rng.choice(list(part))] = rng.choice(ODD)
        if not isinstance(told.get("inputs"), list) or not isinstance(told.get("state"), list):
            break
    return told


def test_a_button_that_is_made_anew_is_not_pressed(client: FlaskClient) -> None:
    """Dash calls back for buttons that appear, with the presses of all others beside them."""

    def answer(presses: dict[str, int | None]) -> Any:
        ids = {
            name: {"type": "live-do", "control": "temp_lever", "position": name} for name in presses
        }
        first = json.dumps(ids[next(iter(presses))], sort_keys=True, separators=(",", ":"))
        told = [
            {"id": ids[name], "property": "n_clicks", "value": count}
            for name, count in presses.items()
        ]
        body = {
            "output": "live-said.children",
            "outputs": {"id": "live-said", "property": "children"},
            "inputs": [told],
            "state": [],
            "changedPropIds": [f"{first}.n_clicks"],
        }
        return client.post(CALLBACKS, json=body).get_json()["response"]

    assert "nothing was noted" in answer({"0": 1, "50": None})["live-said"]["children"]
    assert answer({"0": None, "50": 1}) == {}


def test_hundreds_of_random_requests(client: FlaskClient) -> None:
    rng = random.Random(18)  # noqa: S311 - only has to be the same each time
    bodies = []
    for each in client.get("/_dash-dependencies").get_json():
        name = each["output"]
        body = {
            "output": name,
            "outputs": [
                {"id": part.rpartition(".")[0], "property": part.rpartition(".")[2].split("@")[0]}
                for part in name.strip(".").split("...")
            ],
            "inputs": [{**part, "value": None} for part in each["inputs"]],
            "state": [{**part, "value": None} for part in each["state"]],
            "changedPropIds": [],
        }
        if not name.startswith(".."):
            body["outputs"] = body["outputs"][0]
        bodies.append(body)
    worst = 0
    for number in range(600):  # thousands: benchmarks/doors.py
        if number % 10:
            text = json.dumps(spoiled(rng, rng.choice(bodies)))
            answer = client.post(CALLBACKS, data=text, content_type="application/json")
        else:
            path = "".join(rng.choices("/%.?&=#abc_-0129\\\u00e9", k=rng.randrange(40)))
            path = path.lstrip("/")  # two of them would name another host to the client
            method = rng.choice(["get", "post", "put", "delete", "head", "options", "patch"])
            answer = getattr(client, method)(
                "/" + rng.choice(["", "car?run=", "fleet.csv?", "_dash-", "assets/"]) + path,
                headers={"Origin": rng.choice(["http://localhost", "http://[", "null", path])},
            )
        worst = max(worst, answer.status_code)
        assert answer.status_code < 500, text
        answer.close()
    assert worst >= 400
