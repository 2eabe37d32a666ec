from __future__ import annotations

import json
import threading
import time
from itertools import pairwise
from pathlib import Path

import pytest

from analysis.pipeline import analyze
from analysis.result import document
from dashboard.commands.guided import Wish, choose_plan, keep_plan, record_guided
from dashboard.live.guide import Guide
from dashboard.live.state import LIVE_NAME, post_key, read_state
from dashboard.live.terminal import follow_quietly
from dashboard.live.worker import FiguresWorker, measure_folder
from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.record.recorder import Recorder
from ingest.record.replay import play, read_script
from ingest.record.test_progress import PlanRun
from ingest.setup.model import read_setup
from tests.dashboard.live.test_live_guide import PLAN, SETUP, StillFigures
from tests.support.loggers import (
    numbered_setup,
    outlet,
    recorder_on,
    usual_plan,
    wait_for,
    write_setup,
)
from tests.support.tools import run_lukewarm

ROOT = Path(__file__).parents[3]
SAMPLES = ROOT / "sample_logs"
STALE_S = 10.0
"""A state older than this is not live, however busy the machine; how fast it is on a quiet one is
measured, not tested."""


@pytest.mark.parametrize("name", ["SC-014-complaint", "SC-041-baseline"])
def test_live_figures_of_a_replay_are_those_of_the_original(tmp_path: Path, name: str) -> None:
    """Guided recording of a replay: the last live figures, to the last digit of `analyze`."""
    folder = tmp_path / name
    with outlet() as made:
        script = read_script(SAMPLES / name)
        recorder = Recorder.create(SAMPLES / name / "run.toml", folder, (made.url,))
        recorder.start()
        worker = FiguresWorker(folder)
        guide = Guide(recorder, None, worker)
        player = threading.Thread(target=play, args=(script, made, 0))
        player.start()
        try:
            follow_quietly(guide, lambda: recorder.counters.lines >= len(script.lines) - 3)
            player.join()
            recorder.stop()
            whole = load_run(folder)
            until = round(float(whole.readings["time_s"][-1]), 1)
            deadline = time.monotonic() + 60.0
            while worker.latest is None or round(worker.latest.until_s, 1) != until:
                assert time.monotonic() < deadline, worker.reason
                worker.poll()
                time.sleep(0.05)
            state = guide.tick(last=True)
        finally:
            worker.close()
    original = document(analyze(load_run(SAMPLES / name)))["figures"]
    assert len(original) > 10
    for figure, entry in original.items():
        assert state["figures"][figure]["value"] == entry["value"], figure
        assert state["figures"][figure]["u"] == entry["u"], figure
    again = document(analyze(whole))
    assert again["figures"] == original


def test_what_was_received_is_in_the_state_while_it_is_recorded(tmp_path: Path) -> None:
    """The state a page shows follows the line, reading by reading."""
    sent: dict[int, float] = {}
    delays: list[float] = []
    with outlet() as made:
        recorder = recorder_on(made.url, tmp_path, SETUP)
        recorder.start()
        guide = Guide(recorder, PlanRun(usual_plan("blend-air")), StillFigures())
        stop = threading.Event()
        follower = threading.Thread(target=follow_quietly, args=(guide, stop.is_set))
        try:
            wait_for(made.listened)
            made.send(b"t,out,air\n")
            follower.start()
            for number in range(1, 400):
                sent[number] = time.monotonic()
                made.send(f"{number / 50:.2f},{number / 10:.1f},-5.0\n".encode())
                time.sleep(0.02)
                shown = shown_number(tmp_path / "run")
                if shown is not None:
                    delays.append(time.monotonic() - sent[shown])
        finally:
            stop.set()
            follower.join()
            recorder.stop()
    assert len(delays) > 50
    assert max(delays) < STALE_S


def shown_number(folder: Path) -> int | None:
    state = read_state(folder / LIVE_NAME)
    readings = {each["point"]: each["value"] for each in (state or {}).get("readings", [])}
    value = readings.get("outlet")
    return None if value is None else round(value * 10)


def test_the_state_is_new_at_least_twice_a_second(tmp_path: Path) -> None:
    with outlet() as made:
        recorder = recorder_on(made.url, tmp_path, SETUP)
        recorder.start()
        guide = Guide(recorder, None, StillFigures())
        seen: list[float] = []
        until = time.monotonic() + 4.0

        def is_over() -> bool:
            state = read_state(tmp_path / "run" / LIVE_NAME)
            if state and (not seen or state["host_s"] != seen[-1]):
                seen.append(state["host_s"])
            return time.monotonic() > until

        try:
            follow_quietly(guide, is_over)
        finally:
            recorder.stop()
    assert len(seen) >= 8
    assert max(after - before for before, after in pairwise(seen)) < 1.0  # a loaded machine


def test_figures_that_cannot_be_made_do_not_stop_anything(tmp_path: Path) -> None:
    assert "no readable file" in str(measure_folder(tmp_path))
    worker = FiguresWorker(tmp_path)
    try:
        wait_for(lambda: not worker.poll() and "no readable file" in worker.reason)
        worker._companion._process.terminate()
        worker._companion._process.join()
        worker._due = 0.0
        wait_for(lambda: not worker.poll() and "have stopped" in worker.reason)
    finally:
        worker.close()
    assert worker.latest is None


def test_a_plan_is_kept_in_the_run_folder(tmp_path: Path) -> None:
    setup = read_setup(SAMPLES / "SC-041-baseline" / "run.toml")
    assert choose_plan("none", setup, tmp_path, guided=True) is None
    assert choose_plan(None, setup, tmp_path, guided=False) is None
    assert "water-valve" in str(choose_plan(None, setup, tmp_path, guided=True))
    assert "one person" in str(choose_plan("yard", setup, tmp_path, guided=False))
    assert "two people" in str(choose_plan("road", setup, tmp_path, guided=False))
    (tmp_path / "own.toml").write_text(PLAN, encoding="utf-8")
    text = choose_plan(str(tmp_path / "own.toml"), setup, tmp_path, guided=False)
    plan = keep_plan(text, tmp_path)
    assert plan is not None
    assert plan.name == "short"
    # a resumed recording goes on with it, whoever asks for nothing
    assert choose_plan(None, setup, tmp_path, guided=False) == PLAN
    with pytest.raises(UnusableRun, match="no readable text"):
        choose_plan(str(tmp_path / "none.toml"), setup, tmp_path, guided=True)


def test_a_guided_recording_without_a_terminal(tmp_path: Path) -> None:
    said: list[str] = []
    with outlet() as made:
        recorder = recorder_on(made.url, tmp_path, SETUP)

        def send() -> None:
            wait_for(made.listened)
            made.send(b"t,out,air\n" + b"".join(b"%d,20.0,-5.0\n" % at for at in range(30)))

        sender = threading.Thread(target=send)
        sender.start()

        def press() -> None:
            live = tmp_path / "run" / LIVE_NAME
            wait_for(lambda: ((read_state(live) or {}).get("step") or {}).get("waits", False), 60.0)
            post_key(tmp_path / "run", "go")

        presser = threading.Thread(target=press)
        presser.start()
        plan = keep_plan(PLAN, tmp_path / "run")
        summary = record_guided(recorder, Wish(plan, until_silent=2.0), said.append, said.append)
        sender.join()
        presser.join()
    assert summary.failure is None
    assert summary.counters.events == 1
    assert said[-1] == f"the run is in {tmp_path / 'run'}"
    assert load_run(tmp_path / "run").controls["control"].to_list() == ["temp_lever"]
    assert (read_state(tmp_path / "run" / LIVE_NAME) or {})["state"] == "closed"


def test_a_wrong_plan_is_said_before_anything_is_made(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text('[plan]\nname = "x"\n', encoding="utf-8")
    write_setup(tmp_path, numbered_setup())
    done = run_lukewarm(
        "record", "socket://127.0.0.1:1", "--setup", "setup.toml", "--out", "run",
        "--plan", "plan.toml", folder=tmp_path,
    )  # fmt: skip
    assert done.returncode == 1
    assert "plan.toml step: found nothing" in done.stderr
    assert not (tmp_path / "run").exists()


def test_a_page_for_others_needs_a_password(tmp_path: Path) -> None:
    write_setup(tmp_path, numbered_setup())
    done = run_lukewarm(
        "record", "socket://127.0.0.1:1", "--setup", "setup.toml", "--out", "run",
        "--page", "--page-host", "192.0.2.7", folder=tmp_path,
    )  # fmt: skip
    assert done.returncode == 1
    assert "no password" in done.stderr
    assert not (tmp_path / "run").exists()


def test_states_are_json_any_reader_takes(tmp_path: Path) -> None:
    with outlet() as made:
        recorder = recorder_on(made.url, tmp_path, SETUP)
        recorder.start()
        try:
            wait_for(made.listened)
            made.send(b"t,out,air\n0.1,nan,inf\n")
            wait_for(lambda: recorder.counters.lines >= 2)
            time.sleep(0.3)
            Guide(recorder, None, StillFigures()).tick()
        finally:
            recorder.stop()
    text = (tmp_path / "run" / LIVE_NAME).read_text(encoding="utf-8")

    def refuse(word: str) -> None:
        raise AssertionError(word)

    found = json.loads(text, parse_constant=refuse)
    assert [each["value"] for each in found["readings"]] == [None, None]
