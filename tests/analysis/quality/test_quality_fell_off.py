"""A sensor out of the air stream is found; crossed hoses and dead heaters are not accused."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.quality import assess
from ingest.run import Run
from tests.support.signals.runs import make_run

TIME = np.arange(-60.0, 1500.0)
WARM = 1.0 - np.exp(-np.maximum(TIME, 0.0) / 300.0)
AMBIENT = np.full(TIME.size, -5.0)
COOLANT = -5.0 + 90.0 * WARM
OUTLET = -5.0 + 65.0 * WARM
FOOTWELL = -5.0 + 52.0 * WARM
CABIN = -5.0 + 30.0 * (1.0 - np.exp(-np.maximum(TIME, 0.0) / 600.0))
EVENTS = [(-60.0, "temp_lever", 100.0), (-60.0, "blower", 3.0), (-60.0, "mode", "floor")]


def run_with(outlet: np.ndarray, **changes: np.ndarray) -> Run:
    channels = {
        "outlet": outlet,
        "footwell": FOOTWELL,
        "cabin": CABIN,
        "coolant_in": COOLANT,
        "ambient": AMBIENT,
    } | changes
    rng = np.random.default_rng(4)
    noisy = {point: value + rng.normal(0.0, 0.1, TIME.size) for point, value in channels.items()}
    return make_run(TIME, noisy, EVENTS, tolerance=0.8)


def found(run: Run) -> bool:
    return any(finding.fault == "fell_off" for finding in assess(run).findings)


def test_a_sensor_in_the_cabin_air_is_found() -> None:
    run = assess(run_with(CABIN + 1.0))
    assert any(finding.fault == "fell_off" for finding in run.findings)
    assert not run.has("outlet")


def test_a_sensor_that_falls_off_later_loses_only_what_follows() -> None:
    outlet = np.where(TIME < 700.0, OUTLET, CABIN)
    run = assess(run_with(outlet))
    time, _ = run.series("outlet")
    assert time[-1] == pytest.approx(700.0, abs=30.0)


def test_a_good_heater_is_not_accused() -> None:
    assert not found(run_with(OUTLET))


def test_a_dead_heater_is_not_accused() -> None:
    """Neither footwell nor cabin warm where the outlet stays cold."""
    cold = AMBIENT + 2.0 * WARM
    assert not found(run_with(cold, footwell=cold, cabin=cold))


def test_heat_sent_to_the_windshield_is_not_a_fallen_sensor() -> None:
    run = run_with(CABIN + 1.0)
    controls = run.controls.with_columns(
        position=run.controls["position"].replace("floor", "defrost")
    )
    assert not found(run.with_(controls=controls))


def slipped(outlet: np.ndarray, to: np.ndarray) -> np.ndarray:
    """An outlet that slips out of its duct from 700 s on, too slowly to be seen falling."""
    share = np.clip((TIME - 700.0) / 240.0, 0.0, 1.0)
    return np.asarray(outlet + share * (to - outlet))


@pytest.mark.parametrize("without", ["cabin", "footwell"])
def test_one_point_to_compare_with_is_enough_to_know_when_it_fell(without: str) -> None:
    """With footwell or cabin alone; what came before is kept."""
    low = CABIN if without == "footwell" else FOOTWELL - 20.0
    run = run_with(slipped(OUTLET, low))
    sensors = {point: each for point, each in run.sensors.items() if point != without}
    found = assess(run.with_(sensors=sensors))
    assert [each.fault for each in found.findings if each.forbids] == ["fell_off"]
    time, _ = found.series("outlet")
    assert 700.0 < time[-1] < 940.0


def test_a_cabin_as_warm_as_the_footwell_hides_no_hot_outlet() -> None:
    """The outlet was far hotter than the footwell, though hardly hotter than the cabin above it."""
    run = assess(run_with(slipped(OUTLET, FOOTWELL - 20.0), cabin=OUTLET - 10.0))
    assert [each.fault for each in run.findings if each.forbids] == ["fell_off"]
    time, _ = run.series("outlet")
    assert 700.0 < time[-1] < 940.0
