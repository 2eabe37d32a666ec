"""Recording a part on the bench: its own plan, no road-test alarms, its own figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.live import measure_so_far
from dashboard.commands.guided import choose_plan
from dashboard.live.readings import Reading
from dashboard.live.sensors import Sensors
from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.setup.model import Setup, parse_setup
from tests.analysis.bench.test_bench_sensors import ice

CAR = '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\n[channels.outlet]\ncolumn = "a"\n'
BENCH = (
    '[run]\nvehicle = "bench"\npurpose = "bench"\n[log]\nfile = "log.csv"\n'
    '[bench]\npart = "vacuum switch"\n'
    '[channels.outlet]\ncolumn = "a"\n[channels.vacuum_source]\ncolumn = "b"\nunit = "kPa"\n'
)


def test_the_bench_has_its_own_plan(tmp_path: Path) -> None:
    bench, car = parse_setup(BENCH), parse_setup(CAR)
    assert "vacuum switch" in (choose_plan(None, bench, tmp_path, guided=True) or "")
    assert choose_plan("bench", bench, tmp_path, guided=False) is not None
    assert choose_plan(None, bench, tmp_path, guided=False) is None
    with pytest.raises(UnusableRun, match="part on the bench"):
        choose_plan("road", bench, tmp_path, guided=True)
    with pytest.raises(UnusableRun, match="set-up of a car"):
        choose_plan("bench", car, tmp_path, guided=True)


def dipped_sensor(setup: Setup) -> Sensors:
    """A sensor at 60 °C for a minute that then reads 0 °C at once."""
    sensors = Sensors(setup)
    rng = np.random.default_rng(0)
    for at in np.arange(0.0, 120.0, 0.5).tolist():
        level = (60.0 if at < 80.0 else 0.0) + float(rng.normal(0.0, 0.05))
        sensors.look(at, {"outlet": Reading(level, "degC", 0.0, "")}, ())
    return sensors


def test_a_dip_into_ice_is_no_alarm_on_the_bench() -> None:
    assert dipped_sensor(parse_setup(CAR)).alarms  # the same is one in a car
    assert not dipped_sensor(parse_setup(BENCH)).alarms


def test_a_hand_pump_is_no_engine() -> None:
    sensors = Sensors(parse_setup(BENCH))
    pumped = {"vacuum_source": Reading(60.0, "kPa", 0.0, "")}
    asked = [sensors.engine_question(at, pumped, {}) for at in (0.0, 30.0)]
    assert asked == [None, None]


def test_figures_so_far_are_the_parts_own(tmp_path: Path) -> None:
    live = measure_so_far(load_run(ice(tmp_path / "run", [0.5, 0.0, 0.0])))
    assert live.known()["sensor_offset.outlet"][0] == pytest.approx(0.5, abs=0.1)
    assert live.warnings == ()
