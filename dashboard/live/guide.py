"""The guide of a recording: plan, newest readings and live figures brought together.

`Guide.tick` is called a few times a second. It hands keys to the plan, notes the events a step
makes, writes the state for pages to read, and returns it for the terminal.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final, Protocol

from analysis.result import rounded
from dashboard.live.keys import KEYS, LESS, MORE, QUIT, lever_moved
from dashboard.live.readings import LatestReadings, Reading
from dashboard.live.state import LIVE_NAME, PICTURE_NAME, read_state, take_keys, write_state
from ingest.record.journal import JournalError
from ingest.record.test_progress import GO, Instruction, PlanRun
from ingest.saying import quantities

if TYPE_CHECKING:
    from analysis.heater.predict import Prediction
    from analysis.live import LiveFigures
    from analysis.measurement import Measurement
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
PROGRESS_NAME: Final = "guide.json"
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
    """

    def __init__(self, recorder: Recorder, plan: PlanRun | None, figures: Figures) -> None:
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
        self._levers: float | None = None
        self._written = self._sampled = self._pictured = -1e9
        self._asked_to_quit = -1e9
        self._progress: dict[str, Any] = {}
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
        now = self._recorder.host_s()
        self._figures.poll()
        readings = self._readings.read(self._recorder.latest(), now)
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
        return self._document

    def _typed(self, typed: str, clock: float) -> list[str]:
        commands = []
        for mark in typed:
            key = KEYS.get(mark) or KEYS.get(mark.lower())
            if key is None:
                continue
            if key.command == QUIT:
                self.quit = clock - self._asked_to_quit <= TWICE_S
                self._asked_to_quit = clock
                if not self.quit:
                    self._say(self._recorder.host_s(), "Type q once more to end the recording.")
            elif key.command:
                commands.append(key.command)
            else:
                self._note(key.control, key.position, None)
        return commands

    def _note(self, control: str, position: str, when: float | None) -> None:
        now = self._recorder.host_s() if when is None else when
        if position in (LESS, MORE):
            moved = lever_moved(self._levers, position)
            if moved is None:
                self._say(now, "Nobody has noted where the lever stands: use h, c or the page.")
                return
            position = moved
        try:
            self._recorder.note_event(control, position, now)
        except (ValueError, JournalError) as error:
            self._say(now, f"Not noted: {error}")
            return
        if control == "temp_lever":
            self._levers = float(position)
        self._say(now, f"Noted: {control.replace('_', ' ')} {position}")

    def _advance(
        self, now: float, readings: Mapping[str, Reading], keys: Iterable[str]
    ) -> Instruction | None:
        if self._plan is None:
            return None
        heard = any(reading.value is not None for reading in readings.values())
        if not heard and self._figures.latest is None:
            return Instruction(0, len(self._plan.plan.steps), "waiting for the logger", NO_LINE)
        fresh = {
            point: reading.value
            for point, reading in readings.items()
            if reading.fresh and reading.value is not None
        }
        live = self._figures.latest
        found = self._plan.advance(now, fresh, live.known() if live else {}, keys)
        for move in found.moves:
            self._note(move.control, move.position, move.when)
        progress = self._plan.state()
        if progress != self._progress:
            self._progress = dict(progress)
            write_state(self._recorder.folder / PROGRESS_NAME, self._progress)
        return found

    def _restore(self, plan: PlanRun) -> None:
        found = read_state(self._recorder.folder / PROGRESS_NAME)
        if found is not None:
            plan.restore(found)
            self._progress = found

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
        return {
            "schema": SCHEMA,
            "state": "failed" if failure else "closed" if closed else "recording",
            "failure": failure,
            "written": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "host_s": round(now, 2),
            "vehicle": about.vehicle,
            "heater": about.heater,
            "lines": counters.rows,
            "rejected": counters.rejected,
            "ports": [
                {"name": port.name, "state": port.state, "reason": port.reason}
                for port in recorder.ports_state()
            ],
            "step": _step(instruction),
            "readings": [
                {
                    "point": point,
                    "value": None if found.value is None else round(found.value, 3),
                    "unit": found.unit,
                    "age_s": round(found.age_s, 2),
                    "fresh": found.fresh,
                    "text": found.text[:40],
                }
                for point, found in readings.items()
            ],
            "silent": [point for point in self._points if point not in readings],
            **_figures(self._figures),
            "said": list(self._said),
            "points": self._points,
            "tail": {"time_s": [at for at, _ in tail], "rows": [row for _, row in tail]},
        }


def _step(found: Instruction | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "number": found.number,
        "count": found.count,
        "name": found.name,
        "do": found.do,
        "caution": found.caution,
        "waits": found.waits_for_key,
        "remaining_s": None if found.remaining_s is None else round(found.remaining_s, 1),
        "missing": list(found.missing),
        "following": found.following,
        "warnings": list(found.warnings),
        "finished": found.finished,
        "go": GO,
    }


def _figures(source: Figures) -> dict[str, Any]:
    live = source.latest
    if live is None:
        return {"figures": {}, "prediction": None, "warnings": [], "figures_reason": source.reason}
    told = {
        "figures": {name: _entry(found) for name, found in live.figures.items()},
        "prediction": _prediction(live.prediction),
        "warnings": [
            {"point": each.channel, "fault": each.fault, "detail": each.detail}
            for each in live.warnings
        ],
        "figures_reason": source.reason,
        "figures_until_s": round(live.until_s, 1),
    }
    return {**told, "said": quantities(told)}


def _entry(found: Measurement) -> dict[str, Any]:
    """A figure as the result document writes it."""
    u = found.u
    return {
        "value": rounded(found.value),
        "unit": found.unit,
        "u": rounded(u),
        "note": found.note,
    }


def _prediction(ahead: Prediction) -> dict[str, Any]:
    """A prediction: a figure with the ends of its 95 % interval, where it has one."""
    entry = _entry(ahead)
    if ahead.low is not None and ahead.high is not None:
        entry |= {"low": rounded(ahead.low), "high": rounded(ahead.high)}
    return entry
