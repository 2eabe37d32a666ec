"""Sensors on the bench: offsets with their truth by construction, corrections, what they change."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from analysis.bench.bath import BOIL_K, ICE_K, REPEAT_K, UNIFORM_K
from analysis.bench.corrections import make_corrections, unsuitable
from analysis.pipeline import analyze
from analysis.result import document
from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.sensors.corrections import corrections_text
from tests.support.bench import answered, dipped, write_bench

TIME = np.arange(0.0, 300.0, 1.0)
POINTS = ("outlet", "ambient", "coolant_in")
THERMOCOUPLE = 'sensor = "thermocouple"\nunit = "degC"'
LIMIT_K = 2.5 + 0.7
"""Class 2 of IEC 60584-1 at 0 °C with the cold junction's ±0.7 K (common practice, no source)."""


def ice(folder: Path, offsets: list[float], seed: int = 0, **more: str) -> Path:
    rng = np.random.default_rng(seed)
    columns = {
        point: dipped(rng, offset, TIME) for point, offset in zip(POINTS, offsets, strict=True)
    }
    text = 'part = "sensors"\nreference = "ice"'
    return write_bench(folder, text, columns, time=TIME, channels=THERMOCOUPLE, **more)


def boiling(folder: Path, readings: list[float], seed: int = 1) -> Path:
    rng = np.random.default_rng(seed)
    columns = {point: dipped(rng, at, TIME) for point, at in zip(POINTS, readings, strict=True)}
    text = 'part = "sensors"\nreference = "boiling"'
    run = 'barometer = "100 kPa"'
    return write_bench(folder, text, columns, time=TIME, channels=THERMOCOUPLE, run=run)


def test_offsets_and_verdict(tmp_path: Path) -> None:
    found = answered(ice(tmp_path / "ice", [0.6, -0.4, 6.0]))
    offsets = {name: each.measurement.known() for name, each in found.judged.items()}
    # the ice point is 0 °C: what a sensor reads in it is its offset
    assert offsets == {
        "sensor_offset.outlet": pytest.approx(0.6, abs=0.05),
        "sensor_offset.ambient": pytest.approx(-0.4, abs=0.05),
        "sensor_offset.coolant_in": pytest.approx(6.0, abs=0.05),
    }
    verdicts = [each.verdict for each in found.judged.values()]
    assert verdicts == ["pass", "pass", "fail"]
    assert found.verdict == "fail"
    assert found.judged["sensor_offset.outlet"].limit is not None
    assert found.judged["sensor_offset.outlet"].limit.high == pytest.approx(LIMIT_K, rel=0.01)
    assert document(found)["figures"]["sensor_offset.outlet"]["unit"] == "K"
    assert document(found)["causes"] == []


def test_boiling_water_at_the_barometer(tmp_path: Path) -> None:
    found = answered(boiling(tmp_path / "run", [99.6059, 100.6059, 99.6059]))
    # IAPWS R7-97(2012), Table 36: 372.755919 K at 0.1 MPa
    expected = {"outlet": 0.0, "ambient": 1.0, "coolant_in": 0.0}
    for point, offset in expected.items():
        got = found.judged[f"sensor_offset.{point}"].measurement
        assert got.known() == pytest.approx(offset, abs=0.05)


def test_boiling_without_a_barometer_is_not_measured(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    text = 'part = "sensors"\nreference = "boiling"'
    folder = write_bench(
        tmp_path / "run",
        text,
        {"outlet": dipped(rng, 99.0, TIME)},
        time=TIME,
        channels="unit='degC'",
    )
    found = answered(folder)
    assert found.verdict == "not measured"
    assert "barometer" in (found.reason or "")


def test_a_sensor_that_never_rests_is_not_measured(tmp_path: Path) -> None:
    drifting = 0.02 * TIME
    folder = write_bench(
        tmp_path / "run",
        'part = "sensors"\nreference = "ice"',
        {"outlet": drifting},
        time=TIME,
        channels="unit='degC'",
    )
    assert answered(folder).verdict == "not measured"


def test_coverage_in_ice(tmp_path: Path) -> None:
    """Simulated sets: the budget's own parts drawn as it states them (JCGM 101)."""
    rng = np.random.default_rng(7)
    inside = []
    for number in range(100):
        offsets = rng.uniform(-2.5, 2.5, 3)
        bath = rng.uniform(-ICE_K, ICE_K)
        places = rng.uniform(-1.0, 1.0, 3) * UNIFORM_K["ice"] + rng.uniform(-1.0, 1.0, 3) * REPEAT_K
        found = answered(
            ice(tmp_path / f"{number}", (offsets + bath + places).tolist(), seed=number)
        )
        for point, truth in zip(POINTS, offsets, strict=True):
            got = found.judged[f"sensor_offset.{point}"].measurement
            inside.append(abs(got.known() - truth) <= 2.0 * (got.u or 0.0))
    assert 0.90 <= float(np.mean(inside)) <= 0.99


def test_comparison_covers(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    inside = []
    for number in range(40):
        offsets = rng.uniform(-2.5, 2.5, 3) + rng.uniform(-0.7, 0.7)
        places = rng.uniform(-1.0, 1.0, 3) * UNIFORM_K["comparison"]
        columns = {
            point: dipped(rng, 40.0 + off, TIME)
            for point, off in zip(POINTS, offsets + places, strict=True)
        }
        text = 'part = "sensors"\nreference = "comparison"'
        folder = write_bench(
            tmp_path / f"{number}", text, columns, time=TIME, channels=THERMOCOUPLE
        )
        found = answered(folder)
        for point, truth in zip(POINTS, offsets, strict=True):
            got = found.judged[f"sensor_offset.{point}"].measurement
            inside.append(abs(got.known() - truth) <= 2.0 * (got.u or 0.0))
    assert 0.90 <= float(np.mean(inside)) <= 1.0


def made_from(*folders: Path) -> str:
    return corrections_text(make_corrections([load_run(each) for each in folders]).corrections)


def car(folder: Path, corrections: str | None) -> Path:
    """A log with the sensors of the bench at 50 and 10 °C."""
    folder.mkdir()
    text = '[run]\nvehicle = "SC-014"\n[log]\nfile = "log.csv"\ntime = {column="t", unit="s"}\n'
    for point in POINTS:
        text += f'[channels.{point}]\ncolumn = "{point}"\n{THERMOCOUPLE}\n'
    if corrections is not None:
        (folder / "corrections.toml").write_text(corrections)
        text += '[sensors]\ncorrections = "corrections.toml"\n'
    (folder / "run.toml").write_text(text)
    rows = [f"{t},50.00,10.00,80.00" for t in range(120)]
    (folder / "log.csv").write_text("t,outlet,ambient,coolant_in\n" + "\n".join(rows) + "\n")
    return folder


def test_corrections_are_applied(tmp_path: Path) -> None:
    # 1 K too high in ice, 2 K too high in boiling water at 0.1 MPa
    baths = (ice(tmp_path / "ice", [1.0] * 3), boiling(tmp_path / "boil", [101.6059] * 3))
    run = load_run(car(tmp_path / "car", made_from(*baths)))
    share = (50.0 - 1.0) / (101.6059 - 1.0)
    assert run.readings["outlet_degC"][0] == pytest.approx(50.0 - 1.0 - share, abs=0.05)
    assert "corrections.toml" in run.sha256


def test_uncertainty_is_the_corrections_own(tmp_path: Path) -> None:
    baths = (ice(tmp_path / "ice", [0.0] * 3), boiling(tmp_path / "boil", [99.6059] * 3))
    sensor = load_run(car(tmp_path / "car", made_from(*baths))).sensors["outlet"]
    at = 50.0

    def u(kind: str) -> float:
        return math.hypot(
            *(e.u + e.slope * (at - e.at) for e in sensor.errors if e.name.startswith(kind))
        )

    # halfway between two baths each counts half: JCGM 100:2008, 5.1.2, of a straight line
    half = at / 99.6059
    own_ice = math.hypot(UNIFORM_K["ice"], REPEAT_K) / math.sqrt(3.0)
    own_boiling = math.hypot(UNIFORM_K["boiling"], REPEAT_K) / math.sqrt(3.0)
    expected = math.hypot((1 - half) * own_ice, half * own_boiling)
    assert u("correction of") == pytest.approx(expected, rel=0.03)
    barometer_k = 0.3 * 0.277  # ±0.3 kPa at 27.7 K/bar: slope of the steam table near 1 bar
    boil = math.hypot(BOIL_K, barometer_k) / math.sqrt(3.0)
    reference = math.hypot((1 - half) * ICE_K / math.sqrt(3.0), half * boil)
    assert u("reference") == pytest.approx(reference, rel=0.03)
    assert not any(each.name == "tolerance of outlet" for each in sensor.errors)


def test_a_rise_is_better_known_with_corrections(tmp_path: Path) -> None:
    baths = (ice(tmp_path / "ice", [0.5] * 3), boiling(tmp_path / "boil", [99.6059] * 3))
    with_them = load_run(car(tmp_path / "with", made_from(*baths)))
    without = load_run(car(tmp_path / "without", None))

    def u_of_rise(run: object) -> float:
        parts: dict[str, float] = {}
        for point, sign, at in (("outlet", 1.0, 50.0), ("ambient", -1.0, 10.0)):
            for each in run.sensors[point].errors:  # type: ignore[attr-defined]
                part = sign * (each.u + each.slope * (at - each.at))
                parts[each.name] = parts.get(each.name, 0.0) + part
        return math.hypot(*parts.values())

    # two class 2 thermocouples (IEC 60584-1): sqrt(2) * 2.5 / sqrt(3) and no common cold junction
    assert u_of_rise(without) == pytest.approx(math.sqrt(2.0) * 2.5 / math.sqrt(3.0), rel=0.02)
    assert u_of_rise(with_them) < 0.3


def test_another_sensor_is_not_corrected(tmp_path: Path) -> None:
    text = made_from(ice(tmp_path / "ice", [1.0] * 3)).replace('"outlet"\nsens', '"outlet"\nsens')
    text = text.replace('column = "outlet"', 'column = "CH9"')
    run = load_run(car(tmp_path / "car", text))
    assert run.readings["outlet_degC"][0] == 50.0
    assert [f.channel for f in run.findings if f.fault == "correction_of_another"] == ["outlet"]
    assert run.readings["ambient_degC"][0] == pytest.approx(9.0, abs=0.05)


@pytest.mark.parametrize(
    ("text", "word"),
    [("", "no correction"), ("[channels.outlet]\nsensor = 1", "outlet"), ("x = [", "TOML")],
)
def test_a_broken_file_is_a_fault(tmp_path: Path, text: str, word: str) -> None:
    with pytest.raises(UnusableRun, match=word):
        load_run(car(tmp_path / "car", text))


def test_drift_is_said(tmp_path: Path) -> None:
    runs = [
        load_run(ice(tmp_path / "old", [0.0, 0.0, 0.0])),
        load_run(ice(tmp_path / "new", [1.5, 0.0, 0.0], seed=3)),
    ]
    made = make_corrections(runs)
    assert len([each for each in made.remarks if "drifted" in each]) == 1
    assert made.corrections["outlet"].points[0].offset == pytest.approx(1.5, abs=0.05)
    assert made.corrections["outlet"].points[0].u > 0.75 / math.sqrt(3.0)


def test_corrected_readings_make_no_corrections(tmp_path: Path) -> None:
    text = made_from(ice(tmp_path / "ice", [1.0] * 3))
    run = load_run(car(tmp_path / "car", text))
    assert unsuitable(run) is not None
    assert analyze(run).verdict != "pass"


@pytest.mark.parametrize(
    ("run", "bench", "said"),
    [
        ("", "", "part"),
        ("", 'part = "sensors"', "reference"),
        ("", 'part = "teapot"', "sensors"),
        ("", 'part = "thermostat"\nstamped = "180"', "stamped"),
        ("", 'part = "sensors"\nreference = "ice"\nuniformity = "-1 K"', "uniformity"),
    ],
)
def test_mistakes_in_the_set_up(tmp_path: Path, run: str, bench: str, said: str) -> None:
    folder = write_bench(tmp_path / "run", bench, {"outlet": TIME}, time=TIME, run=run)
    with pytest.raises(UnusableRun, match=said):
        load_run(folder)
