"""The sensors of a recording as its guide sees them: watched, doubted, given up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from analysis.watch.bins import junctions_of
from analysis.watch.judge import Alarm
from analysis.watch.live import Watch
from dashboard.text.shown import words
from ingest.record.wire.events import NotedEvent

if TYPE_CHECKING:
    from dashboard.live.readings import Reading
    from ingest.record.said import PortState
    from ingest.setup.model import Setup

SILENT_S: Final = 5.0
"""A port that is open and says nothing for so long: its readings are away."""

TURNS_RPM: Final = 300.0
PULLS_KPA: Final = 20.0
ROLLS_M_S: Final = 3.0
ASK_AFTER_S: Final = 8.0
"""Signs of a running engine, and how long they last before the note is questioned."""


class Sensors:
    """Watches the readings beside a recording.

    Parameters
    ----------
    setup
        The set-up.
    """

    def __init__(self, setup: Setup) -> None:
        self._points = tuple(setup.channels)
        self._bench = setup.bench is not None
        # on the bench sensors are dipped and pumps worked by hand: a jump is no fault
        watched = () if self._bench else self._points
        self._watch = Watch(watched, {} if self._bench else junctions_of(setup))
        self._given_up: set[str] = set()
        self._heard: set[str] = set()
        self._turns_since: float | None = None
        self.alarms: list[Alarm] = []
        self.stale: list[str] = []

    def look(
        self, now: float, readings: Mapping[str, Reading], events: Sequence[NotedEvent]
    ) -> None:
        """Take the newest readings and notes.

        Parameters
        ----------
        now
            Time on the recording's clock, s.
        readings
            The newest of every point.
        events
            Every control event so far.
        """
        self._watch.moved((each.host_s, each.control) for each in events)
        self._watch.add(
            now, {point: (each.value, now - each.age_s) for point, each in readings.items()}
        )
        self.alarms = self._watch.alarms(now)
        fresh = {point for point, each in readings.items() if each.fresh}
        self._heard |= fresh
        self._given_up -= fresh - self.doubted()
        self.stale = sorted(self._heard - fresh)

    def doubted(self) -> set[str]:
        """Points whose sensors are at fault now."""
        return {each.point for each in self.alarms} | set(self.stale)

    def dismiss(self) -> int:
        """Go on without the points that are missing or in doubt; how many there are."""
        count = self._watch.dismiss()
        self.alarms = []
        gone = set(self.stale) - self._given_up
        self._given_up |= gone
        return count + len(gone)

    def lost(self, ports: Sequence[PortState], now: float) -> tuple[str, ...]:
        """Why a step's readings are not to be had, sentences; empty while they are."""
        gone = [f"port {port.name} is away" for port in ports if port.state != "open"]
        if gone:
            return tuple(gone)
        silent = [
            f"nothing has come from {port.name} for {now - port.last_byte_host_s:.0f} s"
            for port in ports
            if now - port.last_byte_host_s > SILENT_S
        ]
        if silent:
            return tuple(silent)
        away = [f"{words(point)} gives no readings" for point in self.stale
                if point not in self._given_up]  # fmt: skip
        doubted = sorted({each.point for each in self.alarms} - set(self.stale))
        return (*away, *(f"the sensor of {words(point)} is in doubt" for point in doubted))

    def engine_question(
        self, now: float, readings: Mapping[str, Reading], stands: Mapping[str, str]
    ) -> str | None:
        """What to ask where the engine is noted as off, or not noted, while it turns."""
        runs = stands.get("engine") == "start" or self._bench
        sign = None if runs else _turns(readings)
        if sign is None:
            self._turns_since = None
            return None
        if self._turns_since is None:
            self._turns_since = now
        if now - self._turns_since < ASK_AFTER_S:
            return None
        noted = "is noted as stopped" if stands.get("engine") == "stop" else "has no noted start"
        return f"The engine {noted}, but {sign}. Does it run? Note its start, or undo the note."


def _turns(readings: Mapping[str, Reading]) -> str | None:
    """What shows that the engine runs."""
    for point, least, said in (
        ("engine_speed", TURNS_RPM, "turns at {:.0f} rpm"),
        ("vacuum_source", PULLS_KPA, "its vacuum is {:.0f} kPa"),
        ("road_speed", ROLLS_M_S, "the car goes at {:.0f} m/s"),
    ):
        found = readings.get(point)
        if found is not None and found.fresh and found.value is not None and found.value > least:
            said = said.format(found.value)
            return f"it {said}" if point == "engine_speed" else said
    return None
