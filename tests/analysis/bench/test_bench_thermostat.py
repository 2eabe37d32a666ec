"""Thermostats in simulated pots: a wax that lags the water, a hand that notes late."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.pipeline import Analysis
from tests.support.bench import answered, write_bench

F160, F180 = 71.111, 82.222
"""160 and 180 °F in °C, by definition of the unit."""


def pot(
    folder: Path,
    opens: float,
    stamped: str,
    *,
    rate: float = 0.04,
    wax_s: float = 15.0,
    late_s: float = 2.0,
    error: float = 0.0,
    noise: float = 0.1,
    seed: int = 0,
    heatings: int = 1,
) -> Analysis:
    """Water that warms steadily; the valve lifts when the wax, a first-order lag, is there."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, 900.0, 1.0)
    water = opens - 12.0 + rate * time
    # the particular solution of a first-order lag behind a ramp, its start long past
    wax = water - rate * wax_s
    lifts = float(time[np.argmax(wax >= opens)]) + late_s
    full = float(time[np.argmax(wax >= opens + 9.0)]) + late_s
    events = f"{lifts:.1f},opens,1\n{full:.1f},full_open,1\n"
    reads = water + error + rng.normal(0.0, noise, time.size)
    return answered(
        write_bench(
            folder,
            f'part = "thermostat"\nstamped = "{stamped}"',
            {"water": reads},
            time=time,
            channels='sensor = "rtd"\nunit = "degC"\ntolerance = "0.5 K"\ntime_constant = 0',
            events=events,
        )
    )


def test_sound_and_too_cold(tmp_path: Path) -> None:
    sound = pot(tmp_path / "sound", F180, "180 degF")
    assert sound.verdict == "pass"
    opening = sound.judged["opening_start"].measurement
    assert opening.known() == pytest.approx(F180, abs=2.0 * (opening.u or 0.0))
    assert sound.judged["full_open"].measurement.known() == pytest.approx(F180 + 9.0, abs=1.0)
    wrong = pot(tmp_path / "wrong", F160, "180 degF")
    assert wrong.verdict == "fail"
    assert wrong.decided_by == ("opening_start",)


def test_coverage_and_told_apart(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    inside, apart, accused = [], [], 0
    for number in range(100):
        truth = (F160, F180)[number % 2] + rng.uniform(-1.5, 1.5)
        other = (F180, F160)[number % 2]
        found = pot(
            tmp_path / f"{number}",
            truth,
            ("160 degF", "180 degF")[number % 2],
            rate=rng.uniform(0.02, 0.06),
            wax_s=rng.uniform(5.0, 25.0),
            late_s=rng.uniform(-2.0, 6.0),
            error=rng.uniform(-0.5, 0.5) + rng.uniform(-0.5, 0.5),
            seed=number,
        )
        opening = found.judged["opening_start"].measurement
        u = opening.u or 0.0
        inside.append(abs(opening.known() - truth) <= 2.0 * u)
        apart.append(abs(opening.known() - other) > 2.0 * u + 3.0)
        accused += found.verdict == "fail"
    assert 0.90 <= float(np.mean(inside)) <= 0.99
    assert all(apart)
    assert accused == 0


def test_nothing_noted_is_not_measured(tmp_path: Path) -> None:
    time = np.arange(0.0, 300.0, 1.0)
    folder = write_bench(
        tmp_path / "run",
        'part = "thermostat"\nstamped = "180 degF"',
        {"water": 60.0 + 0.05 * time},
        time=time,
        channels='sensor = "rtd"\nunit = "degC"',
    )
    found = answered(folder)
    assert found.verdict == "not measured"
    assert "opens" in (found.reason or "")
