"""steady_outlet_rise: mean of outlet less ambient, its budget and its reasons."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.run import ErrorSource, Run
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import RISE, heater_run

TIME = np.arange(-60.0, 1800.0)


def with_errors(run: Run, errors: dict[str, tuple[ErrorSource, ...]]) -> Run:
    return run.with_(
        sensors={
            point: replace(sensor, errors=errors.get(point, ()))
            for point, sensor in run.sensors.items()
        }
    )


def test_the_rise_is_found_and_its_window_said() -> None:
    rise = context_of(heater_run()).figure("steady_outlet_rise")
    assert rise.value == pytest.approx(RISE, abs=0.2)
    assert rise.unit == "K"
    assert rise.window is not None
    assert (rise.note or "").startswith("steady from ")


def test_two_u_covers_over_many_noisy_cars() -> None:
    """Correlated outlet noise and sensors off by their tolerance."""
    inside = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        off = rng.normal(0.0, 0.8, 2)
        run = heater_run(
            seed=seed,
            noise=0.3,
            tolerance=0.8,
            extra={
                "outlet": off[0] + 0.4 * np.sin(2 * np.pi * (TIME / 37.0 + rng.uniform())),
                "ambient": np.full(TIME.size, off[1]),
            },
        )
        rise = context_of(run).figure("steady_outlet_rise")
        assert rise.value is not None
        assert rise.u is not None
        inside.append(abs(rise.value - RISE) <= 2.0 * rise.u)
    assert 0.85 <= np.mean(inside) <= 1.0


def test_sensors_tolerances_do_not_average_and_a_common_error_cancels() -> None:
    common = ErrorSource("cold junction", 0.5)
    run = with_errors(
        heater_run(),
        {
            "outlet": (ErrorSource("tolerance of outlet", 1.0), common),
            "ambient": (ErrorSource("tolerance of ambient", 1.0), common),
        },
    )
    rise = context_of(run).figure("steady_outlet_rise")
    assert rise.shared["cold junction"] == pytest.approx(0.0)
    assert rise.u == pytest.approx(np.sqrt(2.0 + rise.random**2))


def test_inlet_air_stands_in_for_ambient_and_is_said() -> None:
    rise = context_of(heater_run(without=["ambient"])).figure("steady_outlet_rise")
    assert rise.value == pytest.approx(RISE - 1.0, abs=0.2)
    assert "inlet air" in (rise.note or "")


def test_recirculated_inlet_air_is_no_ambient() -> None:
    recirculating = [(-60.0, "mode", "recirculate")]
    only = heater_run(without=["ambient", "mode"], events=recirculating)
    missing = context_of(only).figure("steady_outlet_rise")
    assert missing.value is None
    assert "recirculates" in (missing.note or "")
    both = heater_run(without=["mode"], events=recirculating)
    found = context_of(both).figure("steady_outlet_rise")
    assert found.value == pytest.approx(RISE, abs=0.2)
    assert "with cabin air recirculating" in (found.note or "")


def test_without_any_air_temperature_there_is_no_rise() -> None:
    rise = context_of(heater_run(without=["ambient", "inlet_air"])).figure("steady_outlet_rise")
    assert rise.value is None
    assert rise.note == "neither ambient nor inlet air was logged with the outlet"


def test_the_reason_is_passed_on() -> None:
    rise = context_of(heater_run(events=[(0.5, "temp_lever", 60)])).figure("steady_outlet_rise")
    assert rise.value is None
    assert "hot end" in (rise.note or "")
