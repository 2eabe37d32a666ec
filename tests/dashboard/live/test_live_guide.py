from __future__ import annotations

import io
import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import segno
from rich.console import Console

from analysis.heater.predict import Prediction
from analysis.live import LiveFigures
from analysis.measurement import Measurement
from dashboard.live.alarms import alarm_texts
from dashboard.live.guide import Guide
from dashboard.live.keys import KEYS, NoKeyboard, key_lines, lever_moved
from dashboard.live.readings import Reading
from dashboard.live.sensors import Sensors
from dashboard.live.state import (
    LIVE_NAME,
    find_recording,
    forget_guide,
    post_event,
    post_key,
    read_state,
    take_keys,
    write_state,
)
from dashboard.live.terminal import address_code, follow_guided, screen, screen_lines
from dashboard.pages.live import act, changes
from dashboard.pages.views import live as live_view
from ingest.load.load import load_run
from ingest.record.recorder import Recorder
from ingest.record.recover import rebuild
from ingest.record.replay_port import Outlet
from ingest.record.test_plan import parse_plan
from ingest.record.test_progress import PlanRun
from ingest.run import Finding
from ingest.setup.model import parse_setup
from tests.support.loggers import outlet, wait_for, write_setup

SETUP = (
    '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'
    '[channels.outlet]\ncolumn = "out"\nunit = "degC"\n'
    '[channels.ambient]\ncolumn = "air"\nunit = "degC"\n'
)
PLAN = (
    '[plan]\nname = "short"\n'
    '[[step]]\nname = "soak"\ndo = "Touch nothing."\nset = { temp_lever = 100 }\n'
    "until = { time_s = 600 }\n"
    '[[step]]\nname = "start"\ndo = "Start the engine."\nconfirm = true\n'
    'set = { engine = "start" }\nuntil = { time_s = 600 }\n'
)


class StillFigures:
    """Live figures that were made before."""

    def __init__(self) -> None:
        self.latest: LiveFigures | None = None
        self.reason = "not yet"

    def poll(self) -> bool:
        return False


class Car:
    """A recorder that hears made-up lines, with its guide."""

    def __init__(self, made: Outlet, folder: Path) -> None:
        self.outlet = made
        self.folder = folder / "run"
        self.recorder = Recorder.create(write_setup(folder, SETUP), self.folder, (made.url,))
        self.recorder.start()
        self.figures = StillFigures()
        self.plan = PlanRun(parse_plan(PLAN))
        self.guide = Guide(self.recorder, self.plan, self.figures)
        self.sent = 0
        wait_for(made.listened)
        made.send(b"t,out,air\n")

    def say(self, out: str, air: str = "-5.0") -> None:
        """One line of the logger, seen by the recorder."""
        self.sent += 1
        self.outlet.send(f"{self.sent / 10:.1f},{out},{air}\n".encode())
        wait_for(lambda: self.recorder.counters.lines >= self.sent + 1)  # and the names
        time.sleep(0.05)

    def tick(self, typed: str = "") -> dict[str, object]:
        """The guide's state now."""
        until = time.monotonic() + 5.0
        before = self.guide.tick(typed)
        while True:
            state = self.guide.tick()
            if state is not before and state:
                return state
            assert time.monotonic() < until
            time.sleep(0.02)

    def events(self) -> list[str]:
        """Control and position of the events in the run folder."""
        text = (self.folder / "events.csv").read_text(encoding="utf-8")
        return [line.partition(",")[2] for line in text.splitlines()[1:]]


@pytest.fixture
def car(tmp_path: Path) -> Iterator[Car]:
    with outlet() as made:
        found = Car(made, tmp_path)
        try:
            yield found
        finally:
            found.recorder.stop()


def test_the_plan_waits_for_the_first_line(car: Car) -> None:
    state = car.tick()
    assert state["step"]["number"] == 0  # type: ignore[index]
    assert "Nothing has come" in state["step"]["do"]  # type: ignore[index]
    car.say("20.0")
    assert car.tick()["step"]["name"] == "soak"  # type: ignore[index]


def test_steps_and_keys_become_events_of_the_run(car: Car) -> None:
    car.say("20.0")
    assert car.tick()["step"]["waits"]  # type: ignore[index]
    car.tick("\r")  # the lever stands at hot
    car.tick(">")  # leave the rest of the soak out
    car.tick("\r")  # the engine runs
    car.tick("-")  # lever ten per cent down
    state = car.tick("d")
    assert state["stands"] == {"temp_lever": "90", "engine": "start", "mode": "defrost"}
    car.say("20.5")
    car.recorder.stop()
    assert car.events() == [
        "temp_lever,100",
        "engine,start",
        "temp_lever,90",
        "mode,defrost",
    ]


def test_a_wrong_note_is_taken_back(car: Car) -> None:
    car.say("20.0")
    car.tick("3")
    car.tick("4")
    state = car.tick("u")
    wait_for(lambda: car.tick()["stands"] == {"blower": "3"})
    assert "Taken back: blower 4" in json.dumps(state["said"] + car.tick()["said"])  # type: ignore[operator]
    car.tick("2")
    car.say("20.5")
    car.recorder.stop()
    assert car.events() == ["blower,3", "blower,2"]
    assert load_run(car.folder).controls["position"].to_list() == ["3", "2"]


def test_a_note_taken_back_stays_so_when_the_files_are_made_again(car: Car) -> None:
    car.say("20.0")
    car.tick("3")
    car.tick("4")
    car.tick("u")
    car.say("20.5")
    car.recorder.stop()
    before = car.events()
    rebuild(car.folder)
    assert car.events() == before == ["blower,3"]


def test_a_note_in_free_words(car: Car) -> None:
    car.say("20.0")
    state = car.tick("nfan belt squeaks, 2q")
    assert state["writing"] == "fan belt squeaks, 2q"
    assert not car.guide.quit
    car.tick("\x7f\x7f\r")
    car.say("20.5")
    assert act(car.folder, "note", "left window open") == "Noted: note left window open"
    wait_for(lambda: car.recorder.counters.events == 2)
    car.recorder.stop()
    assert car.events() == ['note,"fan belt squeaks,"', "note,left window open"]


def test_the_count_is_shown_and_heard(car: Car) -> None:
    car.say("20.0")
    first = car.tick()["cue"]["number"]  # type: ignore[index]
    state = car.tick("t")
    assert state["step"]["counting"] in (2, 3)  # type: ignore[index]
    assert state["cue"]["kind"] == "count"  # type: ignore[index]
    wait_for(lambda: car.tick()["cue"]["kind"] == "now")  # type: ignore[index]
    assert car.tick()["cue"]["number"] >= first + 2  # type: ignore[index]
    assert car.tick()["stands"] == {"temp_lever": "100"}


def test_the_plan_waits_for_a_sensor_that_gives_nothing(car: Car) -> None:
    car.say("20.0")
    car.tick("\r")
    car.say("OPEN")
    state = car.tick()
    assert state["step"]["paused"] == ["outlet gives no readings"]  # type: ignore[index]
    assert "PAUSED: outlet gives no readings" in shown(state, 60)
    car.say("20.1")
    again = car.tick()["step"]
    assert again["paused"] == []  # type: ignore[index]
    assert "begins anew" in again["warnings"][-1]  # type: ignore[index]


def test_whoever_knows_better_goes_on_without_it(car: Car) -> None:
    car.say("20.0")
    car.tick("\r")
    car.say("OPEN")
    assert car.tick()["step"]["paused"]  # type: ignore[index]
    assert car.tick("x")["step"]["paused"] == []  # type: ignore[index]


def test_a_port_that_is_gone_holds_the_plan(tmp_path: Path) -> None:
    with outlet() as made:
        car = Car(made, tmp_path)
        car.say("20.0")
        car.tick("\r")
        url = made.url
    try:
        wait_for(lambda: bool(car.tick()["step"]["paused"]))  # type: ignore[index]
        assert "is away" in car.tick()["step"]["paused"][0]  # type: ignore[index]
        with outlet(url) as again:
            wait_for(again.listened)
            car.outlet = again
            car.say("20.2")
            wait_for(lambda: not car.tick()["step"]["paused"])  # type: ignore[index]
            assert car.tick()["step"]["number"] == 1  # type: ignore[index]
    finally:
        car.recorder.stop()


def test_figures_do_not_rest_on_a_sensor_in_doubt(car: Car) -> None:
    figures = {"steady_outlet_rise": Measurement(46.2, "K", 0.4),
               "vacuum_decay": Measurement(1.0, "kPa/min", 0.1)}  # fmt: skip
    ahead = Prediction(50.0, "K", 4.0, low=42.0, high=58.0)
    car.figures.latest = LiveFigures(10.0, figures, ahead, ())
    car.say("20.0")
    assert car.tick()["prediction"]["value"] == 50.0  # type: ignore[index]
    car.say("OPEN")
    state = car.tick()
    assert state["prediction"]["value"] is None  # type: ignore[index]
    assert "outlet" in state["prediction"]["note"]  # type: ignore[index]
    assert state["figures"]["steady_outlet_rise"]["value"] is None  # type: ignore[index]
    assert state["figures"]["vacuum_decay"]["value"] == 1.0  # type: ignore[index]


def test_nothing_of_an_old_guide_is_left_after_an_unguided_resume(car: Car) -> None:
    car.say("20.0")
    car.tick("\r")
    car.tick()
    car.guide.tick(last=True)
    post_key(car.folder, "next")
    forget_guide(car.folder)
    assert not (car.folder / LIVE_NAME).exists()
    assert take_keys(car.folder) == []
    again = Guide(car.recorder, PlanRun(parse_plan(PLAN)), StillFigures())
    step = again.tick()["step"]
    assert (step["number"], step["remaining_s"]) == (1, 600.0)


def test_relative_lever_keys_need_to_know_from_where(car: Car) -> None:
    state = car.tick("+")
    assert "Nobody has noted where the lever stands" in json.dumps(state["said"])


def test_the_recording_ends_only_with_the_second_q(car: Car) -> None:
    car.tick("q")
    assert not car.guide.quit
    car.tick("q")
    assert car.guide.quit


def test_the_state_is_written_for_pages(car: Car) -> None:
    car.say("21.25")
    car.tick()
    state = read_state(car.folder / LIVE_NAME)
    assert state is not None
    assert state["state"] == "recording"
    assert state["readings"][0]["point"] == "outlet"
    assert state["readings"][0]["value"] == 21.25
    assert state["points"] == ["outlet", "ambient"]
    assert state["tail"]["rows"][-1] == [21.25, -5.0]
    car.guide.tick(last=True)
    assert (read_state(car.folder / LIVE_NAME) or {})["state"] == "closed"


def test_a_sensor_that_goes_open_is_said_at_once(car: Car) -> None:
    car.say("20.0")
    assert alarm_texts(car.tick(), "si") == []
    car.say("OPEN")
    assert alarm_texts(car.tick(), "si") == ["outlet: no reading (the logger says 'OPEN')"]


def test_findings_about_sensors_are_said(car: Car) -> None:
    car.say("20.0")
    found = Finding("reversed", "outlet falls: its two wires are swapped.", "outlet")
    figure = Measurement(46.2, "K", 0.4)
    ahead = Prediction(50.0, "K", 4.0, low=42.0, middle=50.0, high=58.0)
    car.figures.latest = LiveFigures(10.0, {"steady_outlet_rise": figure}, ahead, (found,))
    state = car.tick()
    assert "outlet falls: its two wires are swapped." in alarm_texts(state, "si")
    text = "\n".join(line for line, _ in screen_lines(state, "si", 100))
    assert "42 to 58 K" in text
    assert "46.20 ± 0.80 K" in text


def test_a_resumed_plan_goes_on_in_its_step(car: Car) -> None:
    car.say("20.0")
    car.tick("\r")
    car.tick(">")
    car.guide.tick(last=True)
    again = Guide(car.recorder, PlanRun(parse_plan(PLAN)), StillFigures())
    assert again.tick()["step"]["name"] == "start"


def test_the_screen_says_what_to_do_and_which_keys_there_are(car: Car) -> None:
    car.say("20.0")
    out = io.StringIO()
    console = Console(file=out, width=70, height=60, force_terminal=False)
    console.print(screen(car.tick(), "us", 70))
    text = out.getvalue()
    assert "Step 1 of 2: soak" in text
    assert "Touch nothing." in text
    assert "At the moment you do it" in text
    assert "68.0 °F" in text
    assert "h hot" in text
    assert max(len(line) for line in text.splitlines()) <= 70


class Typist(NoKeyboard):
    """Types something and then ends the recording."""

    def __init__(self) -> None:
        self.left = ["", "", "f", "q", "q"]

    def typed(self) -> str:
        return self.left.pop(0) if self.left else ""


def test_the_terminal_is_followed_until_somebody_ends_it(car: Car) -> None:
    car.say("20.0")
    out = io.StringIO()
    console = Console(file=out, width=80, height=40, force_terminal=True)
    follow_guided(car.guide, Typist(), console, lambda: not car.recorder.running)
    assert "Touch nothing." in out.getvalue()
    car.say("20.5")
    car.recorder.stop()
    assert "mode,floor" in car.events()


def test_buttons_of_the_page_reach_the_run(car: Car) -> None:
    car.say("20.0")
    car.tick()
    assert act(car.folder, "blower", "3") == "Noted: blower 3"
    assert act(car.folder, "key", "next") == ""
    assert act(car.folder, "temp_lever", "300").startswith("Not noted")
    assert act(car.folder, "key", "stop").startswith("Not noted")
    assert act(car.folder.parent / "nowhere", "blower", "3").startswith("No recording")
    wait_for(lambda: car.recorder.counters.events >= 1)
    assert car.tick()["step"]["name"] == "start"  # type: ignore[index]
    car.say("20.5")
    car.recorder.stop()
    assert "blower,3" in car.events()


def test_the_page_sends_only_what_changed(car: Car) -> None:
    car.say("20.0")
    car.tick()
    first = changes(car.folder, "si", {})
    assert first[6]["data"][0]["name"] == "outlet"
    seen = first[-1]
    again = changes(car.folder, "si", seen)
    assert all(type(part).__name__ == "NoUpdate" for part in again)
    time.sleep(0.6)
    car.say("23.0")
    car.tick()
    later = changes(car.folder, "si", seen)
    assert type(later[6]).__name__ == "NoUpdate"
    further, lines, most = later[7]
    assert further["y"] == [[23.0], [-5.0]]
    assert lines == [0, 1]
    assert most == 1200


def test_a_page_that_missed_much_reads_the_whole_picture(car: Car) -> None:
    car.say("20.0")
    car.tick()
    seen = dict(changes(car.folder, "si", {})[-1]) | {"last": -500.0}
    assert changes(car.folder, "si", seen)[6]["layout"]["uirevision"] == "live"


def test_a_recorder_that_hangs_is_said(car: Car) -> None:
    car.say("20.0")
    state = car.tick()
    assert "said nothing for 0:07" in str(live_view.now_part(state, 7.0))
    assert "said nothing" not in str(live_view.now_part(state, None))
    ended = car.guide.tick(last=True)
    assert "has ended" in str(live_view.now_part(ended, 7.0))


def test_names_from_a_set_up_are_text_on_the_page(car: Car) -> None:
    car.say("20.0")
    state = car.tick() | {"vehicle": "<b>x</b>\x1b[2J", "step": None}
    assert "\x1b" not in str(live_view.now_part(state, None))
    assert "\x1b" not in "".join(line for line, _ in screen_lines(state, "si", 80))


def test_state_files_that_are_damaged_or_gone(tmp_path: Path) -> None:
    assert read_state(tmp_path / "live.json") is None
    (tmp_path / "live.json").write_text('{"a": ', encoding="utf-8")
    assert read_state(tmp_path / "live.json") is None
    (tmp_path / "live.json").write_text("[1]", encoding="utf-8")
    assert read_state(tmp_path / "live.json") is None
    assert not write_state(tmp_path / "none" / "live.json", {})
    assert write_state(tmp_path / "live.json", {"a": 1})
    assert [each.name for each in tmp_path.iterdir()] == ["live.json"]
    assert changes(tmp_path / "other", "si", {})[-1] == {"none": True}


def test_the_newest_recording_of_a_folder_is_found(tmp_path: Path) -> None:
    assert find_recording(None) is None
    assert find_recording(tmp_path) is None
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        write_state(tmp_path / name / LIVE_NAME, {})
        time.sleep(0.02)
    assert find_recording(tmp_path) == tmp_path / "two"
    assert find_recording(tmp_path / "one") == tmp_path / "one"


def test_what_nobody_picks_up_does_not_fill_the_disk(tmp_path: Path) -> None:
    for _ in range(200):
        post_key(tmp_path, "go")
    with pytest.raises(ValueError, match="picked up"):
        post_key(tmp_path, "go")
    assert take_keys(tmp_path) == ["go"] * 200
    assert take_keys(tmp_path) == []
    with pytest.raises(ValueError, match="0 to 100"):
        post_event(tmp_path, "temp_lever", "101")
    with pytest.raises(ValueError, match="cannot be written"):
        post_event(tmp_path / "nowhere", "blower", "1")


@pytest.mark.parametrize(
    ("last", "way", "position"),
    [("50", "+10", "60"), ("95.0", "+10", "100"), ("5", "-10", "0"), (None, "-10", None)],
)
def test_lever_keys_stay_within_the_travel(
    last: str | None, way: str, position: str | None
) -> None:
    assert lever_moved(last, way) == position


def test_every_key_is_on_the_map() -> None:
    text = " ".join(key_lines(60))
    assert all(f"{key.shown} {key.said}" in text for key in KEYS.values())
    assert max(len(line) for line in key_lines(60)) <= 60


def shown(state: dict[str, object], width: int, height: int = 60) -> str:
    return "\n".join(line for line, _ in screen_lines(state, "si", width, height))


def test_a_small_terminal_shows_step_alarms_and_address(car: Car) -> None:
    car.say("20.0")
    state = car.tick() | {
        "address": "https://192.168.7.23:8050/",
        "watch": [
            {
                "point": f"p{at}",
                "fault": "came_loose",
                "detail": f"Alarm {at} " + "of many words " * 9,
            }
            for at in range(5)
        ],
        "said": [{"at_s": 1.0, "text": "Noted: something"}] * 6,
    }
    lines = screen_lines(state, "si", 60, 20)
    text = shown(state, 60, 20)
    assert len(lines) < 20
    assert max(len(line) for line, _ in lines) <= 60
    for part in ("Step 1 of 2: soak", "Touch nothing.", "At the moment you do it",
                 "https://192.168.7.23:8050/", "Alarm 0", "Alarm 1", "Alarm 2", "and 2 more",
                 "Enter done"):  # fmt: skip
        assert part in text, part
    assert "Alarm 3" not in text


def test_alarms_come_by_importance(car: Car) -> None:
    car.say("20.0")
    state = car.tick() | {
        "failure": "the disk is full",
        "question": "Does the engine run?",
        "watch": [{"point": "outlet", "fault": "came_loose", "detail": "outlet fell"}],
        "warnings": [{"point": "ambient", "fault": "noisy", "detail": "ambient is noisy"}],
    }
    assert alarm_texts(state, "si") == [
        "Recording has stopped: the disk is full",
        "outlet fell",
        "Does the engine run?",
        "ambient is noisy",
    ]


def test_the_engine_that_turns_though_noted_as_off_is_questioned() -> None:
    sensors = Sensors(parse_setup(SETUP, "run.toml"))
    turning = {"engine_speed": Reading(750.0, "rpm", 0.1, "750")}
    noted = {"engine": "stop"}
    assert sensors.engine_question(0.0, turning, noted) is None
    said = sensors.engine_question(10.0, turning, noted)
    assert said is not None
    assert "750 rpm" in said
    assert sensors.engine_question(11.0, turning, {"engine": "start"}) is None
    assert "no noted start" in str(
        [sensors.engine_question(at, turning, {}) for at in (20.0, 30.0)]
    )


def test_the_code_of_the_address_is_that_address() -> None:
    """Read back row by row against the matrix of the standard's encoder (ISO/IEC 18004)."""
    address = "https://192.168.7.23:8050/"
    rows = address_code(address).splitlines()
    matrix = [[bool(each) for each in row] for row in segno.make(address, micro=False).matrix]
    halves = {"█": (False, False), "▀": (False, True), "▄": (True, False), " ": (True, True)}
    dark = [row for line in rows for row in zip(*(halves[mark] for mark in line), strict=True)]
    inner = [list(row[2 : 2 + len(matrix)]) for row in dark[2 : 2 + len(matrix)]]
    assert inner == matrix
    assert len(rows) < 20
    assert len(rows[0]) <= 60
