"""The heater fitted to runs: truth by construction, and coverage over cars of two simulators."""

from __future__ import annotations

import numpy as np
import pytest
from ht.hx import NTU_from_effectiveness
from scipy.optimize import brentq

from analysis.context import Context
from analysis.heater.fit import HeaterFit, _core_ntu, fit_heater
from analysis.heater.model import DELIVERED, air_effectiveness
from analysis.measurement import Measurement
from ingest.arrays import Floats
from tests.support.contexts import context_of
from tests.support.signals.heater_cars import KnownCar, drawn_other_cars, sample_cars, without
from tests.support.signals.runs import make_run

SHARE, RATIO, LAG_S, AIR = 0.65, 0.2, 25.0, -5.0
EVENTS = [(-30.0, "temp_lever", 100.0), (0.0, "blower", 4.0), (0.0, "engine", "start")]


def lagged(values: Floats, lag: float) -> Floats:
    """First-order lag of values 1 s apart, stepped by the trapezoidal rule."""
    result = np.empty_like(values)
    result[0] = values[0]
    for i in range(1, values.size):
        mean = (values[i] + values[i - 1]) / 2.0
        result[i] = (result[i - 1] * (lag - 0.5) + mean) / (lag + 0.5)
    return result


def made(
    *,
    noise: float = 0.05,
    top: float = 85.0,
    drop_points: tuple[str, ...] = (),
    offset: float = 0.0,
) -> Context:
    """A warm-up to a plateau with a heater of `SHARE`, `RATIO` and `LAG_S`."""
    rng = np.random.default_rng(4)
    time = np.arange(0.0, 1500.0)
    coolant = np.minimum(AIR + 0.15 * time, top)
    lead = coolant - AIR
    outlet = AIR + SHARE * lagged(lead, LAG_S)
    channels = {
        "outlet": outlet + offset,
        "inlet_air": np.full(time.size, AIR),
        "coolant_in": coolant,
        "coolant_out": coolant - RATIO * (outlet - AIR),
    }
    channels = {
        point: values + noise * rng.standard_normal(time.size)
        for point, values in channels.items()
        if point not in drop_points
    }
    return context_of(make_run(time, channels, EVENTS, tolerance=0.5))


def covers(measured: Measurement, true: float) -> bool:
    """Whether ± 2u takes the truth in."""
    return abs(measured.known() - true) <= 2.0 * (measured.u or 0.0)


def test_the_numbers_of_a_made_heater_come_back() -> None:
    fit = fit_heater(made())
    assert fit.settled
    assert fit.effectiveness.known() == pytest.approx(SHARE, abs=0.003)
    assert fit.flow_ratio.known() == pytest.approx(RATIO, abs=0.003)
    assert fit.lag.known() == pytest.approx(LAG_S, abs=2.0)
    assert covers(fit.lag, LAG_S)
    assert fit.scatter.known() == pytest.approx(0.05 / 2.0, abs=0.02)
    # ducts are taken to leave 95 % of the rise
    independent = NTU_from_effectiveness(SHARE / 0.95, RATIO, subtype="crossflow")
    assert fit.core_ntu.known() == pytest.approx(independent, abs=0.02)


def test_a_run_that_never_settled_is_fitted_too() -> None:
    fit = fit_heater(made(top=500.0))
    assert not fit.settled
    assert covers(fit.effectiveness, SHARE)
    assert covers(fit.flow_ratio, RATIO)
    assert "no steady window" in (fit.effectiveness.note or "")


def test_a_sensor_that_reads_high_moves_the_value_as_its_budget_says() -> None:
    right, high = fit_heater(made(noise=0.0)), fit_heater(made(noise=0.0, offset=0.5))
    moved = high.effectiveness.known() - right.effectiveness.known()
    assert moved == pytest.approx(right.effectiveness.shared["tolerance of outlet"], rel=0.05)
    moved = high.flow_ratio.known() - right.flow_ratio.known()
    assert moved == pytest.approx(right.flow_ratio.shared["tolerance of outlet"], rel=0.05)


@pytest.mark.parametrize(
    ("gone", "what"),
    [
        (("coolant_in",), "coolant in was not logged"),
        (("outlet",), "the outlet temperature was not logged"),
        (("inlet_air",), "neither inlet air nor ambient was logged"),
    ],
)
def test_what_is_missing_is_said(gone: tuple[str, ...], what: str) -> None:
    fit = fit_heater(made(drop_points=gone))
    for measured in (fit.effectiveness, fit.flow_ratio, fit.core_ntu, fit.lag, fit.scatter):
        assert measured.value is None
        assert measured.note == what
    assert fit.curve is None


def test_without_the_return_hose_there_is_no_flow_ratio_but_an_effectiveness() -> None:
    fit = fit_heater(made(drop_points=("coolant_out",)))
    assert fit.effectiveness.known() == pytest.approx(SHARE, abs=0.003)
    assert fit.flow_ratio.note == "coolant out was not logged"
    assert fit.core_ntu.value is None


def test_the_lever_elsewhere_leaves_nothing_to_fit() -> None:
    time = np.arange(0.0, 600.0)
    channels = {point: np.full(600, 60.0) for point in ("outlet", "coolant_in", "ambient")}
    context = context_of(make_run(time, channels, [(-1.0, "temp_lever", 50.0)]))
    assert "hot end" in (fit_heater(context).effectiveness.note or "")


def test_a_return_hose_warmer_than_the_supply_is_no_flow_ratio() -> None:
    context = made()
    values = dict(context.grid.values)
    run = make_run(
        context.grid.time,
        values | {"coolant_in": values["coolant_out"], "coolant_out": values["coolant_in"]},
        EVENTS,
        tolerance=0.5,
    )
    fit = fit_heater(context_of(run))
    assert fit.flow_ratio.value is None
    assert "warmer" in (fit.flow_ratio.note or "")


def test_a_drop_within_the_sensors_errors_is_not_divided_by() -> None:
    context = made()
    values = dict(context.grid.values)
    values["coolant_out"] = values["coolant_in"] - 0.2
    run = make_run(context.grid.time, values, EVENTS, tolerance=0.5)
    assert "lost" in (fit_heater(context_of(run)).flow_ratio.note or "")


@pytest.fixture(scope="module")
def cars(tmp_path_factory: pytest.TempPathFactory) -> list[KnownCar]:
    """Good and broken cars of every family of two simulators with different physics."""
    others = drawn_other_cars(40, 11, tmp_path_factory.mktemp("others"))
    return [*sample_cars(32, 11), *others]


@pytest.fixture(scope="module")
def fits(cars: list[KnownCar]) -> list[HeaterFit]:
    """Their fits."""
    return [fit_heater(car.context) for car in cars]


@pytest.mark.parametrize("name", ["effectiveness", "flow_ratio"])
def test_two_u_covers_the_truth(cars: list[KnownCar], fits: list[HeaterFit], name: str) -> None:
    inside = []
    for car, fit in zip(cars, fits, strict=True):
        measured: Measurement = getattr(fit, name)
        if measured.value is not None and fit.settled and fit.told_for is not None:
            true: float = getattr(car, name)(fit.told_for)
            inside.append(covers(measured, true))
    assert len(inside) >= 60
    # 90 to 99 % in the long run: of about 65 cars 90 % leave 54 with probability 0.05, and all
    # may well be inside where 98 % are
    assert np.mean(inside) >= 0.83


@pytest.mark.parametrize(("name", "widest"), [("effectiveness", 0.012), ("flow_ratio", 0.025)])
def test_the_uncertainty_is_small_enough_to_tell_something(
    fits: list[HeaterFit], name: str, widest: float
) -> None:
    u = [getattr(fit, name).u for fit in fits if getattr(fit, name).value is not None]
    assert np.median(u) < widest


def test_outside_air_that_stands_in_costs_certainty(cars: list[KnownCar]) -> None:
    context = cars[0].context
    better, worse = fit_heater(context), fit_heater(without(context, "inlet_air"))
    assert "from ambient" in (worse.effectiveness.note or "")
    assert (worse.effectiveness.u or 0.0) > (better.effectiveness.u or 0.0)
    assert abs(worse.effectiveness.known() - better.effectiveness.known()) < 0.03


def test_the_fitted_curve_lies_on_the_measured_one(cars: list[KnownCar]) -> None:
    for car in cars[:12]:
        fit = fit_heater(car.context)
        assert fit.curve is not None
        left = (fit.curve.measured - fit.curve.fitted)[fit.curve.used]
        assert float(np.sqrt(np.mean(left**2))) < 2.5


@pytest.mark.parametrize(("share", "flows"), [(0.75, 0.15), (0.6, 0.4), (0.85, 0.05)])
def test_the_cores_size_carries_what_it_is_worked_out_from(share: float, flows: float) -> None:
    """JCGM 100:2008, 5.1.3, by finite changes: the curve is solved anew with each input moved by
    its standard uncertainty; the inverse is scipy's root, not the curve's slopes turned over."""
    delivered, u_delivered = DELIVERED

    def size(share: float, flows: float, delivered: float) -> float:
        def missed(ntu: float) -> float:
            return float(air_effectiveness(np.array(ntu), np.array(flows))) - share / delivered

        return float(brentq(missed, 1e-3, 50.0))

    u_share, u_flows = 0.004, 0.01
    value = size(share, flows, delivered)
    moved = (
        size(share + u_share, flows, delivered) - size(share - u_share, flows, delivered),
        size(share, flows + u_flows, delivered) - size(share, flows - u_flows, delivered),
        size(share, flows, delivered + u_delivered) - size(share, flows, delivered - u_delivered),
    )
    found = _core_ntu(Measurement(share, "–", u_share), Measurement(flows, "–", u_flows))
    assert found.known() == pytest.approx(value, rel=1e-3)
    assert found.u == pytest.approx(float(np.hypot.reduce(np.array(moved))) / 2.0, rel=0.05)
    alone = _core_ntu(Measurement(share, "–"), Measurement(flows, "–", u_flows))
    both = np.hypot(moved[1], moved[2]) / 2.0
    assert alone.u == pytest.approx(float(both), rel=0.05)
    # what both share adds with its sign (5.2.2): both inputs moved at once
    shared = _core_ntu(
        Measurement(share, "–", 0.0, {"meter": u_share}),
        Measurement(flows, "–", 0.0, {"meter": u_flows}),
    ).shared["meter"]
    more, less = (
        size(share + sign * u_share, flows + sign * u_flows, delivered) for sign in (1.0, -1.0)
    )
    assert shared == pytest.approx((more - less) / 2.0, rel=0.05)
