"""Honesty of the lever's uncertainties: cars drawn at random, value ± 2u against the truth."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.lever.event_clock import align_events
from analysis.lever.steps.steps import response_time
from analysis.lever.study import study_lever
from analysis.measurement import Measurement
from ingest.run import Run
from tests.support.signals.lever_cars import (
    SHAPES,
    STEP_S,
    Door,
    Lags,
    Log,
    lever_run,
    response,
    sweep,
)

CARS = 120
FIGURES = ("cold", "hot", "effective", "hysteresis", "clock", "response")


def draw(seed: int) -> tuple[Run, dict[str, float]]:
    """A car, its lags, its log and what a perfect log would say."""
    rng = np.random.default_rng(seed)
    backlash = float(rng.choice([0.0, rng.uniform(0.5, 6.0)]))
    # adjusted or not: the door's travel is a little shorter than the slot's and may be shifted
    begin = backlash / 2 + float(rng.choice([rng.uniform(1.0, 6.0), rng.uniform(5.0, 30.0)]))
    end = 100.0 - backlash / 2 - float(rng.choice([rng.uniform(1.0, 6.0), rng.uniform(5.0, 30.0)]))
    door = Door(str(rng.choice(sorted(SHAPES))), begin, end, backlash)
    slow = rng.random() < 0.4
    middle = float(np.exp(rng.uniform(*np.log((10.0, 30.0) if slow else (1.2, 5.0)))))
    skew = rng.uniform(0.0, 1.2) if slow else rng.uniform(-0.2, 0.2)
    lags = Lags(
        middle * (1.0 + skew / 2),
        middle * (1.0 - skew / 2),
        float(rng.uniform(0.0, 0.12)),
        float(rng.uniform(40.0, 90.0)),
        float(rng.uniform(1.0, 4.0)),
    )
    log = Log(
        interval=float(rng.choice([0.5, 1.0, 2.0])),
        noise=0.15,
        wander=float(rng.choice([0.1, 0.4])),
        offset=float(rng.choice([0.0, rng.uniform(-15.0, 15.0)])),
        hand=float(rng.choice([0.0, 0.5])),
        drift=float(rng.normal(0.0, 0.02)),
        coolant=bool(rng.random() < 0.7),
    )
    step = float(rng.choice([5.0, 10.0, 10.0, 10.0, 12.5, 20.0]))
    dwell = float(rng.uniform(45.0, 80.0) if slow else rng.uniform(25.0, 50.0))
    moves = sweep(step, dwell)
    last = moves[-1][0]
    wait = 12.0 * lags.closed + 60.0
    moves += [(last + 60.0 + wait, 0.0), (last + 60.0 + 2.0 * wait, 100.0)]
    # a response sets in a little late: air on its way, a hand that takes a moment
    delay = float(rng.uniform(0.1, 0.5))
    late = [(when + (delay if when > 0 else 0.0), place) for when, place in moves]
    run = lever_run(
        door,
        lags,
        Log(**(vars_of(log) | {"offset": log.offset + delay})),
        late,
        seed=seed,
        rest=wait,
        heater="water-valve" if slow else "blend-air",
    )
    cold, hot = door.ends()
    times = [delay + true_response_time(door, lags, wait, opening=way) for way in (False, True)]
    truth = {
        "cold": cold,
        "hot": hot,
        "effective": 100.0 - cold - hot,
        "hysteresis": backlash,
        "clock": log.offset,
        "response": float(np.mean(times)) if step < 19.9 else np.nan,
    }
    return run, truth


def vars_of(log: Log) -> dict[str, object]:
    return {name: getattr(log, name) for name in log.__dataclass_fields__}


def true_response_time(door: Door, lags: Lags, wait: float, *, opening: bool) -> float:
    """63 % time of the outlet itself, without its sensor, thrown from end to end."""
    rest, size = round(wait / STEP_S), round(wait / STEP_S)
    ends = (0.0, 100.0) if opening else (100.0, 0.0)
    lever = np.concatenate((np.full(rest, ends[0]), np.full(size, ends[1])))
    outlet = response(door, Lags(lags.closed, lags.open, lags.late_share, lags.late, 0.0), lever)
    share = (outlet[rest:] - outlet[rest]) / (outlet[-1] - outlet[rest])
    return float(STEP_S * np.argmax(share >= 1.0 - np.exp(-1.0)))


@pytest.fixture(scope="module")
def scores() -> dict[str, list[tuple[float, float]]]:
    """Error in standard uncertainties, and the uncertainty, of every figure of every car."""
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in FIGURES}
    for seed in range(CARS):
        run, truth = draw(1000 + seed)
        aligned = align_events(run)
        study = study_lever(aligned)
        assert aligned.offset is not None
        figures: dict[str, Measurement] = {
            "cold": study.cold,
            "hot": study.hot,
            "effective": study.effective,
            "hysteresis": study.hysteresis,
            "clock": aligned.offset,
            "response": response_time(aligned, study),
        }
        for name, figure in figures.items():
            if figure.value is not None and figure.u and not np.isnan(truth[name]):
                found[name].append(((figure.value - truth[name]) / figure.u, figure.u))
    return found


@pytest.mark.parametrize("name", FIGURES)
def test_two_standard_uncertainties_cover_the_truth(scores, name):
    errors = np.array([error for error, _ in scores[name]])
    # of 120 cars of which 95 % are covered, fewer than 89 % are once in a thousand sets
    assert np.mean(np.abs(errors) <= 2.0) > 0.89
    assert np.sqrt(np.mean(errors**2)) < 1.6


@pytest.mark.parametrize("name", FIGURES)
def test_uncertainty_is_not_idle(scores, name):
    # what covers always says nothing: errors are a fair part of the uncertainty claimed
    errors = np.array([error for error, _ in scores[name]])
    assert np.sqrt(np.mean(errors**2)) > 0.35


@pytest.mark.parametrize(
    ("name", "at_most"), [("cold", 2.7), ("hot", 2.7), ("hysteresis", 1.3), ("clock", 1.2)]
)
def test_uncertainty_is_of_use(scores, name, at_most):
    assert np.median([u for _, u in scores[name]]) < at_most


@pytest.mark.parametrize("name", FIGURES)
def test_most_cars_have_the_figure(scores, name):
    assert len(scores[name]) > (0.7 if name == "response" else 0.9) * CARS
