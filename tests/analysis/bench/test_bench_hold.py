"""Parts that must hold vacuum: leak-downs with their rate by construction."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.bench.outcome import bench_outcome
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


LEAK_S = 60.0
"""Half the vacuum through the leaking hose is gone in 60 ln 2 s."""


def test_the_plug_that_stops_the_loss_names_the_hose(tmp_path: Path) -> None:
    steps = ("all connected", "tank hose plugged", "switch hose plugged", "actuator hose plugged")
    time, vacuum, events = [], [], ""
    for number, step in enumerate(steps):
        at, begin = np.arange(0.0, 60.0, 0.5), 60.0 * number
        tau = 4000.0 if step.startswith("switch") else LEAK_S
        held = np.where(at < 15.0, 50.0, 50.0 * np.exp(-(at - 15.0) / tau))
        time.append(at + begin)
        vacuum.append(held)
        events += f"{begin + 5:.0f},note,{step}\n{begin + 15:.0f},vacuum_isolated,1\n"
        events += f"{begin + 58:.0f},vacuum_isolated,0\n"
    noise = np.random.default_rng(2).normal(0.0, 0.05, 4 * 120)
    found = answered(
        write_bench(
            tmp_path / "run",
            'part = "line"',
            {"vacuum_actuator": np.concatenate(vacuum) + noise},
            time=np.concatenate(time),
            channels='sensor = "pressure"\nunit = "kPa"\nreference = "vacuum"',
            events=events,
        )
    )
    assert found.verdict == "fail"
    (located,) = [each for each in found.findings if each.fault == "vacuum_leak_located"]
    assert "switch hose plugged" in located.detail
    # p = p0 exp(-t / tau): the initial rate is p0 / tau, 50 kPa/min for a minute
    decay = found.judged["hold_decay"].measurement
    assert decay.known() == pytest.approx(50.0, abs=2.0 * (decay.u or 0.0))
    assert "tank hose plugged: 5" in (decay.note or "")
    assert bench_outcome(found, "vacuum_isolation").found


def test_a_sound_line_has_no_leaking_hose(tmp_path: Path) -> None:
    sound = held(tmp_path / "run", 3000.0, "line")
    assert sound.verdict == "pass"
    assert not [each for each in sound.findings if each.fault == "vacuum_leak_located"]
