"""Answers packed: what is kept, and that one visitor's answer is never another's."""

from __future__ import annotations

import gzip

import brotli
import pytest
from flask import Flask, Response, request
from flask.testing import FlaskClient

from dashboard.board.compression import KEPT, SHORTEST, Packed, pack_answers


@pytest.fixture
def client() -> FlaskClient:
    server = Flask(__name__, static_folder=None)
    made: list[int] = []

    @server.route("/mine")
    def mine() -> Response:
        return Response(request.args["who"] * SHORTEST, mimetype="text/plain")

    @server.route("/assets/<name>")
    def script(name: str) -> Response:
        made.append(1)
        return Response(f"{name} {len(made)} " + "x" * SHORTEST, mimetype="text/javascript")

    pack_answers(server)
    return server.test_client()


def unpacked(client: FlaskClient, path: str) -> str:
    answer = client.get(path, headers={"Accept-Encoding": "gzip"})
    assert answer.headers["Content-Encoding"] == "gzip"
    return gzip.decompress(answer.data).decode()


def test_a_fresh_answer_is_packed_anew(client: FlaskClient) -> None:
    assert unpacked(client, "/mine?who=a") == "a" * SHORTEST
    assert unpacked(client, "/mine?who=b") == "b" * SHORTEST


def test_a_script_is_packed_once_by_its_address(client: FlaskClient) -> None:
    first = unpacked(client, "/assets/one.js")
    assert unpacked(client, "/assets/one.js") == first
    assert unpacked(client, "/assets/two.js").startswith("two.js")


def test_brotli_is_sent_to_who_unpacks_it(client: FlaskClient) -> None:
    answer = client.get("/mine?who=a", headers={"Accept-Encoding": "gzip, deflate, br, zstd"})
    assert answer.headers["Content-Encoding"] == "br"
    assert brotli.decompress(answer.data) == b"a" * SHORTEST


def test_who_cannot_unpack_gets_it_as_it_is(client: FlaskClient) -> None:
    answer = client.get("/mine?who=a", headers={"Accept-Encoding": "compress"})
    assert "Content-Encoding" not in answer.headers
    assert answer.data == b"a" * SHORTEST


def test_not_all_is_kept() -> None:
    packed = Packed()
    for number in range(KEPT + 10):
        packed.set(f"gzip;/assets/{number}", b"x")
    kept = [number for number in range(KEPT + 10) if packed.get(f"gzip;/assets/{number}")]
    assert kept == list(range(10, KEPT + 10))
