"""Guessing the password: how many tries there are, and that they keep nobody else out.

How many tests the bars allow stands with them; that a thousand at once are no more than one after
the other is held against a barrier that starts all threads together.
"""

from __future__ import annotations

import html
import threading
from collections import Counter
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from dashboard.board.app import create_app
from dashboard.board.login import (
    FORGOTTEN_S,
    FREE_TRIES,
    KNOWN_A_MINUTE,
    KNOWN_AT_ONCE,
    LONGEST_WAIT_S,
    MAX_ADDRESSES,
    STRANGERS_A_MINUTE,
    STRANGERS_AT_ONCE,
    WAIT_S,
    Password,
    Patience,
    inside,
    login_address,
)
from dashboard.commands.shared import board_password
from dashboard.web.service import Board
from ingest.errors import UnusableRun
from tests.support.board_runs import MadeSource, made_document

WORD = "lamplighter"
MAX_A_MINUTE = 20


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def patience(clock: Clock) -> Patience:
    return Patience(clock)


@pytest.fixture(scope="module")
def password() -> Password:
    return Password(WORD)


@pytest.fixture
def guarded(password: Password) -> FlaskClient:
    app = create_app(
        Board(MadeSource({"a" * 64: made_document("SC-090")}, {})),
        password=password, secure=True, hosts=None,
    )  # fmt: skip
    return app.server.test_client()


def log_in(client: FlaskClient, word: str = WORD, address: str = "10.0.0.7") -> int:
    return client.post(
        "/login", data={"password": word}, environ_overrides={"REMOTE_ADDR": address}
    ).status_code


# ---------------------------------------------------------------- how many


def test_five_from_one_address_then_it_waits(guarded: FlaskClient) -> None:
    assert [log_in(guarded, f"guess {each}") for each in range(5)] == [403] * 5
    assert log_in(guarded) == 429  # the right one too: it is not looked at
    assert log_in(guarded, address="10.0.0.8") == 302  # another visitor comes in at once


def test_a_thousand_at_once_from_one_address_are_five(patience: Patience) -> None:
    assert taken(patience, ["10.0.0.7"] * 1000)["10.0.0.7"] == FREE_TRIES == 5


def test_a_thousand_at_once_from_many_are_few_and_the_right_one_gets_in(
    patience: Patience, clock: Clock
) -> None:
    many = [f"10.1.{each // 250}.{each % 250}" for each in range(1000)]
    assert 0 < taken(patience, many).total() <= MAX_A_MINUTE
    wait = patience.take("192.168.0.9")
    assert wait <= 60.0
    clock.now += wait
    assert patience.take("192.168.0.9") == 0.0


def test_no_minute_sees_more_than_twenty(patience: Patience, clock: Clock) -> None:
    for each in range(10):
        patience.succeeded(f"10.2.0.{each}")  # known addresses have tries of their own
    at = []
    for step in range(3000):
        clock.now = step * 0.1
        both = (f"10.1.{step // 200}.{step % 200}", f"10.2.0.{step % 10}")
        at += [clock.now for address in both if patience.take(address) == 0.0]
    assert max(sum(t <= other < t + 60.0 for other in at) for t in at) <= MAX_A_MINUTE
    total = STRANGERS_AT_ONCE + STRANGERS_A_MINUTE + KNOWN_AT_ONCE + KNOWN_A_MINUTE
    assert total == MAX_A_MINUTE


def test_strangers_do_not_keep_out_who_came_in_before(patience: Patience) -> None:
    patience.take("10.0.0.7")
    patience.succeeded("10.0.0.7")
    taken(patience, [f"10.1.{each // 250}.{each % 250}" for each in range(1000)])
    assert patience.take("10.0.0.7") == 0.0


def taken(patience: Patience, addresses: list[str]) -> Counter[str]:
    """Who got a try, of many who ask at once."""
    got: list[str] = []
    start = threading.Barrier(20)

    def ask(share: list[str]) -> None:
        start.wait()
        got.extend(address for address in share if patience.take(address) == 0.0)

    threads = [threading.Thread(target=ask, args=(addresses[each::20],)) for each in range(20)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    return Counter(got)


# ---------------------------------------------------------------- how long


def test_waits_double_and_end(patience: Patience, clock: Clock) -> None:
    waits = []
    for _ in range(FREE_TRIES + 5):
        while (wait := patience.take("10.0.0.7")) > 0.0:
            clock.now += wait
            waits.append(wait)
    assert waits[0] == pytest.approx(WAIT_S)
    assert WAIT_S <= 60.0  # who shares an address with a guesser gets in within a minute
    assert waits[1] == pytest.approx(2.0 * WAIT_S)
    assert max(waits) == pytest.approx(LONGEST_WAIT_S)


def test_wrong_tries_are_forgotten(patience: Patience, clock: Clock) -> None:
    for _ in range(FREE_TRIES - 1):
        assert patience.take("10.0.0.7") == 0.0
    clock.now += FORGOTTEN_S + 1.0
    for _ in range(FREE_TRIES):
        assert patience.take("10.0.0.7") == 0.0


def test_the_right_password_gives_its_tries_back(patience: Patience) -> None:
    for _ in range(100):
        assert patience.take("10.0.0.7") == 0.0
        patience.succeeded("10.0.0.7")


def test_a_network_of_version_six_is_one_address(patience: Patience) -> None:
    # RFC 4291, 2.5.1: what one machine chooses freely is the last 64 bits
    got = [patience.take(f"2001:db8:1:2::{each:x}") for each in range(1, 8)]
    assert sum(wait == 0.0 for wait in got) == FREE_TRIES
    assert patience.take("2001:db8:1:3::1") == 0.0


def test_addresses_remembered_are_bounded(patience: Patience) -> None:
    for each in range(3 * MAX_ADDRESSES):
        patience.take(f"10.{each // 65536}.{each // 256 % 256}.{each % 256}")
        patience.succeeded(f"10.{each // 65536}.{each // 256 % 256}.{each % 256}")
    assert len(patience._known) == MAX_ADDRESSES
    assert len(patience._taken) <= MAX_ADDRESSES


# ---------------------------------------------------------------- looking is not trying


def test_looking_at_the_door_is_no_try(guarded: FlaskClient) -> None:
    for _ in range(3 * FREE_TRIES):
        assert guarded.head("/login").status_code == 200
    assert guarded.head("/").status_code == 302
    assert log_in(guarded) == 302


def test_a_page_there_is_not_looks_like_one_there_is(guarded: FlaskClient) -> None:
    known, unknown = guarded.get("/limits"), guarded.get("/nowhere"[: len("/limits")])
    assert known.status_code == unknown.status_code == 302
    # both go on to what was asked for, there or not
    assert known.data.replace(b"limits", b"nowher") == unknown.data
    headers = {key: text.replace("limits", "nowher") for key, text in known.headers.items()}
    assert headers == dict(unknown.headers)
    assert (
        guarded.post("/limits", data="x").status_code
        == guarded.post("/no-such", data="x").status_code
    )


def test_the_icon_shows_nothing_of_the_store(guarded: FlaskClient) -> None:
    answer = guarded.get("/favicon.ico")
    assert answer.status_code == 204
    assert answer.data == b""


def test_browsers_are_told_to_come_by_tls_alone(guarded: FlaskClient) -> None:
    # RFC 6797, 6.1; and 7.2: not over plain HTTP
    assert "max-age=" in guarded.get("/login").headers["Strict-Transport-Security"]
    plain = create_app(Board(MadeSource({}, {}))).server.test_client()
    assert "Strict-Transport-Security" not in plain.get("/").headers


# ---------------------------------------------------------------- the password's file


@pytest.mark.parametrize("text", ["", "\n", "   \n", "\nlamplighter\n"])
def test_an_empty_password_file_is_an_error(tmp_path: Path, text: str) -> None:
    file = tmp_path / "word.txt"
    file.write_text(text)
    with pytest.raises(UnusableRun, match="no password on the first line"):
        board_password(file)


def test_a_password_file_others_can_read_is_warned_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "word.txt"
    file.write_text(f"{WORD}\nmore\n")
    for mode, warned in ((0o600, False), (0o640, True), (0o604, True)):
        file.chmod(mode)
        assert board_password(file) == WORD
        assert ("others can read" in capsys.readouterr().err) is warned


def test_the_log_in_goes_on_to_what_was_asked_for(password: Password) -> None:
    board = Board(MadeSource({"a" * 64: made_document("SC-100")}, {}))
    client = create_app(board, password=password).server.test_client()
    asked = f"/car?run={'a' * 64}&units=us"
    there = client.get(asked).headers["Location"]
    assert there.startswith("/login?")
    wrong = client.post(there, data={"password": "not it, surely"}).get_data(as_text=True)
    assert html.escape(there) in wrong
    assert client.post(there, data={"password": WORD}).headers["Location"] == asked
    assert client.get(asked).status_code == 200


@pytest.mark.parametrize(
    "asked",
    ["//elsewhere.example", "/\\elsewhere.example", "https://elsewhere.example", "elsewhere",
     "/a\nb", "/" + "a" * 2000, "", "/\tb"],
)  # fmt: skip
def test_the_log_in_leads_nowhere_else(asked: str) -> None:
    assert inside(asked) == "/"
    assert login_address(asked) == "/login"
