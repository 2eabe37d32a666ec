"""A car's control units: found by what they support, then asked for a few values once a period.

Control units are found by the bitmaps of what they support; a value is taken from one of them for
as long as the recording lasts, so that a lost frame never mixes two sensors. One frame is asked at
a time, and the next not before `SPACING_S`: at most twenty a second, half a percent of the bus.
"""

from __future__ import annotations

import contextlib
import json
import time
from dataclasses import field
from typing import TYPE_CHECKING, Final

from ingest.bus.frames import (
    BITMAPS,
    NOT_SUPPORTED,
    PENDING,
    Answer,
    Refusal,
    read_frame,
    supported,
)
from ingest.bus.values import VALUES
from ingest.errors import Fault, LostPort, LukewarmError, UnusableRun
from ingest.record.ports.can_port import BusOff, ReadingBus, open_bus
from ingest.record.ports.port import reason_of
from ingest.record.ports.reader import PortReader, Take
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.serial import PortTable

SPACING_S: Final = 0.05
"""Shortest time from one request to the next: what ISO 15765-4 gives a unit to answer (P2)."""
ANSWER_S: Final = 0.15
"""Longest wait for an answer: those 50 ms and as much again twice for a slow adapter."""
PENDING_S: Final = 5.0
"""Longest wait once a unit has said that it takes longer (P2*, ISO 15765-4)."""
LOOK_S: Final = 0.2
SILENT_S: Final = 5.0
"""Control units that answer nothing for so long are gone: ignition off, or a plug pulled."""
LOOK_AGAIN_S: Final = 60.0
"""A value that nobody has is looked for again after so long: units wake one after the other."""
TRIES: Final = 3
"""Requests for a bitmap, as a frame may be lost; also refusals after which a value is left."""
NO_UNIT: Final = "no control unit answers; is the ignition on, and the bit rate the bus's own?"
NO_VALUE: Final = "control units answer, and none of them has any of the values asked for"


@dataclass
class _Heard:
    """What came back on one request, by the identifier of the control unit."""

    answers: dict[int, bytes] = field(default_factory=dict)
    refusals: dict[int, int] = field(default_factory=dict)


class BusReader(PortReader):
    """Asks a car's control units once a period and hands on their frames."""

    def __init__(self, index: int, table: PortTable, take: Take) -> None:
        super().__init__(index, table, take)
        self._due = 0.0
        self._ever_answered = False
        self._has: dict[int, set[int]] = {}
        self._units: dict[int, int] = {}
        self._refused: dict[int, int] = {}
        self._said = ""

    def now(self) -> float:
        """Clock by which it asks, s."""
        return time.monotonic()

    def join_bus(self) -> ReadingBus:
        """Join the bus; see `open_bus`."""
        return open_bus(self.table, self.url or "")

    def _once(self) -> str:
        self.url = self.table.url
        try:
            bus = self.join_bus()
        except LostPort as error:
            return str(error)
        try:
            reason = self._find_units(bus)
            if reason:
                return reason
            self.mark("opened", url=self.url)
            self._set("open", "")
            self.read(bus)
        except LukewarmError:
            raise
        except BusOff as error:
            if not self._ever_answered:
                raise self._unfit() from error
            return reason_of(error)
        except Exception as error:  # see PortReader
            return reason_of(error)
        finally:
            with contextlib.suppress(Exception):
                bus.close()
        return "stopped"

    def _unfit(self) -> UnusableRun:
        """Going on would disturb the car: a wrong bit rate spoils every frame on its bus."""
        return UnusableRun(
            Fault(
                f"port {self.url}",
                "a bus that was off before any control unit answered",
                f"the bus's own bit rate ({self.table.bitrate} is set)",
                "unplug the adapter, write the right bitrate = ... in [serial], check its wiring",
            )
        )

    def read(self, port: ReadingBus) -> None:
        """Ask the control units until the recording stops; see `PortReader.read`.

        A row's time is the end of its round of requests.
        """
        due = heard_at = looked_at = self.now()
        while not self.is_stopping():
            if self._missing() and self.now() - looked_at > LOOK_AGAIN_S:
                self._find_units(port)
                looked_at = self.now()
            if self._round(port):
                heard_at = self.now()
            elif self.now() - heard_at > SILENT_S:
                raise OSError("no control unit answers any more; was the ignition switched off?")
            due = max(due + self.table.period, self.now() - self.table.period)
            self.pause(due - self.now())

    def _round(self, bus: ReadingBus) -> bool:
        """Ask for every value that some unit has; whether anything was answered."""
        bus.skip_waiting()
        cells: dict[str, str] = {}
        others: list[str] = []
        try:
            self._ask_all(bus, cells, others)
        finally:  # a bus that goes off midway keeps what was heard
            if cells:
                self.give(json.dumps({"cells": cells, "others": others}).encode())
        return bool(cells)

    def _ask_all(self, bus: ReadingBus, cells: dict[str, str], others: list[str]) -> None:
        """Fill in the frames by the place of their value, and those of units not chosen."""
        for name, value in VALUES.items():
            places = [
                (at, unit)
                for at, unit in self._units.items()
                if self.table.values[at].value == name
            ]
            if not places or self.is_stopping():
                continue
            heard = self._ask(bus, value.identifier, self._having(value.identifier))
            for at, unit in places:
                if unit in heard.answers:
                    cells[str(at)] = heard.answers[unit].hex()
                else:
                    self._unanswered(at, unit, heard.refusals.get(unit))
            taken = {unit for _, unit in places}
            others += [
                f"{unit:X}#{frame.hex()}"
                for unit, frame in heard.answers.items()
                if unit not in taken
            ]

    def _unanswered(self, at: int, unit: int, code: int | None) -> None:
        column = self.table.values[at].column
        if code is None:
            self.mark("unanswered", column=column, unit=f"{unit:X}")
            return
        self.mark("unanswered", column=column, unit=f"{unit:X}", refused=f"{code:02X}")
        self._refused[at] = self._refused.get(at, 0) + 1
        if code in NOT_SUPPORTED and self._refused[at] >= TRIES:
            identifier = VALUES[self.table.values[at].value].identifier
            self._has[unit].discard(identifier)
            del self._units[at]
            self._say(f"Control unit {unit:X} refuses {column} (code {code:02X}).")

    def _ask(self, bus: ReadingBus, value: int, units: set[int]) -> _Heard:
        """Ask for a value and hear the units out that are known to have it."""
        self.pause(self._due - self.now())
        heard = _Heard()
        if self.is_stopping():
            return heard
        bus.ask(value)
        asked = self.now()
        self._due, until = asked + SPACING_S, asked + ANSWER_S
        while not self.is_stopping() and (left := until - self.now()) > 0:
            if units and units <= heard.answers.keys() | heard.refusals.keys():
                break
            frame = bus.hear(min(left, LOOK_S))
            if frame is None:
                continue
            unit, data = frame
            said = read_frame(data)
            if isinstance(said, Answer) and said.value == value:
                heard.answers[unit] = data
                self._ever_answered = True
            elif isinstance(said, Refusal) and said.code == PENDING:
                until = asked + PENDING_S
                units = units or {unit}
            elif isinstance(said, Refusal):
                heard.refusals[unit] = said.code
        return heard

    def _find_units(self, bus: ReadingBus) -> str:
        """Ask who has what and choose one unit for each value; gives why there is none."""
        found: dict[int, dict[int, Answer]] = {}
        for bitmap in BITMAPS:
            if bitmap and not any(bitmap in supported(each.values()) for each in found.values()):
                break
            for _ in range(TRIES):
                for unit, frame in self._ask(bus, bitmap, set()).answers.items():
                    said = read_frame(frame)
                    if isinstance(said, Answer):
                        found.setdefault(unit, {})[bitmap] = said
        for unit, bitmaps in found.items():
            self._has.setdefault(unit, set()).update(supported(bitmaps.values()))
        if not found:
            return NO_UNIT
        self._choose()
        return "" if self._units else NO_VALUE

    def _choose(self) -> None:
        """One unit for each value that has none yet: the one asked for, or the lowest."""
        for at, each in enumerate(self.table.values):
            having = self._having(VALUES[each.value].identifier)
            if each.control_unit is not None:
                having &= {int(each.control_unit, 16)}
            if at not in self._units and having and self._refused.get(at, 0) < TRIES:
                self._units[at] = min(having)
        from_whom = [
            f"{self.table.values[at].column} from {unit:X}" for at, unit in self._units.items()
        ]
        missing = [self.table.values[at].column for at in self._missing()]
        text = f"Control units: {', '.join(from_whom) or 'nothing'}."
        if missing:
            text += f" None has {', '.join(missing)}."
        if text != self._said:
            self._said = text
            self._say(text)

    def _having(self, identifier: int) -> set[int]:
        return {unit for unit, has in self._has.items() if identifier in has}

    def _missing(self) -> list[int]:
        return [at for at in range(len(self.table.values)) if at not in self._units]

    def _say(self, text: str) -> None:
        self.mark("said", text=text)
