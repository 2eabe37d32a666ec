"""Limits from good cars."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from analysis.baseline import (
    FEWEST,
    Baseline,
    baseline_limits,
    spread_of,
    spreads,
    spreads_in,
    yielding,
)
from analysis.causes.conditions import NO_RUN
from analysis.causes.evidence import Evidence
from analysis.causes.running import Running
from analysis.figures import bad_side
from analysis.limits import Limit
from analysis.measured import Measured
from analysis.measurement import Measurement
from analysis.pipeline import measure
from analysis.statistics.tolerance import two_sided_factor
from tests.support.signals.runs import make_run, make_setup

RISES = [44.1, 46.0, 45.2, 47.3, 43.8, 45.9, 46.4, 44.7]


def kelvin(value: float | None, random: float = 0.0, **shared: float) -> Measurement:
    return Measurement(value, "K", random, shared)


def limits_of(
    name: str, values: list[Measurement], default: Limit | None = None
) -> dict[str, Limit]:
    """Limits of one figure from good cars' values."""
    cars = [{name: value} for value in values]
    return baseline_limits(spreads(cars), {name: default} if default else {}, len(cars))


def test_a_limit_only_where_it_is_bad_to_differ() -> None:
    limit = limits_of("steady_outlet_rise", [kelvin(v) for v in RISES])["steady_outlet_rise"]
    mean, sd = np.mean(RISES), np.std(RISES, ddof=1)
    assert limit.low == pytest.approx(mean - two_sided_factor(8) * sd)
    assert limit.high is None
    assert "8 good cars" in limit.basis


def test_both_ends_where_both_are_bad() -> None:
    limit = limits_of("core_effectiveness", [kelvin(v) for v in RISES])["core_effectiveness"]
    mean, sd = np.mean(RISES), np.std(RISES, ddof=1)
    assert limit.low == pytest.approx(mean - two_sided_factor(8) * sd)
    assert limit.high == pytest.approx(mean + two_sided_factor(8) * sd)


def test_the_other_side_stays_as_it_was() -> None:
    """A family's thermostats say when one opens low; that coolant may not boil holds for all."""
    default = Limit(76.5, 108.0, "default")
    limit = limits_of("coolant_plateau", [kelvin(v + 37) for v in RISES], default)[
        "coolant_plateau"
    ]
    assert limit.low is not None
    assert 77.0 < limit.low < 82.0
    assert limit.high == 108.0


def test_a_default_that_contradicts_the_family_goes() -> None:
    default = Limit(10.0, 20.0, "default")
    limit = limits_of("coolant_plateau", [kelvin(v) for v in RISES], default)["coolant_plateau"]
    assert limit.low is not None
    assert limit.low > 20.0
    assert limit.high is None


def test_never_nearer_than_harmless() -> None:
    alike = [82.0, 82.1, 82.2, 82.1, 82.0, 81.9]
    default = Limit(76.5, None, "default", harmless=3.0)
    limit = limits_of("coolant_plateau", [kelvin(v) for v in alike], default)["coolant_plateau"]
    assert limit.low == pytest.approx(np.mean(alike) - 3.0)
    assert "harmless" in limit.basis


def test_rates_are_judged_by_their_logarithm() -> None:
    """A good car leaks 3, another 6 kPa/min: the limit must not be symmetric, nor negative."""
    decays = np.exp(np.array([0.8, 1.1, 1.4, 1.2, 0.9, 1.6]))
    limit = limits_of("vacuum_decay", [kelvin(float(v)) for v in decays])["vacuum_decay"]
    logs = np.log(decays)
    assert limit.high == pytest.approx(
        float(np.exp(logs.mean() + two_sided_factor(6) * logs.std(ddof=1)))
    )


def test_the_scatter_of_measuring_is_not_the_family() -> None:
    random = np.random.default_rng(5)
    values = [float(v) for v in random.normal(82, 1.4, 30)]
    noisy = limits_of("coolant_plateau", [kelvin(v, 0.9) for v in values])["coolant_plateau"]
    quiet = limits_of("coolant_plateau", [kelvin(v) for v in values])["coolant_plateau"]
    assert noisy.low is not None
    assert quiet.low is not None
    assert noisy.low > quiet.low + 0.2


def test_no_more_than_half_the_variance_is_put_down_to_measuring() -> None:
    """A random part far above what the cars show is caution, not scatter."""
    cautious = limits_of("coolant_plateau", [kelvin(v, 50.0) for v in RISES])["coolant_plateau"]
    half = limits_of("coolant_plateau", [kelvin(v, float(np.std(RISES, ddof=1)) / 2**0.5)
                                         for v in RISES])["coolant_plateau"]  # fmt: skip
    assert cautious.low == pytest.approx(half.low)


def test_the_sensors_own_error_is_left_in() -> None:
    """One shop's sensors go from car to car; their tolerance is no scatter between cars."""
    with_tolerance = limits_of("coolant_plateau", [kelvin(v, tolerance=1.4) for v in RISES])
    assert with_tolerance == limits_of("coolant_plateau", [kelvin(v) for v in RISES])


def test_a_foreign_car_is_put_aside_and_said() -> None:
    values = [kelvin(v) for v in [*RISES, 21.0]]
    limit = limits_of("steady_outlet_rise", values)["steady_outlet_rise"]
    assert limit.low is not None
    assert limit.low > 40.0
    assert "1 more left out" in limit.basis


def test_two_that_differ_belong_to_the_family() -> None:
    """Two good cars measured in traffic among ten in the shop are the family's spread."""
    shop = [61.0, 60.4, 61.5, 60.8, 61.2, 60.6, 61.1, 60.9, 61.3, 60.7]
    limit = limits_of("vacuum_source_low", [kelvin(v) for v in [*shop, 49.0, 50.5]])[
        "vacuum_source_low"
    ]
    assert limit.low is not None
    assert limit.low < 49.0


@pytest.mark.parametrize("count", [0, 1, 3, FEWEST - 1])
def test_too_few_cars_give_no_family_limit(count: int) -> None:
    assert limits_of("steady_outlet_rise", [kelvin(v) for v in RISES[:count]]) == {}


def test_cars_that_do_not_differ_give_none() -> None:
    """A logger of whole degrees says 82 on every car: that is its step, not the family's spread."""
    assert limits_of("coolant_plateau", [kelvin(82.0)] * 7) == {}


def test_missing_and_impossible_values_do_not_count() -> None:
    values = [*RISES[:4], None, float("nan")]
    spread = spread_of("steady_outlet_rise", [kelvin(v) for v in values])
    assert spread is not None
    assert spread.n == 4


def test_no_limit_where_no_side_is_bad() -> None:
    assert bad_side("fluctuation_period") is None
    assert limits_of("fluctuation_period", [kelvin(v) for v in RISES]) == {}


def good_car(
    value: float, family: str = "Plover", heater: str = "blend-air", air: float | None = None
) -> Measured:
    """A good car of which only the outlet's rise, and the air it was driven in, are known."""
    time = np.arange(30.0)
    channels = {"outlet": np.full(30, 50.0)}
    if air is not None:
        channels["ambient"] = np.full(30, air)
    run = make_run(time, channels)
    setup = make_setup(heater)
    about = setup.run.model_copy(update={"family": family})
    run = run.with_(setup=setup.model_copy(update={"run": about}))
    return dataclasses.replace(measure(run), figures={"steady_outlet_rise": kelvin(value)})


DEFAULT = {
    "steady_outlet_rise": Limit(35.0, None, "default"),
    "coolant_drop": Limit(0.0, 22.0, "default"),
}


def test_baseline_judges_like_by_like() -> None:
    cars = [good_car(v) for v in RISES] + [good_car(20.0, "Curlew", "water-valve")] * 6
    baseline = Baseline.of(cars)
    limits = baseline.limits("Plover", "blend-air", DEFAULT)
    assert limits["steady_outlet_rise"].low is not None
    assert limits["steady_outlet_rise"].low > 38.0
    assert len(baseline.cars("Plover", "blend-air")) == 8
    assert baseline.cars("Plover", "combined") == ()


def test_default_stands_in_and_says_so() -> None:
    baseline = Baseline.of([good_car(v) for v in RISES])
    limits = baseline.limits("Plover", "blend-air", DEFAULT)
    assert (limits["coolant_drop"].low, limits["coolant_drop"].high) == (0.0, 22.0)
    assert "for want of 5 good cars" in limits["coolant_drop"].basis
    unknown = baseline.limits(None, "blend-air", DEFAULT)
    assert unknown["steady_outlet_rise"].low == 35.0
    assert "0 in the baseline" in unknown["steady_outlet_rise"].basis


COOLANT_C = 87.0
"""Of a family whose coolant was not logged: the knowledge table's usual plateau."""


def test_a_limit_follows_the_outside_air() -> None:
    """A core of one effectiveness gives a rise in proportion to coolant minus entering air.

    W. M. Kays and A. L. London, Compact Heat Exchangers: q = effectiveness * C_min * (T1 - T2)
    (from memory).
    """
    rng = np.random.default_rng(5)
    airs = [-18.0, -9.0, -2.0, 3.0, 8.0, 15.0, 21.0, 26.0]
    shares = 0.7 * (1.0 + 0.01 * rng.standard_normal(8))
    cars = [
        good_car(float(share) * (COOLANT_C - air), air=air)
        for share, air in zip(shares, airs, strict=True)
    ]
    baseline = Baseline.of(cars)
    mean, sd = shares.mean(), shares.std(ddof=1)
    for air in (-20.0, 0.0, 25.0):
        limit = baseline.limits("Plover", "blend-air", {}, Evidence({}, {}, air))[
            "steady_outlet_rise"
        ]
        assert limit.low == pytest.approx(
            (mean - two_sided_factor(8) * sd) * (COOLANT_C - air), rel=1e-6
        )
        assert f"at {air:.0f} °C outside" in limit.basis
    at_mean = baseline.limits("Plover", "blend-air", {})["steady_outlet_rise"].low
    at_their_mean = baseline.limits(
        "Plover", "blend-air", {}, Evidence({}, {}, float(np.mean(airs)))
    )
    assert at_mean == pytest.approx(at_their_mean["steady_outlet_rise"].low)


def test_hot_days_do_not_turn_a_limit_round() -> None:
    cars = [good_car(v, air=10.0) for v in RISES]
    hot = Evidence({}, {}, 95.0)
    limit = Baseline.of(cars).limits("Plover", "blend-air", {}, hot)["steady_outlet_rise"]
    assert limit.low is not None
    assert limit.low > 0.0


@pytest.mark.parametrize("idled", [True, False])
def test_a_car_that_idled_is_not_held_to_how_driven_cars_warm_up(*, idled: bool) -> None:
    """An idling engine gives half the heat or less (common practice, no source)."""
    driven = [
        dataclasses.replace(
            good_car(v), figures={"warm_up_time": Measurement(10.0 * v, "s", 5.0, {})}
        )
        for v in RISES
    ]
    default = {"warm_up_time": Limit(None, 1500.0, "default")}
    run = Evidence({}, {}, None, idled=idled)
    limit = Baseline.of(driven).limits("Plover", "blend-air", default, run)["warm_up_time"]
    assert (limit.high == 1500.0) == idled


def test_another_blower_setting_only_ever_loosens_a_limit() -> None:
    """What ducts lose falls with the air that carries it (heat balance)."""
    rng = np.random.default_rng(8)
    cars = [{"footwell_deficit": kelvin(float(rng.normal(10.0, 0.8)), 0.2)}
            for _ in range(8)]  # fmt: skip
    evidence = [Evidence({}, {}, 0.0, Running(4.0)) for _ in cars]
    found, usual = spreads_in(cars, evidence)

    def most(step: float | None) -> float:
        run = Evidence({}, {}, 0.0, Running(step))
        limit = baseline_limits(found, {}, len(cars), usual, run)["footwell_deficit"]
        assert ("loosened" in limit.basis) == (step == 2.0)
        return limit.high or 0.0

    assert most(None) == most(4.0)
    # at half the air as much heat again is lost, nearly; never less than at the usual setting
    assert 1.5 * most(4.0) < most(2.0) < 2.5 * most(4.0)
    assert most(6.0) == most(4.0)


def test_an_idling_engine_loosens_what_the_pump_moves() -> None:
    """The coolant's drop at half the flow is nearly twice (heat balance; affinity laws)."""
    rng = np.random.default_rng(9)
    cars = [{"coolant_drop": kelvin(float(rng.normal(9.0, 0.6)), 0.2)} for _ in range(8)]
    evidence = [Evidence({}, {}, 0.0, Running(rpm=1600.0)) for _ in cars]
    found, usual = spreads_in(cars, evidence)

    def most(rpm: float | None) -> float:
        run = Evidence({}, {}, 0.0, Running(rpm=rpm))
        return baseline_limits(found, {}, len(cars), usual, run)["coolant_drop"].high or 0.0

    # a sound car's drop at idle by the heat balance, flow with the pump's speed
    assert most(800.0) > 2.0 * 9.0 > most(1600.0)
    assert most(2400.0) >= most(1600.0)
    # not logged, it may have idled
    assert most(1600.0) < most(None) < most(800.0)


def test_a_default_yields_to_the_few_good_cars_of_a_family() -> None:
    """Two cars, 86 and 90 °C: the next one lies within 88 ± 2 s, s as worked out in `test_usual`.

    A default of 92 °C would fail the family's own good cars.
    """
    good = [Evidence({"coolant_plateau": (value, 0.5)}, {}, None) for value in (86.0, 90.0)]
    away = 2.0 * ((27.0 + 0.49 * 8.0) / 4.0 * 1.5) ** 0.5
    stands = Limit(92.0, 93.0, "default")
    limit = yielding("coolant_plateau", stands, good, NO_RUN)
    assert limit.low == pytest.approx(88.0 - away)
    assert limit.high == pytest.approx(88.0 + away)
    assert "moved to where the family's 2 good cars with this figure may lie" in limit.basis
    wide = Limit(50.0, 120.0, "default")
    assert yielding("coolant_plateau", wide, good, NO_RUN) is wide
    assert yielding("coolant_plateau", stands, [], NO_RUN) is stands


def test_the_few_good_cars_are_those_that_have_the_figure() -> None:
    cars = [good_car(30.0, air=0.0), good_car(31.0, air=0.0)]
    default = {"steady_outlet_rise": Limit(35.0, None, "default")}
    limits = Baseline.of(cars).limits("Plover", "blend-air", default)
    assert (limits["steady_outlet_rise"].low or 99.0) < 30.0
    assert Baseline.of(cars).limits("Curlew", "blend-air", default)[
        "steady_outlet_rise"
    ].low == pytest.approx(35.0)


@pytest.mark.parametrize("road", [16.0, None])
def test_the_road_loosens_what_good_cars_at_a_standstill_held(road: float | None) -> None:
    """Engine speed and ram air change on the road (common practice, no source)."""
    rng = np.random.default_rng(10)
    cars = [{"fluctuation_index": Measurement(float(rng.normal(0.3, 0.05)), "%", 0.02, {})}
            for _ in range(8)]  # fmt: skip
    evidence = [Evidence({}, {}, 0.0, Running(road_m_s=0.0)) for _ in cars]
    found, usual = spreads_in(cars, evidence)

    def most(road: float | None) -> float:
        run = Evidence({}, {}, 0.0, Running(road_m_s=road))
        return baseline_limits(found, {}, 8, usual, run)["fluctuation_index"].high or 0.0

    assert most(road) > 1.0 + most(0.0)
