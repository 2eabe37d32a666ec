"""Recording from a car's own bus: python-can's virtual bus and made-up control units."""

from __future__ import annotations

import ast
import builtins
import itertools
import json
import sys
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces.virtual import VirtualBus

from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.record import recover
from ingest.record.ports import can_port
from ingest.record.recorder import Recorder
from tests.support.control_units import (
    ControlUnit,
    is_reading_request,
    single,
    virtual_car,
)
from tests.support.loggers import recorder_on, wait_for, write_setup

ROOT = Path(__file__).parents[4]
SETUP = (
    '[run]\nvehicle = "SC-900"\n'
    '[channels.engine_coolant]\ncolumn = "engine_coolant"\nunit = "degC"\n'
    '[channels.road_speed]\ncolumn = "road_speed"\nunit = "km/h"\n'
    '[channels.engine_speed]\ncolumn = "engine_speed"\nunit = "rpm"\n'
    '[channels.ambient]\ncolumn = "ambient"\nunit = "degC"\n'
    "[serial]\nperiod = 0.2\n"
)


@pytest.fixture
def channel() -> str:
    return f"test-{uuid.uuid4()}"


def engine(**more: Any) -> ControlUnit:
    """Coolant 83 °C, 60 km/h, 1726 rpm, 13.8 V; no outside temperature."""
    return ControlUnit(
        0x7E8,
        {
            0x05: lambda: (123,),
            0x0C: lambda: (0x1A, 0xF8),
            0x0D: lambda: (60,),
            0x42: lambda: (0x35, 0xE8),
        },
        **more,
    )


def body() -> ControlUnit:
    """A second one: a coolant of its own, 70 °C, and the outside temperature, -5 °C."""
    return ControlUnit(0x7EA, {0x05: lambda: (110,), 0x46: lambda: (35,)})


def recording(folder: Path, channel: str, setup: str = SETUP) -> Recorder:
    path = write_setup(folder, setup)
    return Recorder.create(path, folder / "run", (f"can:virtual:{channel}",))


def said(recorder: Recorder, kept: list[str]) -> str:
    kept += [message.text for message in recorder.messages()]
    return "\n".join(kept)


def journal_notes(folder: Path) -> list[dict[str, Any]]:
    from ingest.record.journal import Damage, Kind, read_records, segments

    return [
        json.loads(record.payload)
        for path in segments(folder)
        for record in read_records(path, Damage())
        if record.kind in (Kind.DATA, Kind.MARK)
    ]


def test_a_car_with_two_control_units(tmp_path: Path, channel: str) -> None:
    with virtual_car(channel, engine(), body()) as car, recording(tmp_path, channel) as recorder:
        wait_for(lambda: recorder.counters.rows >= 5)
        text = said(recorder, [])
    assert "engine_coolant from 7E8" in text
    assert "ambient from 7EA" in text
    assert "None has intake_air." in text
    run = load_run(tmp_path / "run")
    assert set(run.series("engine_coolant")[1]) == {83.0}  # never the other unit's 70
    assert set(run.series("ambient")[1]) == {-5.0}
    assert list(set(run.series("road_speed")[1])) == [pytest.approx(60 / 3.6)]
    assert set(run.series("engine_speed")[1]) == {1726.0}
    header, first = (tmp_path / "run" / "log.csv").read_text(encoding="utf-8").splitlines()[:2]
    row = dict(zip(header.split(","), first.split(","), strict=True))
    assert row["module_voltage"] == "13.8"
    assert row["intake_air"] == ""
    assert car.seen
    assert all(map(is_reading_request, car.seen))
    # the journal has every control unit's frame, and gives the same files again
    others = [each for note in journal_notes(tmp_path / "run") for each in note.get("others", ())]
    assert "7EA#0341056eaaaaaaaa" in others
    again = tmp_path / "again"
    again.mkdir()
    recover.rebuild(tmp_path / "run", again)
    assert (again / "log.csv").read_bytes() == (tmp_path / "run" / "log.csv").read_bytes()


def test_a_value_may_be_taken_from_a_named_unit(tmp_path: Path, channel: str) -> None:
    setup = SETUP.replace('column = "ambient"', 'column = "second"') + (
        "values = [\n"
        '  { column = "engine_coolant", value = "engine_coolant" },\n'
        '  { column = "second", value = "engine_coolant", control_unit = "7EA" },\n'
        '  { column = "road_speed", value = "road_speed" },\n'
        '  { column = "engine_speed", value = "engine_speed" },\n]\n'
    )
    with (
        virtual_car(channel, engine(), body()) as car,
        recording(tmp_path, channel, setup) as recorder,
    ):
        wait_for(lambda: recorder.counters.rows >= 3)
    run = load_run(tmp_path / "run")
    assert set(run.series("engine_coolant")[1]) == {83.0}
    assert set(run.series("ambient")[1]) == {70.0}
    assert not {each.data[2] for each in car.seen} & {0x46, 0x42, 0x0F}  # nobody wants them


def test_refusals_late_answers_long_messages_and_strangers(tmp_path: Path, channel: str) -> None:
    """Nothing of it is a reading, nothing of it ends the recording, and nothing is sent for it."""
    count = itertools.count()

    def slowly() -> list[bytes]:
        """Busy (ISO 14229-1 21), then answer pending (78) before each answer."""
        if next(count) == 1:
            return [single(0x7F, 0x01, 0x21)]
        return [single(0x7F, 0x01, 0x78), single(0x41, 0x0D, 60)]

    made = engine(
        instead={
            0x0D: slowly,
            0x0F: lambda: [single(0x7F, 0x01, 0x12)],
            0x05: lambda: [bytes.fromhex("100A41057B0F5246"), bytes.fromhex("2142010203040506")],
            0x0C: lambda: [single(0x41, 0x05, 0), b"\x02\x41", single(0x41, 0x0C, 0x1A, 0xF8)],
        }
    )
    with virtual_car(channel, made) as car, recording(tmp_path, channel) as recorder:
        kept: list[str] = []
        wait_for(lambda: "refuses intake_air (code 12)" in said(recorder, kept))
        asked = sum(each.data[2] == 0x0F for each in car.seen)
        wait_for(lambda: recorder.counters.rows >= 8)
        car.send(0x123, single(0x41, 0x05, 0))  # another device's frame
    run = load_run(tmp_path / "run")
    assert set(run.series("engine_coolant")[1]) == {83.0}
    assert list(set(run.series("road_speed")[1])) == [pytest.approx(60 / 3.6)]
    assert set(run.series("engine_speed")[1]) == {1726.0}
    assert sum(each.data[2] == 0x0F for each in car.seen) == asked == 3  # then left alone
    assert recorder.counters.unanswered >= 4  # three refusals, once busy
    assert recorder.counters.garbage == 0
    assert all(map(is_reading_request, car.seen))


def test_control_units_that_sleep_are_a_gap(
    tmp_path: Path, channel: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.record.ports.can_reader.SILENT_S", 0.5)
    unit = engine()
    with virtual_car(channel, unit), recording(tmp_path, channel) as recorder:
        wait_for(lambda: recorder.counters.rows >= 3)
        unit.is_awake = False
        wait_for(lambda: recorder.ports_state()[0].state == "waiting")
        assert "ignition" in recorder.ports_state()[0].reason
        unit.is_awake = True
        rows = recorder.counters.rows
        wait_for(lambda: recorder.counters.rows > rows)
    faults = [finding.fault for finding in load_run(tmp_path / "run").findings]
    assert faults.count("recording_gap") == 1


class Bus(VirtualBus):
    """A virtual bus that goes off: by an error frame, in its state, or as it sends."""

    how = ""

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self.how == "error frame":
            message = can.Message(is_error_frame=True, arbitration_id=0x40, is_extended_id=True)
            return message, True  # as socketcan hands it on
        return super()._recv_internal(timeout)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        if self.how == "send":
            raise can.CanOperationError("Network is down")
        super().send(msg, timeout)

    @property
    def state(self) -> can.BusState:
        return can.BusState.ERROR if self.how == "state" else can.BusState.ACTIVE


@pytest.fixture
def bus_of(monkeypatch: pytest.MonkeyPatch) -> Callable[[], list[Bus]]:
    """Buses as they were joined, one after the other."""
    joined: list[Bus] = []

    def join(**given: Any) -> Bus:
        joined.append(Bus(given["channel"], can_filters=given["can_filters"]))
        return joined[-1]

    monkeypatch.setattr(can, "Bus", join)
    return lambda: joined


@pytest.mark.parametrize("how", ["error frame", "state", "send"])
def test_a_bus_that_goes_off_comes_back(
    tmp_path: Path, channel: str, bus_of: Callable[[], list[Bus]], how: str
) -> None:
    with virtual_car(channel, engine()) as car, recording(tmp_path, channel) as recorder:
        wait_for(lambda: recorder.counters.rows >= 3)
        bus_of()[-1].how = how
        wait_for(lambda: recorder.counters.losses == 1)
        rows = recorder.counters.rows
        wait_for(lambda: recorder.counters.rows > rows + 2)
    assert len(bus_of()) >= 2
    assert all(map(is_reading_request, car.seen))
    (gap,) = (each for each in load_run(tmp_path / "run").findings if each.fault == "recording_gap")
    assert ("Network is down" if how == "send" else "bus off") in gap.detail


def test_a_bus_that_is_off_before_anything_answered_is_left_alone(
    tmp_path: Path, channel: str, monkeypatch: pytest.MonkeyPatch, bus_of: Callable[[], list[Bus]]
) -> None:
    """A wrong bit rate spoils every frame on the bus: it is not tried again and again."""
    monkeypatch.setattr(Bus, "how", "error frame")
    with recording(tmp_path, channel) as recorder:
        wait_for(lambda: not recorder.running)
        summary = recorder.stop()
    assert summary.failure is not None
    assert "bit rate" in summary.failure
    assert len(bus_of()) == 1


def test_without_python_can_the_extra_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "can":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    monkeypatch.delitem(sys.modules, "can")
    with pytest.raises(UnusableRun) as caught:
        recording(tmp_path, "any")
    (fault,) = caught.value.faults
    assert "lukewarm[can]" in str(fault)
    assert "\n" not in str(fault)
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(
    ("setup", "port", "words"),
    [
        (SETUP, "can:nothing:0", "one of"),
        (SETUP, "can:virtual", "can:INTERFACE:CHANNEL"),
        (SETUP + 'format = "can"\n', "COM5", 'format = "can"'),
        (SETUP + "bitrate = 125000\n", "can:virtual:x", "bitrate"),
        (SETUP.replace('"km/h"', '"mph"'), "can:virtual:x", 'unit = "km/h"'),
        (SETUP.replace('unit = "rpm"\n', ""), "can:virtual:x", 'unit = "rpm"'),
        (SETUP.replace('column = "ambient"', 'column = "oil"'), "can:virtual:x", "'oil'"),
        (SETUP + 'url = "can:virtual:x"\nformat = "csv"\n', "can:virtual:x", "goes with format"),
    ],
)
def test_what_is_wrong_with_a_set_up_is_said(
    tmp_path: Path, setup: str, port: str, words: str
) -> None:
    with pytest.raises(UnusableRun) as caught:
        recorder_on(port, tmp_path, setup)
    assert words in str(caught.value)


def test_a_recording_goes_on_without_being_told_the_bus_again(tmp_path: Path, channel: str) -> None:
    with virtual_car(channel, engine(), body()):
        with recording(tmp_path, channel) as recorder:
            wait_for(lambda: recorder.counters.rows >= 2)
        with Recorder.resume(tmp_path / "run") as recorder:
            rows = recorder.counters.rows
            wait_for(lambda: recorder.counters.rows >= rows + 2)
    assert set(load_run(tmp_path / "run").series("engine_coolant")[1]) == {83.0}


def test_one_place_alone_sends_on_a_bus() -> None:
    """`ReadingBus.ask` is all that sends, and what it sends `frames.request` makes."""
    senders = []
    for path in (ROOT / "ingest").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if "import can" not in text and "from can " not in text and "can_port" not in text:
            continue
        senders += [
            (path.name, node.func.attr)
            for node in ast.walk(ast.parse(text))
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and node.func.attr.startswith(("send", "write", "flash"))
            and path.name.startswith("can")
        ]
    assert senders == [(Path(can_port.__file__).name, "send")]
