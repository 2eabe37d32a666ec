"""Logs of bus traffic, written with python-can, read with a DBC that cantools encodes by.

What counts: every signal as it was encoded, where its own frame's time puts it; answers of control
units by SAE J1979; and what cannot be read is said. Invented data.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ingest.bus.traffic import _damaged
from ingest.clock.log_clock import build_clock
from ingest.draft.draft import draft_setup
from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.setup.model import LogTable
from ingest.table.columns import Columns
from ingest.table.open import open_log
from tests.support.control_units import single

can = pytest.importorskip("can")
cantools = pytest.importorskip("cantools")

DBC = """VERSION ""
NS_ :
BS_:
BU_: unit
BO_ 256 Heat: 8 unit
 SG_ OutletTemp : 0|16@1- (0.01,0) [-40|150] "degC" unit
 SG_ OutsideTemp : 16|12@1+ (0.1,-60) [-60|80] "degC" unit
 SG_ Stage : 40|4@1+ (1,0) [0|15] "" unit
BO_ 2566844926 Drive: 8 unit
 SG_ RoadSpeed : 7|16@0+ (0.0078125,0) [0|250.996] "km/h" unit
 SG_ Page M : 23|8@0+ (1,0) [0|3] "" unit
 SG_ OilTemp m0 : 31|8@0+ (1,-40) [-40|210] "degC" unit
 SG_ FuelTemp m1 : 31|8@0+ (1,-40) [-40|210] "degC" unit
VAL_ 256 Stage 0 "off" 15 "not available" ;
"""
START = 1_700_000_000.0
LOG = LogTable(file="log", dbc="bus.dbc")
RNG = np.random.default_rng(4)
TIME = np.arange(0.0, 20.0, 0.1)
OUTLET = np.round(20.0 + 1.5 * TIME + RNG.normal(0.0, 0.1, TIME.size), 2)
SPEED = np.round(TIME * 2.0 / 0.0078125) * 0.0078125


def message(name: str, values: dict[str, Any], at: float, channel: int = 0) -> Any:
    described = cantools.database.load_string(DBC, "dbc").get_message_by_name(name)
    return can.Message(
        timestamp=START + at,
        arbitration_id=described.frame_id,
        is_extended_id=described.is_extended_frame,
        data=described.encode(values, strict=False),
        channel=channel,
    )


def traffic() -> list[Any]:
    found = []
    for place, at in enumerate(TIME.tolist()):
        heat = {"OutletTemp": OUTLET[place], "OutsideTemp": -5.0, "Stage": place % 5}
        page = place % 2
        drive = {"RoadSpeed": SPEED[place], "Page": page, ("OilTemp", "FuelTemp")[page]: 60 + page}
        found.append(message("Heat", heat, at))
        found.append(message("Drive", drive, at + 0.05))
    return found


def answer(at: float, *said: int, unit: int = 0x7E8, extended: bool = False) -> Any:
    return can.Message(
        timestamp=START + at,
        arbitration_id=unit,
        is_extended_id=extended,
        data=single(*said),
        channel=0,
    )


def written(path: Path, messages: Iterable[Any], dbc: str | None = DBC) -> Path:
    with can.Logger(path) as writer:
        for each in messages:
            writer.on_message_received(each)
    if dbc is not None:
        (path.parent / "bus.dbc").write_text(dbc)
    return path


def opened(path: Path, log: LogTable = LOG) -> Columns:
    table = open_log(path, log)
    assert table is not None
    return table


def values(table: Columns, name: str) -> list[float]:
    numbers = table.numbers(table.find(name)).values.drop_nulls()
    return [float(each) for each in numbers.to_list()]


@pytest.mark.parametrize("ending", ["blf", "asc"])
def test_every_signal_as_it_was_encoded(ending: str, tmp_path: Path) -> None:
    table = opened(written(tmp_path / f"log.{ending}", traffic()))
    assert values(table, "OutletTemp") == pytest.approx(OUTLET.tolist(), abs=1e-9)
    assert values(table, "RoadSpeed") == pytest.approx(SPEED.tolist(), abs=1e-9)
    assert set(values(table, "OilTemp")) == {60.0}
    assert len(values(table, "FuelTemp")) == TIME.size // 2
    assert dict(zip(table.names, table.units, strict=True))["RoadSpeed"] == "km/h"
    clock = build_clock(table, LOG)
    expected = np.sort(np.concatenate([TIME, TIME + 0.05]))
    assert np.diff(clock.time).tolist() == pytest.approx(np.diff(expected).tolist(), abs=2e-6)
    stage = table.numbers(table.find("Stage"))
    assert stage.bad_count + stage.values.null_count() >= TIME.size // 5  # "off" is no number


@pytest.mark.parametrize("ending", ["blf", "asc"])
def test_answers_of_control_units_need_no_dbc(ending: str, tmp_path: Path) -> None:
    asked = can.Message(timestamp=START, arbitration_id=0x7DF, is_extended_id=False,
                        data=single(1, 5), channel=0)  # fmt: skip
    said = [
        asked,
        answer(1.0, 0x41, 0x05, 0x7B),
        answer(1.1, 0x41, 0x0C, 0x1A, 0xF8),
        answer(1.2, 0x41, 0x0D, 0x32),
        answer(1.3, 0x41, 0x42, 0x36, 0xB0),
        answer(1.4, 0x7F, 0x01, 0x12),
        answer(2.0, 0x41, 0x46, 0x1E, unit=0x18DAF110, extended=True),
    ]
    table = opened(written(tmp_path / f"log.{ending}", said, None), LogTable(file="log"))
    # SAE J1979, appendix B: A - 40, (256 A + B) / 4, A, (256 A + B) / 1000
    assert values(table, "engine_coolant") == [83.0]
    assert values(table, "engine_speed") == [1726.0]
    assert values(table, "road_speed") == [50.0]
    assert values(table, "module_voltage") == [14.0]
    assert values(table, "ambient") == [-10.0]


def test_several_values_in_one_answer(tmp_path: Path) -> None:
    said = [answer(1.0, 0x41, 0x05, 0x7B, 0x0D, 0x32)]
    table = opened(written(tmp_path / "log.blf", said, None), LogTable(file="log"))
    assert values(table, "engine_coolant") == [83.0]
    assert values(table, "road_speed") == [50.0]


def test_two_control_units_are_asked_for(tmp_path: Path) -> None:
    said = [answer(1.0, 0x41, 0x05, 0x7B), answer(1.1, 0x41, 0x05, 0x50, unit=0x7E9)]
    path = written(tmp_path / "log.blf", said, None)
    with pytest.raises(UnusableRun, match="answers of 7E9"):
        opened(path, LogTable(file="log")).find("engine_coolant")
    chosen = opened(path, LogTable(file="log", sheet="answers of 7E9"))
    assert values(chosen, "engine_coolant") == [40.0]


def test_one_message_on_two_buses_is_asked_for(tmp_path: Path) -> None:
    heat = {"OutletTemp": 30.0, "OutsideTemp": -5.0, "Stage": 1}
    path = written(tmp_path / "log.blf", [message("Heat", heat, 0.0, at) for at in (0, 1)])
    with pytest.raises(UnusableRun, match="Heat on bus 2"):
        opened(path).find("OutletTemp")


def test_what_the_dbc_does_not_allow_is_no_reading(tmp_path: Path) -> None:
    heat = {"OutletTemp": 327.67, "OutsideTemp": -5.0, "Stage": 15}
    path = written(tmp_path / "log.blf", [message("Heat", heat, 0.0)])
    table = opened(path)
    outlet = table.numbers(table.find("OutletTemp"))
    assert outlet.values.to_list() == [None]
    assert outlet.bad_count == 1
    assert "beyond -40 to 150" in outlet.bad[0].text


def test_a_page_that_the_dbc_does_not_describe(tmp_path: Path) -> None:
    drive = message("Drive", {"RoadSpeed": 50.0, "Page": 0, "OilTemp": 60}, 0.0)
    drive.data[2] = 2
    table = opened(written(tmp_path / "log.blf", [drive]))
    assert values(table, "RoadSpeed") == [50.0]
    assert values(table, "OilTemp") == []


def test_packed_and_drafted_and_loaded(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    written(folder / "log.asc", traffic())
    with zipfile.ZipFile(folder / "log.zip", "w") as archive:
        archive.write(folder / "log.asc", "log.asc")
    (folder / "log.asc").unlink()
    draft = draft_setup(folder / "log.zip")
    assert 'dbc = "bus.dbc"' in draft.text
    told = {each.name: each.point for each in draft.proposals}
    assert told["RoadSpeed"] == "road_speed"
    assert told["OutletTemp"] == "outlet"
    (folder / "run.toml").write_text(draft.text.replace("FILL IN", "SC-900"))
    run = load_run(folder)
    time, outlet = run.series("outlet")
    assert outlet.tolist() == pytest.approx(OUTLET.tolist(), abs=1e-9)
    assert time.size == TIME.size
    speed = run.series("road_speed")[1]
    assert speed.tolist() == pytest.approx((SPEED / 3.6).tolist(), abs=1e-9)
    assert {"bus.dbc", "log.zip"} <= set(run.sha256)


def test_a_line_that_is_no_frame_is_kept_and_the_rest_is_read(tmp_path: Path) -> None:
    path = written(tmp_path / "log.asc", traffic())
    lines = path.read_text().splitlines()
    at = next(place for place, line in enumerate(lines) if " 100 " in line) + 6
    lines[at] = lines[at].replace(" d 8 ", " d zz ")
    path.write_text("\n".join(lines) + "\n")
    table = opened(path)
    assert table.rejected_count == 1
    assert table.rejected[0].line == at + 1
    assert len(values(table, "OutletTemp")) + len(values(table, "RoadSpeed")) == 2 * TIME.size - 1


def test_a_log_without_its_event_line_loses_no_frame(tmp_path: Path) -> None:
    path = written(tmp_path / "log.asc", traffic())
    kept = [line for line in path.read_text().splitlines() if "internal events" not in line]
    path.write_text("\n".join(kept) + "\n")
    assert len(values(opened(path), "OutletTemp")) == TIME.size


def test_a_binary_log_that_breaks_off_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    path = written(tmp_path / "log.blf", [*traffic(), *traffic(), *traffic()] * 20)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * 0.7)])
    table = opened(path)
    assert [each.fault for each in table.findings] == ["bus_log_cut"]
    assert 0 < len(values(table, "OutletTemp")) < 60 * TIME.size


def test_relative_times_are_refused(tmp_path: Path) -> None:
    path = written(tmp_path / "log.asc", traffic())
    path.write_text(path.read_text().replace("timestamps absolute", "timestamps relative"))
    with pytest.raises(UnusableRun, match="absolute times"):
        opened(path)


def test_a_part_that_unpacks_without_end_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path / "log.blf", traffic() * 3)
    monkeypatch.setattr("ingest.bus.traffic.MAX_PART", 1000)
    with pytest.raises(UnusableRun, match="unpacks to more"):
        opened(path)


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    path = written(tmp_path / "log.blf", traffic())
    with pytest.raises(UnusableRun, match=r"\[log\] dbc"):
        opened(path, LogTable(file="log"))
    (tmp_path / "bus.dbc").write_text("nothing of the kind")
    with pytest.raises(UnusableRun, match="no DBC"):
        opened(path)
    (tmp_path / "bus.dbc").write_text(
        DBC.replace("256 ", "257 ").replace("2566844926", "2566844927")
    )
    with pytest.raises(UnusableRun, match="describes none"):
        opened(path)
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(UnusableRun, match=r"bus log|no data frame"):
        opened(path)
    (tmp_path / "other.dbc").write_text(DBC)
    with pytest.raises(UnusableRun, match="several DBC"):
        draft_setup(written(tmp_path / "log.blf", traffic(), None))


def test_identifiers_left_out_are_counted(tmp_path: Path) -> None:
    path = written(tmp_path / "log.blf", [*traffic(), answer(3.0, 1, 2, unit=0x123)])
    assert [each.fault for each in opened(path).findings] == ["messages_left_out"]


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ValueError("half a frame\nat byte 17"), "(half a frame)"),
        (ValueError("\nat byte 17"), "(ValueError)"),
        (EOFError(), "(EOFError)"),
    ],
)
def test_damage_is_one_line_whatever_the_reader_says(error: Exception, said: str) -> None:
    fault = str(_damaged("log.asc", error))
    assert f"a damaged bus log {said}" in fault
    assert "byte" not in fault
