"""The board's server: who may come in, what every answer carries, what is refused."""

from __future__ import annotations

import gc
import gzip
import os
import re
import ssl
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import brotli
import pytest
from flask.testing import FlaskClient

from dashboard.board.app import PLOTLY, create_app
from dashboard.board.door import MAX_BYTES
from dashboard.board.login import (
    COOKIE,
    SESSION_S,
    Password,
    Sessions,
)
from dashboard.board.security import host_of, is_loopback
from dashboard.board.server import Serving, address_of, bind, make_server, names_of
from dashboard.pages import all_pages
from dashboard.plots.page import plotly_script
from dashboard.web.service import Board
from ingest.errors import UnusableRun
from tests.support.board_runs import ROOT, SAMPLES, MadeSource, made_document

HERE = "http://localhost"
CERTIFICATE = ROOT / "tests" / "data" / "board" / "cert.pem"
KEY = ROOT / "tests" / "data" / "board" / "key.pem"
"""Self-signed for localhost, of no use to anyone: made for these tests, valid until 2126."""

WORD = "lamplighter"
RUN = "a" * 64


def made() -> MadeSource:
    return MadeSource({RUN: made_document("SC-090")}, {})


@pytest.fixture
def open_board() -> FlaskClient:
    return create_app(Board(made())).server.test_client()


@pytest.fixture(scope="module")
def password() -> Password:
    return Password(WORD)


@pytest.fixture
def guarded(password: Password) -> FlaskClient:
    app = create_app(Board(made()), password=password, secure=True, hosts=None)
    return app.server.test_client()


# ---------------------------------------------------------------- headers


def test_every_answer_carries_the_headers(open_board: FlaskClient) -> None:
    for path in ("/", "/car", "/_dash-layout", "/assets/board.css", "/fleet.csv", "/nowhere"):
        answer = open_board.get(path, buffered=True)
        assert answer.status_code == (404 if path == "/nowhere" else 200), path
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["X-Frame-Options"] == "DENY"


def test_a_page_there_is_not_says_so(open_board: FlaskClient) -> None:
    for page in all_pages():
        assert open_board.get(page.path).status_code == 200
    missing = open_board.get("/no-such-page")
    assert missing.status_code == 404
    assert b"content" in missing.data  # the frame, in which the page is told of


def test_scripts_run_by_address_or_hash_alone(open_board: FlaskClient) -> None:
    policy = open_board.get("/").headers["Content-Security-Policy"]
    (scripts,) = re.findall(r"script-src ([^;]*)", policy)
    assert "unsafe" not in scripts
    assert "http" not in scripts
    assert "'sha256-" in scripts


def test_nothing_comes_from_another_host(open_board: FlaskClient) -> None:
    text = open_board.get("/").get_data(as_text=True)
    assert re.findall(r'(?:src|href)="(?:https?:)?//', text) == []


def test_only_scripts_and_styles_are_kept(open_board: FlaskClient) -> None:
    assert open_board.get("/").headers["Cache-Control"] == "no-store"
    assert open_board.get("/fleet.csv").headers["Cache-Control"] == "no-store"
    kept = open_board.get("/assets/board.css", buffered=True)
    assert "no-store" not in kept.headers["Cache-Control"]


def test_answers_are_packed_for_who_can_unpack(open_board: FlaskClient) -> None:
    plain = open_board.get("/assets/board.css", buffered=True)
    packed = open_board.get("/assets/board.css", headers={"Accept-Encoding": "gzip"})
    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.data) == plain.data
    assert "Content-Encoding" not in plain.headers


# ---------------------------------------------------------------- who is answered


@pytest.mark.parametrize("host", ["localhost:8050", "127.0.0.1:8050", "[::1]:8050", "127.8.9.1"])
def test_this_machine_is_answered(open_board: FlaskClient, host: str) -> None:
    assert open_board.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("host", ["heater.example", "127.0.0.1.heater.example", "10.0.0.5", ""])
def test_another_name_is_not(open_board: FlaskClient, host: str) -> None:
    assert open_board.get("/", headers={"Host": host}).status_code in (400, 421)


def test_another_site_cannot_send_anything(open_board: FlaskClient) -> None:
    body = {"output": "x", "inputs": []}
    path = "/_dash-update-component"
    for headers in ({"Origin": "https://other.example"}, {"Sec-Fetch-Site": "cross-site"},
                    {"Origin": "null"}, {"Origin": "https://localhost"},
                    {"Origin": "http://localhost:81"}, {"Origin": "http://["}, {"Origin": ""},
                    {"Origin": "http://localhost/"}):  # fmt: skip
        assert open_board.post(path, json=body, headers=headers).status_code == 403
    same = open_board.post(path, json=body, headers={"Origin": HERE})
    assert same.status_code != 403


def test_hosts_are_told() -> None:
    assert is_loopback("localhost")
    assert is_loopback("127.0.0.9")
    assert is_loopback("::1")
    assert not is_loopback("0.0.0.0")  # noqa: S104 - the question is whether it is refused
    assert not is_loopback("localhost.example")
    assert host_of("[::1]:80") == "::1"
    assert host_of("[") == ""


def test_too_long_a_request_is_refused(open_board: FlaskClient) -> None:
    answer = open_board.post(
        "/_dash-update-component",
        data=b"{}",
        headers={"Content-Type": "application/json"},
        environ_overrides={"CONTENT_LENGTH": str(MAX_BYTES + 1)},
    )
    assert answer.status_code == 413


@pytest.mark.parametrize(
    "path",
    [
        "/assets/../app.py",
        "/assets/%2e%2e/app.py",
        "/assets/..%2fapp.py",
        "/_dash-component-suites/dash/../../../etc/passwd",
        "/_dash-component-suites/dashboard/app.py",
    ],
)
def test_no_path_leads_out_of_the_assets(open_board: FlaskClient, path: str) -> None:
    answer = open_board.get(path)
    assert b"create_app" not in answer.data
    assert b"root:" not in answer.data


# ---------------------------------------------------------------- the password


def log_in(client: FlaskClient, word: str = WORD) -> int:
    return client.post("/login", data={"password": word}).status_code


def test_without_a_session_there_is_only_the_door(guarded: FlaskClient) -> None:
    for path in ("/", "/car", "/fleet.csv"):
        answer = guarded.get(path)
        assert answer.status_code == 302
        assert answer.headers["Location"].partition("?")[0] == "/login"
    assert guarded.get("/_dash-layout").status_code == 401
    assert guarded.post("/_dash-update-component", json={}).status_code == 401
    page = guarded.get("/login").get_data(as_text=True)
    assert "password" in page
    assert "SC-090" not in page


def test_the_right_password_opens_and_logging_out_shuts(guarded: FlaskClient) -> None:
    assert log_in(guarded, "wrong") == 403
    answer = guarded.post("/login", data={"password": WORD})
    assert answer.status_code == 302
    cookie = answer.headers["Set-Cookie"]
    assert all(part in cookie for part in ("HttpOnly", "SameSite=Strict", "Secure", "Path=/"))
    old = cookie.partition(";")[0].partition("=")[2]
    # the cookie is for TLS alone, so the client must come by it
    assert guarded.get("/fleet.csv", base_url="https://localhost").status_code == 200
    guarded.post("/logout", base_url="https://localhost")
    guarded.set_cookie(COOKIE, old, domain="localhost")
    assert guarded.get("/fleet.csv").status_code == 302


def test_sessions_end_and_are_not_guessed() -> None:
    now = [0.0]
    sessions = Sessions(lambda: now[0])
    token = sessions.start()
    assert sessions.holds(token)
    assert not sessions.holds("")
    assert not sessions.holds(token[:-1])
    now[0] = SESSION_S + 1.0
    assert not sessions.holds(token)


def test_passwords_are_kept_as_salted_hashes() -> None:
    one, other = Password(WORD), Password(WORD)
    assert one.matches(WORD)
    assert not one.matches(WORD + " ")
    assert not one.matches("")
    assert WORD not in repr(vars(one))
    assert vars(one) != vars(other)


# ---------------------------------------------------------------- serving


@pytest.mark.parametrize(
    ("serving", "found"),
    [
        (Serving(host="0.0.0.0"), "no password"),  # noqa: S104 - refused
        (Serving(host="board.example"), "no password"),
        (Serving(password="short"), "5 characters"),  # noqa: S106
        (Serving(certificate=CERTIFICATE), "one file"),
        (Serving(certificate=CERTIFICATE, key=Path("gone.pem")), "no such file"),
    ],
)
def test_an_open_door_is_refused(serving: Serving, found: str) -> None:
    with pytest.raises(UnusableRun, match=found):
        serving.check()


def test_a_key_that_is_none_is_a_fault() -> None:
    app = create_app(Board(made()))
    with pytest.raises(UnusableRun, match="cannot be used"):
        make_server(app.server, Serving(port=0, certificate=CERTIFICATE, key=CERTIFICATE))


# the socket that could not be bound is left to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_taken_port_is_a_fault() -> None:
    app = create_app(Board(made()))
    first = make_server(app.server, Serving(port=0))
    bind(first, Serving(port=0))
    taken = Serving(port=first.port)
    try:
        with pytest.raises(UnusableRun, match="port"):
            bind(make_server(app.server, taken), taken)
    finally:
        first.stop()
        gc.collect()


def test_a_board_with_a_password_answers_to_any_name() -> None:
    assert names_of(Serving()) == frozenset()
    assert names_of(Serving(password=WORD)) is None


@pytest.fixture
def over_tls(password: Password) -> Iterator[str]:
    serving = Serving(port=0, password=WORD, certificate=CERTIFICATE, key=KEY)
    app = create_app(Board(made()), password=password, secure=True)
    server = make_server(app.server, serving)
    bind(server, serving)
    thread = threading.Thread(target=server.serve, daemon=True)
    thread.start()
    yield address_of(server, serving)
    server.stop()
    thread.join(10.0)


def test_tls_is_spoken(over_tls: str) -> None:
    trusted = ssl.create_default_context(cafile=str(CERTIFICATE))
    with urllib.request.urlopen(f"{over_tls}login", context=trusted) as answer:  # noqa: S310
        assert answer.status == 200
        assert answer.headers["Server"] == "lukewarm"
        assert b"Password of this board" in answer.read()


def board_command(*arguments: str, **environment: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "lukewarm", "board", *arguments],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | environment,
    )


def test_the_command_serves_until_it_is_ended() -> None:
    with board_command(str(SAMPLES / "SC-001-baseline"), "--port", "0") as process:
        try:
            assert process.stderr is not None
            line = next(line for line in process.stderr if "the board is at" in line)
            address = line.split()[4].rstrip(";")
            with urllib.request.urlopen(f"{address}fleet.csv") as answer:  # noqa: S310
                assert b"SC-001" in answer.read()
        finally:
            process.kill()


def test_the_command_refuses_an_open_door() -> None:
    with board_command("--host", "0.0.0.0", LUKEWARM_BOARD_PASSWORD="") as process:  # noqa: S104
        _, said = process.communicate(timeout=120)
    assert process.returncode == 1
    assert "password" in said


@pytest.mark.parametrize(("accepted", "coding"), [("gzip, br", "br"), ("gzip", "gzip"),
                                                  ("", None)])  # fmt: skip
def test_the_drawing_script_comes_packed_as_asked(
    open_board: FlaskClient, accepted: str, coding: str | None
) -> None:
    answer = open_board.get(PLOTLY, headers={"Accept-Encoding": accepted})
    assert answer.headers.get("Content-Encoding") == coding
    plain = {"br": brotli.decompress, "gzip": gzip.decompress, None: bytes}[coding](answer.data)
    assert plain == plotly_script().encode()
    assert b"scatter and bar" in plain[:80]
