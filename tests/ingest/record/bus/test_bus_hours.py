"""Hours on a car's bus in simulated time: lost frames and a bus that goes off lose nothing."""

from __future__ import annotations

import csv
import itertools
from collections import defaultdict
from pathlib import Path
from typing import Any

import can
import numpy as np
import pytest

from ingest.record import recover
from ingest.record.folder import new_folder
from ingest.record.journal import Damage, Kind, Record
from ingest.record.ports.can_port import ReadingBus
from ingest.record.ports.can_reader import BusReader
from ingest.record.wire.deriver import Deriver
from ingest.record.wire.files import DerivedFiles
from ingest.record.wire.time import clock_note
from tests.support.control_units import ControlUnit, is_reading_request
from tests.support.loggers import write_setup

SETUP = (
    '[run]\nvehicle = "SC-900"\n'
    '[channels.engine_coolant]\ncolumn = "engine_coolant"\nunit = "degC"\n[serial]\nperiod = 1.0\n'
)
LOST = 0.01
LAG_S = 0.012
OFF_S = 37.0
NAMES = {
    0x05: "engine_coolant", 0x0F: "intake_air", 0x46: "ambient", 0x42: "module_voltage",
    0x0D: "road_speed", 0x0C: "engine_speed",
}  # fmt: skip


class Car:
    """Two control units, a clock, and a wire that loses frames and is cut at times.

    `delivered` holds, by identifier, what the first unit that has it put on the wire and arrived.
    """

    def __init__(self, seed: int, off: tuple[float, ...]) -> None:
        self.now = 0.0
        self.delivered: dict[int, list[bytes]] = defaultdict(list)
        self.seen: list[can.Message] = []
        self._chance = np.random.default_rng(seed)
        self._off = off
        self._waiting: list[tuple[float, can.Message]] = []
        self._units = [
            ControlUnit(0x7E8, {each: self._value(each) for each in (0x05, 0x0F, 0x0C, 0x0D)}),
            ControlUnit(0x7E9, {each: self._value(each) for each in (0x05, 0x0C, 0x42, 0x46)}),
        ]
        self._chosen = {0x05: 0, 0x0F: 0, 0x0C: 0, 0x0D: 0, 0x42: 1, 0x46: 1}

    def _value(self, identifier: int) -> Any:
        width = 2 if identifier in (0x0C, 0x42) else 1
        return lambda: tuple(self._chance.bytes(width))

    @property
    def is_off(self) -> bool:
        return any(begin <= self.now < begin + OFF_S for begin in self._off)

    # what python-can's buses offer

    state = can.BusState.ACTIVE

    def send(self, message: can.Message, timeout: float | None = None) -> None:
        self.now += 0.0005
        if self.is_off:
            raise can.CanOperationError("Network is down")
        self.seen.append(message)
        if self._chance.random() < LOST:
            return
        for at, unit in enumerate(self._units):
            for frame in unit.answer(bytes(message.data)):
                if self._chance.random() < LOST:
                    continue
                answer = can.Message(
                    arbitration_id=unit.answers_under, is_extended_id=False, data=frame
                )
                self._waiting.append((self.now + LAG_S * (1 + at), answer))
                if self._chosen.get(message.data[2]) == at:
                    self.delivered[message.data[2]].append(frame[3:])

    def recv(self, timeout: float) -> can.Message | None:
        until = self.now + timeout
        if self._waiting and self._waiting[0][0] <= until:
            due, message = self._waiting.pop(0)
            self.now = max(self.now, due)
            return message
        self.now = max(self.now, until)
        return None

    def shutdown(self) -> None:
        self._waiting.clear()


class SimulatedReader(BusReader):
    """Asks by the car's clock."""

    car: Car
    until: float

    def now(self) -> float:
        return self.car.now

    def pause(self, seconds: float) -> None:
        self.car.now += max(seconds, 0.0)
        if self.car.now >= self.until:
            self.stop()

    def join_bus(self) -> ReadingBus:
        return ReadingBus(self.car)


def number(identifier: int, data: bytes) -> float:
    """SAE J1979's formulas, appendix B."""
    a, b = data[0], data[1]
    if identifier in (0x05, 0x0F, 0x46):
        return a - 40
    return {0x0D: a, 0x0C: (256 * a + b) / 4, 0x42: (256 * a + b) / 1000}[identifier]


@pytest.mark.parametrize("hours", [0.5, pytest.param(3.0, marks=pytest.mark.slow)])
def test_hours_on_a_bus(tmp_path: Path, hours: float) -> None:
    seconds = 3600 * hours
    car = Car(7, (0.3 * seconds, 0.7 * seconds))
    derivation = new_folder(
        write_setup(tmp_path, SETUP), tmp_path / "run", ("can:virtual:simulated",)
    )
    files = DerivedFiles(tmp_path / "run", fresh=True)
    deriver = Deriver(derivation, files)

    def take(port: int, kind: Kind, payload: bytes) -> None:
        mono = round(car.now * 1e9)
        deriver.feed(Record(port, kind, mono, mono, payload))

    take(0, Kind.CLOCK, clock_note(first=True))
    reader = SimulatedReader(0, derivation.ports[0], take)
    reader.car, reader.until = car, seconds
    reader.run()
    assert reader.error is None
    deriver.finish()
    files.flush()
    files.close()
    log = tmp_path / "run" / "log.csv"
    rows = list(csv.DictReader(log.read_text(encoding="utf-8").splitlines()))
    found = recover.recording_findings(deriver, log, Damage(), closed=True)
    gaps = [each for each in found if each.fault == "recording_gap"]
    assert len(gaps) == 2
    assert all(each.to_s - each.from_s >= OFF_S for each in gaps)  # type: ignore[operator]
    assert len(rows) > 0.97 * (seconds - 2 * (OFF_S + 5))

    # readings equal what was sent, one for one
    for identifier, name in NAMES.items():
        logged = [float(row[name]) for row in rows if row[name]]
        assert logged == [number(identifier, each) for each in car.delivered[identifier]]

    # what is missing was counted, or lies in a gap that was said
    empty = sum(not row[name] for row in rows for name in NAMES.values())
    assert deriver.counters.unanswered == pytest.approx(empty, abs=2 * len(NAMES))
    assert any(each.fault == "recording_rejects" for each in found)
    times = [float(row["host_s"]) for row in rows]
    for before, after in itertools.pairwise(times):
        said = any(each.from_s - 2.5 < before and after < each.to_s + 2.5 for each in gaps)
        assert after - before < 2.5 or said

    # polite, and nothing but reading requests
    assert all(map(is_reading_request, car.seen))
    assert len(car.seen) <= 6.1 * seconds + 60
