"""Vacuum switches on a simulated bench: a lever with play, a pump that sags, a gauge that lags."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from analysis.pipeline import Analysis
from ingest.arrays import Floats
from tests.support.bench import answered, write_bench

HOLD_S = 12.0
Course = Callable[[Floats], Floats]


def ramp(low: float, high: float) -> Course:
    """Nothing up to `low`, all from `high` on, a straight line between."""
    return lambda at: np.clip((at - low) / (high - low), 0.0, 1.0)


def bent(low: float, high: float) -> Course:
    """The same with a smooth start and end, 3 x^2 - 2 x^3."""
    return lambda at: (x := np.clip((at - low) / (high - low), 0.0, 1.0)) ** 2 * (3.0 - 2.0 * x)


def snap(at_pct: float) -> Course:
    return lambda at: (at >= at_pct).astype(float)


def true_span(course: Course) -> float:
    at = np.linspace(0.0, 100.0, 100_001)
    share = course(at)
    return float(at[np.argmax(share >= 0.975)] - at[np.argmax(share >= 0.025)])


def switch(
    folder: Path,
    course: Course,
    play: float,
    *,
    step: float = 5.0,
    seed: int = 0,
    supply: bool = True,
    bench: str = "",
    backwards: bool = False,
    ways: int = 2,
) -> Analysis:
    """The lever is led up and down; what it moves follows with its play (dead band)."""
    rng = np.random.default_rng(seed)
    up = np.arange(0.0, 100.0 + step / 2.0, step)
    noted = np.concatenate([up, up[-2::-1]])[: up.size if ways == 1 else None]
    set_to = np.clip(noted + rng.normal(0.0, 0.3, noted.size), 0.0, 100.0)
    arm, arms = 0.0, []
    for position in set_to:
        arm = min(max(arm, position - play / 2.0), position + play / 2.0)
        arms.append(arm)
    time = np.arange(0.0, HOLD_S * noted.size, 0.5)
    place = np.minimum((time // HOLD_S).astype(int), noted.size - 1)
    pump = 60.0 - 0.01 * time
    share = course(np.array(arms))[place]
    target = pump * (1.0 - share if backwards else share)
    output = np.empty_like(target)
    level = float(target[0])
    for at, wanted in enumerate(target):
        level += (wanted - level) * 0.4
        output[at] = level
    columns = {"vacuum_actuator": output + rng.normal(0.0, 0.1, time.size)}
    if supply:
        columns["vacuum_source"] = pump + rng.normal(0.0, 0.1, time.size)
    events = "".join(
        f"{at * HOLD_S:.1f},temp_lever,{position:g}\n" for at, position in enumerate(noted)
    )
    return answered(
        write_bench(
            folder,
            f'part = "vacuum switch"\n{bench}',
            columns,
            time=time,
            channels='sensor = "pressure"\nunit = "kPa"\nreference = "vacuum"',
            events=events,
        )
    )


@pytest.mark.parametrize("supply", [True, False])
@pytest.mark.parametrize("backwards", [True, False])
def test_span_and_play(tmp_path: Path, *, supply: bool, backwards: bool) -> None:
    course = ramp(12.0, 85.0)
    found = switch(tmp_path / "run", course, 3.0, supply=supply, backwards=backwards)
    span = found.judged["switch_span"].measurement
    assert span.known() == pytest.approx(true_span(course), abs=2.0 * (span.u or 0.0))
    play = found.judged["switch_hysteresis"].measurement
    assert play.known() == pytest.approx(3.0, abs=2.0 * (play.u or 0.0))
    assert (play.u or 9.0) < (1.0 if supply else 2.0)
    assert found.verdict == "pass"
    assert found.causes == ()


def test_worn_and_short(tmp_path: Path) -> None:
    worn = switch(tmp_path / "worn", ramp(20.0, 80.0), 15.0)
    assert worn.verdict == "fail"
    assert worn.decided_by == ("switch_hysteresis",)
    short = switch(tmp_path / "short", ramp(40.0, 60.0), 1.0, bench="least_span = 60")
    assert short.decided_by == ("switch_span",)


def test_coverage(tmp_path: Path) -> None:
    """Courses, steps and plays by chance: what a good budget covers with k = 2 (JCGM 100, G)."""
    rng = np.random.default_rng(3)
    spans, plays = [], []
    for number in range(60):
        low, high = rng.uniform(5.0, 35.0), rng.uniform(60.0, 92.0)
        course = (ramp, bent)[number % 2](low, high)
        play = rng.uniform(0.0, 8.0)
        step = float(rng.choice([5.0, 10.0]))
        found = switch(tmp_path / f"{number}", course, play, step=step, seed=number)
        for name, truth, inside in (
            ("switch_span", true_span(course), spans),
            ("switch_hysteresis", play, plays),
        ):
            got = found.judged[name].measurement
            inside.append(abs(got.known() - truth) <= 2.0 * (got.u or 0.0))
    assert 0.9 <= float(np.mean(spans)) <= 1.0
    assert 0.9 <= float(np.mean(plays)) <= 1.0


def test_one_that_snaps_is_not_accused_of_its_difference(tmp_path: Path) -> None:
    found = switch(tmp_path / "run", snap(47.0), 12.0, bench="")
    span = found.judged["switch_span"].measurement
    assert span.known() <= 2.0 * (span.u or 0.0) + 0.1
    play = found.judged["switch_hysteresis"]
    assert play.measurement.known() == pytest.approx(12.0, abs=2.0 * (play.measurement.u or 0.0))
    assert found.verdict != "fail"
    asked = switch(tmp_path / "asked", snap(47.0), 12.0, bench="most_hysteresis = 4")
    assert asked.decided_by == ("switch_hysteresis",)


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    one_way = switch(tmp_path / "one", ramp(12.0, 85.0), 3.0, ways=1)
    assert one_way.judged["switch_span"].measurement.value is not None
    assert "only one way" in (one_way.judged["switch_hysteresis"].measurement.note or "")
    assert one_way.verdict == "not measured"
    stuck = switch(tmp_path / "stuck", lambda at: 0.02 * np.ones_like(at), 3.0)
    assert stuck.verdict == "not measured"
    assert "gauge" in (stuck.reason or "")
