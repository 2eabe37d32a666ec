"""What is written can be read back, in every dialect; the committed samples are what is written."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from ingest.load.load import load_run
from ingest.setup.model import read_setup
from sample_logs.simulator import dialects, short_test, simulate, standard_sensors
from sample_logs.simulator.__main__ import run_sample, write_samples
from sample_logs.simulator.dialects import Dialect
from sample_logs.simulator.families import draw_car
from sample_logs.simulator.fleet import SAMPLES
from sample_logs.simulator.memory import as_run
from sample_logs.simulator.sensors import SensorFault
from sample_logs.simulator.writer import Labels, write_run

ROOT = Path(__file__).parents[2] / "sample_logs"

DIALECTS = [
    dialects.PLAIN,
    dialects.MILLIVOLTS,
    dialects.COMMA_FAHRENHEIT,
    dialects.WIDE_TEXT,
    dialects.ONE_READING_A_ROW,
    dialects.BARE,
    dialects.DATE_AND_TIME,
    dialects.TWELVE_HOUR,
    dialects.MILLISECONDS,
]

# half a step of what the dialect writes; the noise of a terminal block that is logged beside
CLOSE = {
    "temperature": 0.15,
    "pressure": 0.13,
    "speed": 0.15,
    "rotation": 0.51,
    "voltage": 0.006,
}


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda each: each.name)
def test_a_log_is_read_back_as_it_was_measured(dialect: Dialect, tmp_path: Path) -> None:
    # a lost reading now and then, so that every dialect's word for it is written
    sensors = replace(standard_sensors(), faults=(SensorFault("footwell", "open", 0.6),))
    simulated = simulate(draw_car("Curlew", "SC-900", 4), short_test("combined"), sensors, 3)
    write_run(simulated, tmp_path / "run", dialect)
    run = load_run(tmp_path / "run")
    expected = as_run(simulated)
    assert run.rejected_count == 0
    assert set(run.sensors) == set(expected.sensors) | (
        {"cold_junction"} if dialect.temperature == "mV" else set()
    )
    began = run.engine_start_s
    for point, sensor in expected.sensors.items():
        time, values = run.series(point)
        if dialect.time != "date and time":
            at = np.searchsorted(simulated.time, time + began - 0.01)
            assert np.allclose(simulated.time[at], time + began, atol=0.011)
        else:
            at = np.round(time + began).astype(int)
        wanted = simulated.channels[point][at]
        assert np.isfinite(wanted).all()
        close = CLOSE[sensor.quantity.name]
        np.testing.assert_allclose(values, wanted, atol=close, err_msg=point)
    valid = np.isfinite(simulated.channels["footwell"]).sum()
    read = run.series("footwell")[0].size
    assert read == pytest.approx(valid / (2 if dialect.long else 1), rel=0.05)


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda each: each.name)
def test_events_are_read_back_in_order(dialect: Dialect, tmp_path: Path) -> None:
    simulated = simulate(draw_car("Plover", "SC-900", 4), short_test(), standard_sensors(), 3)
    write_run(simulated, tmp_path / "run", dialect)
    run = load_run(tmp_path / "run")
    expected = as_run(simulated)
    for column in ("control", "position", "value"):
        assert run.controls[column].to_list() == expected.controls[column].to_list()
    # clocks that show whole seconds round the notes
    np.testing.assert_allclose(
        run.controls["time_s"].to_numpy(), expected.controls["time_s"].to_numpy(), atol=1.01
    )


def test_the_set_up_says_what_the_shop_knows(tmp_path: Path) -> None:
    simulated = simulate(draw_car("Plover", "SC-900", 4), short_test(), standard_sensors(), 3)
    began = datetime(2026, 2, 3, 6, 0, tzinfo=timezone(timedelta(hours=-5)))
    labels = Labels("road-test", began, operator='J. "Stint" O\'Hara')
    write_run(simulated, tmp_path, dialects.MILLIVOLTS, labels)
    setup = read_setup(tmp_path / "run.toml")
    assert setup.unknown() == ()
    assert setup.run.operator == 'J. "Stint" O\'Hara'
    assert setup.run.started == began + timedelta(seconds=60)
    outlet = setup.channels["outlet"]
    assert (outlet.type, outlet.tolerance_class, outlet.time_constant) == ("K", 2, 3.0)
    assert outlet.cold_junction == "cold_junction"
    assert setup.channels["vacuum_source"].reference == "vacuum"


def test_the_samples_are_what_the_demo_needs() -> None:
    folders = [path for path in ROOT.iterdir() if (path / "run.toml").is_file()]
    assert {path.name for path in folders} == {sample.folder for sample in SAMPLES}
    assert len(folders) >= 16
    assert len({sample.dialect.name for sample in SAMPLES}) >= 6
    heaters = {read_setup(path / "run.toml").run.heater for path in folders}
    assert heaters == {"blend-air", "water-valve", "combined"}
    assert {"complaint", "after-repair"} <= {
        sample.purpose for sample in SAMPLES if sample.vehicle == "SC-014"
    }
    size = sum(path.stat().st_size for folder in folders for path in folder.iterdir())
    assert size < 15e6


@pytest.mark.parametrize("name", ["SC-014-complaint", "SC-004-baseline", "SC-046-complaint"])
def test_the_committed_samples_are_what_the_simulator_writes(name: str, tmp_path: Path) -> None:
    sample = next(each for each in SAMPLES if each.folder == name)
    write_samples(tmp_path, (sample,))
    for written in (tmp_path / name).iterdir():
        assert written.read_bytes() == (ROOT / name / written.name).read_bytes(), written.name
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    committed = json.loads((ROOT / "truth.json").read_text(encoding="utf-8"))
    assert truth[name] == committed[name]


def test_the_truth_is_nowhere_in_the_runs() -> None:
    truth = json.loads((ROOT / "truth.json").read_text(encoding="utf-8"))
    assert set(truth) == {sample.folder for sample in SAMPLES}
    for name, entry in truth.items():
        text = (ROOT / name / "run.toml").read_text(encoding="utf-8")
        assert "healthy" not in text
        assert "cause" not in text
        assert entry["cause"] not in text


def test_before_and_after_are_one_car() -> None:
    before, after = (
        run_sample(next(each for each in SAMPLES if each.folder == f"SC-014-{when}"))
        for when in ("complaint", "after-repair")
    )
    assert before.car.loop == after.car.loop
    assert before.cable_offset > after.cable_offset + 15
    assert before.truth["steady_outlet_rise"] < after.truth["steady_outlet_rise"]  # type: ignore[operator]
