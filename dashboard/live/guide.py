"""The guide of a recording: plan, newest readings and live figures brought together.

`Guide.tick` is called a few times a second. It hands keys to the plan, notes the events a step
makes, watches the sensors, writes the state for pages to read, and returns it for the terminal.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final, Protocol

from dashboard.live.alarms import alarm_texts
from dashboard.live.cues import Cues
from dashboard.live.document import (
    figures_part,
    ports_part,
    readings_part,
    step_part,
    watch_part,
)
from dashboard.live.keys import (
    DISMISS,
    KEYS,
    LESS,
    MORE,
    QUIT,
    SHOW_ADDRESS,
    UNDO,
    WRITE,
    NoteLine,
    lever_moved,
)
from dashboard.live.readings import LatestReadings, Reading
from dashboard.live.sensors import Sensors
from dashboard.live.state import (
    LIVE_NAME,
    PICTURE_NAME,
    PROGRESS_NAME,
    read_state,
    take_keys,
    write_state,
)
from ingest.record.journal import JournalError
from ingest.record.test_progress import KEYS as PLAN_KEYS
from ingest.record.test_progress import Instruction, PlanRun
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.live import LiveFigures
    from ingest.record.recorder import Recorder

SCHEMA: Final = 1
WRITE_EVERY_S: Final = 0.2
SAMPLE_EVERY_S: Final = 0.5
PICTURE_S: Final = 600.0
PICTURE_EVERY_S: Final = 2.0
TAIL_SAMPLES: Final = 30
"""Newest samples that go with every state; a page that missed more reads the whole picture."""
TWICE_S: Final = 3.0
"""The key that ends the recording counts when typed twice within this."""
SAID: Final = 6
PROGRESS_EVERY_S: Final = 1.0
NO_LINE: Final = (
    "Nothing has come from the logger yet. Is it switched on, plugged in and set to the same speed?"
)
"""An event is placed beside a line of the log, so a plan begins with the first reading."""


class Figures(Protocol):
    """Where live figures come from."""

    latest: LiveFigures | None
    reason: str

    def poll(self) -> bool:
        """Take what is ready; True where something new came."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where the live page is found, and by which fingerprint it is known; empty for no page."""

    url: str = ""
    fingerprint: str = ""


class Guide:
    """Guides one recording.

    Parameters
    ----------
    recorder
        It was started.
    plan
        The plan under way; None to record without one.
    figures
        Live figures.
    address
        Of the live page.
    """

    def __init__(
        self,
        recorder: Recorder,
        plan: PlanRun | None,
        figures: Figures,
        address: Address | None = None,
    ) -> None:
        self._recorder = recorder
        self._plan = plan
        self._figures = figures
        self._readings = LatestReadings(recorder.setup)
        self._said: deque[dict[str, Any]] = deque(maxlen=SAID)
        points = list(recorder.setup.channels)
        self._points = points
        self._samples: deque[tuple[float, list[float | None]]] = deque(
            maxlen=round(PICTURE_S / SAMPLE_EVERY_S)
        )
        self._sensors = Sensors(recorder.setup)
        self._stands: dict[str, str] = {}
        self._cues = Cues()
        self._line: NoteLine | None = None
        self._address = address or Address()
        self.shows_address = False
        self._written = self._sampled = self._pictured = -1e9
        self._asked_to_quit = -1e9
        self._kept = -1e9
        self._document: dict[str, Any] = {}
        self.quit = False
        if plan is not None:
            self._restore(plan)

    def tick(self, typed: str = "", *, last: bool = False) -> dict[str, Any]:
        """Do what is due.

        Parameters
        ----------
        typed
            Characters typed since the last call.
        last
            Whether the recording is being ended: the state is written and says so.

        Returns
        -------
        dict
            The state, as written for pages.
        """
        clock = time.monotonic()
        keys = [*self._typed(typed, clock), *take_keys(self._recorder.folder)]
        if not keys and not last and clock - self._written < WRITE_EVERY_S:
            return self._document
        self._figures.poll()
        events = self._recorder.noted()
        now = self._recorder.host_s()
        readings = self._readings.read(self._recorder.latest(), now)
        self._stands = {each.control: each.position for each in events if each.control != "note"}
        self._sensors.look(now, readings, events)
        keys = [key for key in keys if not self._own(key, now)]
        instruction = self._advance(now, readings, keys)
        for message in self._recorder.messages():
            self._say(message.host_s, message.text)
        self._sample(now, readings, clock)
        self._document = self._state(now, readings, instruction, closed=last)
        write_state(self._recorder.folder / LIVE_NAME, self._document)
        self._written = clock
        if last or clock - self._pictured >= PICTURE_EVERY_S:
            self._pictured = clock
            write_state(self._recorder.folder / PICTURE_NAME, self._picture())
        if last or clock - self._kept >= PROGRESS_EVERY_S:
            self._kept = clock
            self._keep_progress()
        return self._document

    def _typed(self, typed: str, clock: float) -> list[str]:
        commands = []
        for mark in typed:
            if self._line is not None:
                if self._line.takes(mark):
                    text, self._line = self._line.text(), None
                    if text:
                        self._note("note", text, None)
                continue
            key = KEYS.get(mark) or KEYS.get(mark.lower())
            if key is None:
                continue
            if key.command == QUIT:
                self.quit = clock - self._asked_to_quit <= TWICE_S
                self._asked_to_quit = clock
                if not self.quit:
                    self._say(self._recorder.host_s(), "Type q once more to end the recording.")
            elif key.command == WRITE:
                self._line = NoteLine()
            elif key.command == SHOW_ADDRESS:
                self.shows_address = not self.shows_address
            elif key.command:
                commands.append(key.command)
            else:
                self._note(key.control, key.position, None)
        return commands

    def _own(self, key: str, now: float) -> bool:
        """Do what a key asks of the guide itself; whether it was one."""
        if key == UNDO:
            try:
                self._recorder.undo_event()
            except JournalError as error:
                self._say(now, f"Not taken back: {error}")
            return True
        if key == DISMISS:
            count = self._sensors.dismiss()
            self._say(now, f"Going on without {count} sensors in doubt." if count
                      else "No sensor is in doubt.")  # fmt: skip
            return True
        return False

    def _note(self, control: str, position: str, when: float | None) -> None:
        now = self._recorder.host_s() if when is None else when
        if position in (LESS, MORE):
            moved = lever_moved(self._stands.get("temp_lever"), position)
            if moved is None:
                self._say(now, "Nobody has noted where the lever stands: use h, c or the page.")
                return
            position = moved
        try:
            self._recorder.note_event(control, position, now)
        except (ValueError, JournalError) as error:
            self._say(now, f"Not noted: {error}")
            return
        self._stands[control] = position
        self._say(now, f"Noted: {control.replace('_', ' ')} {position}")

    def _advance(
        self, now: float, readings: Mapping[str, Reading], keys: Iterable[str]
    ) -> Instruction | None:
        if self._plan is None:
            return None
        heard = any(reading.value is not None for reading in readings.values())
        if not heard and self._figures.latest is None:
            return Instruction(0, len(self._plan.plan.steps), "waiting for the logger", NO_LINE)
        doubted = self._sensors.doubted()
        fresh = {
            point: reading.value
            for point, reading in readings.items()
            if reading.fresh and reading.value is not None and point not in doubted
        }
        live = self._live()
        found = self._plan.advance(
            now,
            fresh,
            live.known() if live else {},
            [key for key in keys if key in PLAN_KEYS],
            stands=self._stands,
            lost=self._sensors.lost(self._recorder.ports_state(), now),
        )
        for move in found.moves:
            self._note(move.control, move.position, move.when)
        return found

    def _live(self) -> LiveFigures | None:
        """Live figures less those that rest on a sensor in doubt."""
        live = self._figures.latest
        return None if live is None else live.without(self._sensors.doubted())

    def _keep_progress(self) -> None:
        if self._plan is not None:
            write_state(self._recorder.folder / PROGRESS_NAME, self._plan.state())

    def _restore(self, plan: PlanRun) -> None:
        found = read_state(self._recorder.folder / PROGRESS_NAME)
        if found is not None:
            plan.restore(found)

    def _say(self, at: float, text: str) -> None:
        self._said.append({"at_s": round(at, 1), "text": text})

    def _sample(self, now: float, readings: Mapping[str, Reading], clock: float) -> None:
        if clock - self._sampled < SAMPLE_EVERY_S:
            return
        self._sampled = clock
        row = [
            round(found.value, 3) if found and found.fresh and found.value is not None else None
            for found in (readings.get(point) for point in self._points)
        ]
        self._samples.append((round(now, 2), row))

    def _picture(self) -> dict[str, Any]:
        rows = [row for _, row in self._samples]
        return {
            "schema": SCHEMA,
            "points": self._points,
            "time_s": [at for at, _ in self._samples],
            "values": [list(column) for column in zip(*rows, strict=True)],
        }

    def _state(
        self,
        now: float,
        readings: Mapping[str, Reading],
        instruction: Instruction | None,
        *,
        closed: bool,
    ) -> dict[str, Any]:
        recorder = self._recorder
        counters = recorder.counters
        about = recorder.setup.run
        failure = recorder.failure
        tail = list(self._samples)[-TAIL_SAMPLES:]
        step = step_part(instruction)
        state = {
            "schema": SCHEMA,
            "state": "failed" if failure else "closed" if closed else "recording",
            "failure": failure,
            "written": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "host_s": round(now, 2),
            "vehicle": about.vehicle,
            "heater": about.heater,
            "address": self._address.url,
            "fingerprint": self._address.fingerprint,
            "lines": counters.rows,
            "rejected": counters.rejected,
            "ports": ports_part(recorder.ports_state()),
            "step": step,
            "stands": dict(self._stands),
            "readings": readings_part(readings),
            "watch": watch_part(self._sensors.alarms),
            "question": self._sensors.engine_question(now, readings, self._stands),
            "silent": [point for point in self._points if point not in readings],
            **figures_part(self._live(), self._figures.reason),
            "said": list(self._said),
            "writing": None if self._line is None else self._line.shown(),
            "points": self._points,
            "tail": {"time_s": [at for at, _ in tail], "rows": [row for _, row in tail]},
        }
        alarms = [] if closed else alarm_texts(state, "si")
        return {**state, "cue": self._cues.hear(now, step, alarms)}
