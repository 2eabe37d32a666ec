"""Cool thermostat, starved core and cold leak with one outlet temperature, in two simulators."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis.heater.fit import HeaterFit, fit_heater
from analysis.heater.split import (
    Split,
    UsualHeater,
    core_flow_share,
    leak_share,
    split,
    usual_heater,
)
from analysis.measurement import Measurement
from sample_logs.simulator.car import Car as SampleCar
from sample_logs.simulator.families import draw_car as draw_sample_car
from sample_logs.simulator.settled import Conditions as SampleConditions
from sample_logs.simulator.settled import settled_outlet
from tests.other_cars.cars import Car as OtherCar
from tests.other_cars.cars import draw_car as draw_other_car
from tests.other_cars.settled import Conditions as OtherConditions
from tests.other_cars.settled import actuator_for, settled_heater
from tests.support.signals.heater_cars import KnownCar, other_cars, sample_car

LESS_K = 13.0
"""How much the outlet is short of the same car with nothing wrong."""

PARTS = ("missing_coolant", "missing_flow", "missing_leak")
FAULTS = {"thermostat": "missing_coolant", "starved": "missing_flow", "leak": "missing_leak"}


def bisect(shortfall: Callable[[float], float], low: float, high: float) -> float:
    """The size between two at which the outlet is `LESS_K` short; it grows from low to high."""
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (middle, high) if shortfall(middle) < LESS_K else (low, middle)
    return middle


def sample_faults() -> dict[str, tuple[SampleCar, float, float]]:
    """The same car of `sample_logs.simulator` broken three ways; true flow and leak."""
    car = draw_sample_car("Plover", "SC-900", 7)
    at = SampleConditions(
        coolant=88.0, inlet_air=-3.0, ambient=-4.0, cabin=20.0, speed=0.0, air=95.0,
        full_flow=car.loop.flow * 0.8, leak=car.mixing.case_leak, floor=0.8, drawn=1.0,
    )  # fmt: skip

    def outlet(**change: float) -> float:
        return float(settled_outlet(car, np.ones(1), replace(at, **change))[0])

    good = outlet()
    cooler = bisect(lambda x: good - outlet(coolant=at.coolant - x), 0.0, 60.0)
    starved = bisect(lambda x: good - outlet(full_flow=at.full_flow * math.exp(-x)), 0.0, 4.0)
    leak = bisect(lambda x: good - outlet(leak=at.leak + x), 0.0, 0.8)
    thermostat = replace(car.thermostat, opens=car.thermostat.opens - cooler)
    loop = replace(car.loop, flow_factor=math.exp(-starved))
    mixing = replace(car.mixing, case_leak=car.mixing.case_leak + leak)
    return {
        "thermostat": (replace(car, thermostat=thermostat), 1.0, 0.0),
        "starved": (replace(car, loop=loop), math.exp(-starved), 0.0),
        "leak": (replace(car, mixing=mixing), 1.0, leak / (1.0 - at.leak)),
    }


def other_faults() -> dict[str, tuple[OtherCar, float, float]]:
    """The same car of `tests.other_cars` broken three ways; true flow and leak."""
    # a blend door without a cable's or a valve's own variety, on a day like any other
    car = draw_other_car(np.random.default_rng(5), "Dunlin").but(ambient=-4.0, ambient_drift=0.0)
    car = car.but(start_temperature=-4.0)

    def outlet(broken: OtherCar, engine: float = 88.0) -> float:
        n = [np.array(x) for x in (engine, -3.0, -4.0, 1200.0, 5.0, 4.0, 100.0, 60.0)]
        return float(
            settled_heater(broken, actuator_for(car, np.array(99.0)), OtherConditions(*n))[0]
        )

    good = outlet(car)
    cooler = bisect(lambda x: good - outlet(car, 88.0 - x), 0.0, 60.0)
    starved = bisect(
        lambda x: good - outlet(car.but(heater_flow=car.heater_flow * math.exp(-x))), 0.0, 4.0
    )
    leak = bisect(lambda x: good - outlet(car.but(bypass=car.bypass + x)), 0.0, 0.6)
    flow = math.exp(-starved)
    return {
        "thermostat": (car.but(thermostat_opens=car.thermostat_opens - cooler), 1.0, 0.0),
        "starved": (car.but(heater_flow=car.heater_flow * flow), flow, 0.0),
        "leak": (car.but(bypass=car.bypass + leak), 1.0, leak / (1.0 - car.bypass)),
    }


Broken = dict[str, tuple[KnownCar, HeaterFit, float, float]]


@pytest.fixture(scope="module", params=["sample", "other"])
def family(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[UsualHeater, Broken]:
    """Good cars of a family, and one car of it broken three ways."""
    broken: Broken = {}
    if request.param == "sample":
        good = [sample_car(draw_sample_car("Plover", "SC-900", i), i) for i in range(20, 28)]
        for name, (car, flow, leak) in sample_faults().items():
            known = sample_car(car, 3)
            broken[name] = known, fit_heater(known.context), flow, leak
    else:
        rng = np.random.default_rng(8)
        faults = other_faults()
        cars = [
            *(draw_other_car(rng, "Dunlin") for _ in range(8)),
            *(f[0] for f in faults.values()),
        ]
        known_cars = other_cars(cars, 21, tmp_path_factory.mktemp("split"))
        good = known_cars[:8]
        for (name, (_, flow, leak)), known in zip(faults.items(), known_cars[8:], strict=True):
            broken[name] = known, fit_heater(known.context), flow, leak
    usual = usual_heater([fit_heater(car.context) for car in good])
    assert usual is not None
    return usual, broken


def test_the_three_outlets_are_alike(family: tuple[UsualHeater, Broken]) -> None:
    rises = []
    for known, _, _, _ in family[1].values():
        rise = known.context.figure("steady_outlet_rise")
        rises.append(rise.known())
    # speed, engine speed and thermostat differ a little from what the faults were sized for
    assert np.ptp(rises) < 5.0


@pytest.mark.parametrize("fault", list(FAULTS))
def test_the_part_that_is_missing_is_the_broken_one(
    family: tuple[UsualHeater, Broken], fault: str
) -> None:
    usual, broken = family
    found = split(broken[fault][1], usual)
    parts = {name: getattr(found, name) for name in PARTS}
    assert max(parts, key=lambda name: parts[name].known()) == FAULTS[fault]
    lead = parts.pop(FAULTS[fault])
    assert lead.known() > 2.0 * lead.u
    assert all(lead.known() > 2.0 * each.known() for each in parts.values())
    assert all(abs(each.known()) < 3.0 * each.u for each in parts.values())


@pytest.mark.parametrize("fault", list(FAULTS))
def test_flow_and_leak_are_covered(family: tuple[UsualHeater, Broken], fault: str) -> None:
    usual, broken = family
    _, fit, flow, leak = broken[fault]
    for measured, true in ((core_flow_share(fit, usual), flow), (leak_share(fit, usual), leak)):
        assert abs(measured.known() - true) < 2.5 * (measured.u or 0.0)


def fit_with(share: float, ratio: float, revs: float | None = None) -> HeaterFit:
    """A fit with given numbers and good sensors."""
    number = Measurement(share, "–", 0.005), Measurement(ratio, "–", 0.01)
    coolant, air = Measurement(85.0, "degC", 0.5), Measurement(0.0, "degC", 0.5)
    none = Measurement.missing("–", "not asked for")
    return HeaterFit(*number, none, none, none, coolant, air, revs, (0.0, 100.0), True)


def test_one_good_car_stands_with_an_assumed_spread() -> None:
    one = usual_heater([fit_with(0.65, 0.2)])
    many = usual_heater([fit_with(0.65, 0.2)] * 12)
    assert one is not None
    assert many is not None
    assert one.cars == 1
    assert (one.effectiveness.u or 0.0) > 0.65 * 0.05
    assert (many.effectiveness.u or 0.0) < 0.5 * (one.effectiveness.u or 0.0)


def test_no_good_car_is_no_family() -> None:
    without = replace(fit_with(0.65, 0.2), flow_ratio=Measurement.missing("–", "coolant out"))
    assert usual_heater([]) is None
    assert usual_heater([without]) is None


def test_a_slower_pump_is_not_taken_for_a_starved_core() -> None:
    usual = usual_heater([fit_with(0.65, 0.2, 2000.0)] * 5)
    assert usual is not None
    idling = core_flow_share(fit_with(0.62, 0.2 * 2.0**0.8, 1000.0), usual)
    assert idling.known() == pytest.approx(1.0, abs=0.02)
    same_speed = core_flow_share(fit_with(0.62, 0.2 * 2.0**0.8, 2000.0), usual)
    assert same_speed.known() == pytest.approx(2.0**-0.8, abs=0.02)
    assert (idling.u or 0.0) > (same_speed.u or 0.0)


def test_without_the_return_hose_only_the_coolant_is_judged() -> None:
    usual = usual_heater([fit_with(0.65, 0.2)] * 5)
    assert usual is not None
    why = Measurement.missing("–", "coolant out was not logged")
    found: Split = split(replace(fit_with(0.5, 0.2), flow_ratio=why), usual)
    assert found.leak_share.value is None
    assert found.leak_share.note == "coolant out was not logged"
    assert found.missing_leak.value is None
    assert found.missing_coolant.known() == pytest.approx(0.0)


def test_an_outlet_no_heater_gives_is_not_explained() -> None:
    usual = usual_heater([fit_with(0.65, 0.2)] * 5)
    assert usual is not None
    assert split(fit_with(1.4, 0.2), usual).leak_share.value is None
