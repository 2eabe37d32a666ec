"""Corrections named by a run: applied to their own sensor, and said where they are not."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.load.load import load_run
from ingest.run import Run
from ingest.sensors.corrections import Correction, CorrectionPoint, corrections_text

SETUP = """
[run]
vehicle = "SC-900"
[log]
file = "log.csv"
time = { column = "t", unit = "s" }
[sensors]
corrections = "bench.toml"
[channels.outlet]
column = "T1"
sensor = "thermocouple"
unit = "mV"
cold_junction = "cold_junction"
[channels.ambient]
column = "T2"
unit = "degC"
[channels.cold_junction]
column = "CJ"
unit = "degC"
[channels.road_speed]
column = "V"
sensor = "speed"
unit = "km/h"
"""


def loaded(folder: Path, **made: Correction) -> Run:
    rows = "".join(f"{at},1.0,{10.0 + 0.01 * at:.2f},20.0,{at % 50}\n" for at in range(60))
    (folder / "log.csv").write_text("t,T1,T2,CJ,V\n" + rows, encoding="utf-8")
    (folder / "run.toml").write_text(SETUP, encoding="utf-8")
    (folder / "bench.toml").write_text(corrections_text(made), encoding="utf-8")
    return load_run(folder)


def correction(sensor: str, column: str) -> Correction:
    point = CorrectionPoint(at=0.0, offset=0.5, u=0.1, reference="ice", u_reference=0.05)
    return Correction(sensor=sensor, column=column, points=(point,))


def said(run: Run) -> dict[str, str]:
    faults = ("not_corrected", "correction_of_another")
    return {each.fault: str(each.detail) for each in run.findings if each.fault in faults}


def test_a_correction_is_taken_off_its_own_sensor_alone(tmp_path: Path) -> None:
    run = loaded(tmp_path, ambient=correction("temperature", "T2"))
    assert run.readings["ambient_degC"][5] == pytest.approx(10.05 - 0.5)
    # neither the cold junction, which is in the offset, nor a speed can be in a bath
    assert said(run) == {
        "not_corrected": "bench.toml holds no correction for outlet: their class tolerance stands."
    }


def test_where_all_are_corrected_nothing_is_said(tmp_path: Path) -> None:
    run = loaded(
        tmp_path,
        ambient=correction("temperature", "T2"), outlet=correction("thermocouple", "T1"),
    )  # fmt: skip
    assert said(run) == {}


@pytest.mark.parametrize(
    ("sensor", "column"), [("thermocouple", "T2"), ("temperature", "T1"), ("rtd", "T9")]
)
def test_a_correction_of_another_sensor_or_input_is_not_applied(
    tmp_path: Path, sensor: str, column: str
) -> None:
    run = loaded(
        tmp_path, ambient=correction(sensor, column), outlet=correction("thermocouple", "T1")
    )
    assert run.readings["ambient_degC"][5] == pytest.approx(10.05)
    assert list(said(run)) == ["correction_of_another"]
    assert f"{sensor} {column!r}" in said(run)["correction_of_another"]
