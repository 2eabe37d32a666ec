"""What a stranger's log can do to the process it is worked on in, and that it stays there."""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.web import uploads as uploads_module
from dashboard.web import workshop
from dashboard.web.uploads import MAX_WORKING_EACH, Uploads, Visitor
from dashboard.web.workshop import MEMORY, Workshop
from ingest.errors import Fault, UnusableRun
from tests.support.board_runs import SAMPLES, MadeSource
from tests.support.run_folders import log_text

LOG = log_text([f"{row * 0.5:.1f}" for row in range(120)]).encode()
HERE = Visitor("10.0.0.7")


@pytest.fixture(scope="module")
def works() -> Iterator[Workshop]:
    made = Workshop()
    yield made
    made.close()


# ---------------------------------------------------------------- tasks that end badly


def eat(much: int) -> int:
    return len(bytearray(much))


def die() -> None:
    os._exit(9)


def many_faults() -> None:
    raise UnusableRun(Fault(f"row {each}", "x", "y", "z") for each in range(5000))


def a_bug() -> None:
    raise KeyError("outlet")


def mode_of_files() -> int:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x"
        path.touch()
        return path.stat().st_mode & 0o777


def test_too_much_memory_is_a_fault(works: Workshop) -> None:
    assert works.run(eat, 1000) == 1000
    with pytest.raises(UnusableRun, match="too much memory"):
        works.run(eat, MEMORY + 2**20)
    assert works.run(eat, 1000) == 1000


def test_too_much_time_is_a_fault(works: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workshop, "SECONDS", 0.2)
    with pytest.raises(UnusableRun, match="not read within"):
        works.run(time.sleep, 1000.0)


def test_a_process_that_dies_is_a_fault(works: Workshop) -> None:
    with pytest.raises(UnusableRun, match="too much memory"):
        works.run(die)
    assert works.run(eat, 1000) == 1000


def test_mistakes_told_are_few_and_the_rest_is_counted(works: Workshop) -> None:
    with pytest.raises(UnusableRun) as caught:
        works.run(many_faults)
    assert len(caught.value.faults) == workshop.MAX_FAULTS + 1
    assert "4970 more mistakes" in str(caught.value)


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_too_many_columns_are_a_fault(works: Workshop, tmp_path: Path, mark: str) -> None:
    log = tmp_path / "log.csv"
    log.write_text(f"t{mark}OUT\n" + mark * (workshop.MAX_MARKS + 1) + "\n")
    with pytest.raises(UnusableRun, match="line 2: found more than 10000 columns"):
        works.run(workshop.draft, log)
    with pytest.raises(UnusableRun, match="line 2: found more than 10000 columns"):
        works.run(workshop.analyze, tmp_path, tmp_path / "result", {})


def test_a_bug_is_said_to_be_one(works: Workshop) -> None:
    with pytest.raises(UnusableRun, match="report it as a bug"):
        works.run(a_bug)


def test_what_is_written_there_is_the_owners_alone(works: Workshop) -> None:
    assert works.run(mode_of_files) == 0o600


def test_who_waits_when_the_board_ends_is_told() -> None:
    own = Workshop()
    threading.Timer(3.0, own.close).start()
    with pytest.raises(UnusableRun, match="a board that is ending"):
        own.run(time.sleep, 1000.0)


# ---------------------------------------------------------------- visitors do not push each other


def test_one_visitors_uploads_push_out_only_their_own(works: Workshop) -> None:
    held = Uploads(MadeSource({}, {}), works)
    other = held.receive({"log.csv": LOG}, Visitor("10.0.0.8"))
    session = held.receive({"log.csv": LOG}, Visitor("10.0.0.7", "another session"))
    for _ in range(200):
        held.receive({"log.csv": LOG}, HERE)
    assert {other, session} <= set(held._held)
    for each in list(held._held):
        held.forget(each)


@pytest.mark.parametrize("limit", ["MAX_KEPT", "MAX_KEPT_BYTES"])
def test_where_all_is_taken_who_holds_most_gives_way(
    works: Workshop, monkeypatch: pytest.MonkeyPatch, limit: str
) -> None:
    monkeypatch.setattr(uploads_module, limit, 10 if limit == "MAX_KEPT" else 10 * len(LOG))
    held = Uploads(MadeSource({}, {}), works)
    other = held.receive({"log.csv": LOG}, Visitor("10.0.0.8"))
    for each in range(200):  # one address with many sessions
        held.receive({"log.csv": LOG}, Visitor("10.0.0.7", f"session {each}"))
    assert other in held._held
    assert len(held._held) == 10
    for each in list(held._held):
        held.forget(each)


def test_who_has_too_many_worked_on_is_told_to_wait(works: Workshop) -> None:
    held = Uploads(MadeSource({}, {}), works)
    token = held.receive({"log.csv": LOG}, HERE)
    held._working[HERE] = MAX_WORKING_EACH
    with pytest.raises(UnusableRun, match="wait a moment"):
        held.draft(token)
    free = held.receive({"log.csv": LOG}, Visitor("10.0.0.8"))
    assert held.draft(free)
    del held._working[HERE]
    assert held.draft(token)
    for each in (token, free):
        held.forget(each)


def test_the_result_is_the_same_as_without_another_process(works: Workshop) -> None:
    from analysis.pipeline import judge_measured, measure
    from analysis.result import document
    from ingest.load.load import load_run

    folder = SAMPLES / "SC-017-complaint"
    held = Uploads(MadeSource({}, {}), works)
    token = held.receive({path.name: path.read_bytes() for path in folder.iterdir()}, HERE)
    held.analyze(token)
    run = load_run(folder)
    here = document(judge_measured(measure(run.with_(name=run.setup.log.file))))
    assert held.document(token) == here
    analysis = held.analysis(token)
    assert analysis is not None
    assert document(analysis) == here
    held.forget(token)
    assert held.document(token) is None


@pytest.mark.parametrize("umask", [0o000, 0o022, 0o077])
def test_uploads_are_their_owners_alone_whatever_the_umask(works: Workshop, umask: int) -> None:
    before = os.umask(umask)
    try:
        held = Uploads(MadeSource({}, {}), works)
        token = held.receive({"log.csv": LOG}, HERE)
        place = Path(held._held[token].place.name)
        for path in (place, *place.rglob("*")):
            assert path.stat().st_mode & 0o777 == (0o700 if path.is_dir() else 0o600)
    finally:
        os.umask(before)
    held.forget(token)
    assert not place.exists()
