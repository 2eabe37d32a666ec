from __future__ import annotations

import io
import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.console import Console

from analysis.heater.predict import Prediction
from analysis.live import LiveFigures
from analysis.measurement import Measurement
from dashboard.live.guide import Guide
from dashboard.live.keys import KEYS, NoKeyboard, key_lines, lever_moved
from dashboard.live.state import (
    LIVE_NAME,
    find_recording,
    post_event,
    post_key,
    read_state,
    take_keys,
    write_state,
)
from dashboard.live.terminal import alarm_texts, follow_guided, screen, screen_lines
from dashboard.pages.live import act, changes
from dashboard.pages.views import live as live_view
from ingest.record.recorder import Recorder
from ingest.record.replay_port import Outlet
from ingest.record.test_plan import parse_plan
from ingest.record.test_progress import PlanRun
from ingest.run import Finding
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
    car.tick()
    car.tick(">")  # leave the soak by hand
    car.tick("\r")  # the engine runs
    car.tick("-")  # lever ten per cent down
    car.tick("d")
    car.say("20.5")
    car.recorder.stop()
    assert car.events() == [
        "temp_lever,100",
        "engine,start",
        "temp_lever,90",
        "mode,defrost",
    ]


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
    car.tick()
    car.tick(">")
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
    assert "10:00 more" in text or "9:59 more" in text
    assert "68.0 °F" in text
    assert "lever hot" in text
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
    wait_for(lambda: car.recorder.counters.events >= 2)
    assert car.tick()["step"]["name"] == "start"  # type: ignore[index]
    car.say("20.5")
    car.recorder.stop()
    assert "blower,3" in car.events()


def test_the_page_sends_only_what_changed(car: Car) -> None:
    car.say("20.0")
    car.tick()
    first = changes(car.folder, "si", {})
    assert first[5]["data"][0]["name"] == "outlet"
    seen = first[-1]
    again = changes(car.folder, "si", seen)
    assert all(type(part).__name__ == "NoUpdate" for part in again)
    time.sleep(0.6)
    car.say("23.0")
    car.tick()
    later = changes(car.folder, "si", seen)
    assert type(later[5]).__name__ == "NoUpdate"
    further, lines, most = later[6]
    assert further["y"] == [[23.0], [-5.0]]
    assert lines == [0, 1]
    assert most == 1200


def test_a_page_that_missed_much_reads_the_whole_picture(car: Car) -> None:
    car.say("20.0")
    car.tick()
    seen = dict(changes(car.folder, "si", {})[-1]) | {"last": -500.0}
    assert changes(car.folder, "si", seen)[5]["layout"]["uirevision"] == "live"


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
    [(50.0, "+10", "60"), (95.0, "+10", "100"), (5.0, "-10", "0"), (None, "-10", None)],
)
def test_lever_keys_stay_within_the_travel(
    last: float | None, way: str, position: str | None
) -> None:
    assert lever_moved(last, way) == position


def test_every_key_is_on_the_map() -> None:
    text = " ".join(key_lines(60))
    assert all(f"{key.shown} {key.said}" in text for key in KEYS.values())
    assert max(len(line) for line in key_lines(60)) <= 60
