"""Parts that must hold vacuum: leak-downs with their rate by construction."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.pipeline import Analysis
from tests.support.bench import answered, write_bench


def held(folder: Path, tau_s: float, part: str = "actuator") -> Analysis:
    time = np.arange(0.0, 150.0, 0.5)
    # a leak in proportion to what is left: p = p0 exp(-t / tau), its initial rate p0 / tau
    vacuum = np.where(time < 30.0, 50.0, 50.0 * np.exp(-(time - 30.0) / tau_s))
    noise = np.random.default_rng(2).normal(0.0, 0.05, time.size)
    return answered(
        write_bench(
            folder,
            f'part = "{part}"',
            {"vacuum_actuator": vacuum + noise},
            time=time,
            channels='sensor = "pressure"\nunit = "kPa"\nreference = "vacuum"',
            events="30,vacuum_isolated,1\n150,vacuum_isolated,0\n",
        )
    )


@pytest.mark.parametrize("part", ["actuator", "check valve"])
def test_sound_and_leaking(tmp_path: Path, part: str) -> None:
    sound = held(tmp_path / "sound", 3000.0, part)
    assert sound.verdict == "pass"
    leaking = held(tmp_path / "leaking", 100.0, part)
    assert leaking.verdict == "fail"
    for found, rate in ((sound, 1.0), (leaking, 30.0)):
        decay = found.judged["hold_decay"].measurement
        assert decay.known() == pytest.approx(rate, abs=2.0 * (decay.u or 0.0))


def test_never_shut_off_is_not_measured(tmp_path: Path) -> None:
    time = np.arange(0.0, 60.0, 0.5)
    folder = write_bench(
        tmp_path / "run",
        'part = "actuator"',
        {"vacuum_actuator": np.full(time.size, 50.0)},
        time=time,
        channels='sensor = "pressure"\nunit = "kPa"\nreference = "vacuum"',
    )
    assert answered(folder).verdict == "not measured"
