"""What is usual for a family, worked by hand from the table's numbers.

The rule: a spread of few cars is pooled with a prior worth three cars (scaled inverse chi-square)
and widened by ``sqrt(1 + 1/n)`` for the next car (predictive distribution of a normal mean; A.
Gelman et al., Bayesian Data Analysis, from memory). Numbers of the coolant's plateau in
`knowledge.toml`: usual 87 °C, spread 5 K, floor 1.5 K, so that the prior is 2 * 1.5 = 3 K.
"""

from __future__ import annotations

import math
import tomllib
from importlib.resources import files

import numpy as np
import pytest
from ht.hx import effectiveness_from_NTU

from analysis.causes.evidence import Evidence, Usual, compare, usual_value, value_at
from analysis.causes.knowledge import knowledge
from analysis.causes.running import Running

NAME = "coolant_plateau"


def family(*values: float) -> Usual:
    return Usual.of([Evidence({NAME: (value, 0.5)}, {}, 5.0) for value in values])


def test_without_good_cars_the_table_s_own() -> None:
    assert (family().center[NAME], family().spread[NAME]) == (87.0, 5.0)
    assert family().count[NAME] == 0
    # relative figures: 12 % of 0.70
    assert family().spread["core_effectiveness"] == pytest.approx(0.084)


@pytest.mark.parametrize(
    ("values", "center", "spread"),
    [
        # the prior alone, 3 K, widened by sqrt 2
        ((90.0,), 90.0, math.sqrt(9.0 * 2.0)),
        # s = sqrt 8, of which 0.7 count: (3 * 9 + 1 * 0.49 * 8) / 4, widened by 3/2
        ((86.0, 90.0), 88.0, math.sqrt((27.0 + 0.49 * 8.0) / 4.0 * 1.5)),
        # from three on the median: one odd car moves the spread, not the center
        ((86.0, 87.0, 97.0), 87.0, math.sqrt((27.0 + 2.0 * 0.49 * 37.0) / 5.0 * 4.0 / 3.0)),
        # from five on the median of deviations, 3 K * 1.4826, here more than 0.7 s
        ((83.0, 85.0, 88.0, 91.0, 92.0), 88.0,
         math.sqrt((27.0 + 4.0 * (3.0 * 1.4826) ** 2) / 7.0 * 1.2)),
    ],
)  # fmt: skip
def test_a_few_good_cars(values: tuple[float, ...], center: float, spread: float) -> None:
    found = family(*values)
    assert found.center[NAME] == center
    assert found.spread[NAME] == pytest.approx(spread, rel=1e-6)
    assert found.count[NAME] == len(values)
    assert found.plateau_degC == center


def test_what_nobody_knows_of_a_family_counts_once_for_both_figures_of_its_thermostat() -> None:
    """Two readings with one error in common weigh as one: each at twice its variance (JCGM 100)."""
    both = Evidence({NAME: (77.0, 0.0), "thermostat_opening": (74.0, 0.0)}, {}, 5.0)
    alone = Evidence({NAME: (77.0, 0.0)}, {}, 5.0)
    table = Usual.of(())
    for_both, for_one = compare(both, table, NAME), compare(alone, table, NAME)
    assert for_both is not None
    assert for_one is not None
    assert for_both[1] == pytest.approx(math.sqrt(2.0) * for_one[1])
    # good cars show what is usual, and the two are no longer unknown together
    known = Usual.of([both, both])
    assert compare(both, known, NAME) == compare(alone, known, NAME)


def test_many_cars_alike_are_never_closer_than_the_floor() -> None:
    found = family(*[88.0] * 100)
    assert found.spread[NAME] == pytest.approx(1.5 * math.sqrt(1.01))


def test_how_often_good_cars_show_a_sign() -> None:
    """The table's number counts as twenty cars; a car that cannot tell counts as none."""
    seen = [True] * 3 + [False] * 3 + [None] * 5
    cars = [Evidence({}, {"vacuum_sags": each}, 5.0) for each in seen]
    # 0.04 of twenty cars and three of six
    assert Usual.of(cars).signs["vacuum_sags"] == pytest.approx((0.8 + 3.0) / 26.0)
    assert Usual.of([]).signs["vacuum_sags"] == pytest.approx(0.04)
    often = [Evidence({}, {"vacuum_sags": True}, 5.0)] * 900
    assert Usual.of(often).signs["vacuum_sags"] == 0.9


@pytest.mark.parametrize(
    ("name", "value", "u"),
    [
        (NAME, 80.0, 0.5),  # absolute
        ("core_effectiveness", 0.6, 0.02),  # relative
        ("steady_outlet_rise", 70.0, 0.8),  # relative, and grows with coolant less outside air
        ("fluctuation_index", 3.0, 0.4),  # counted in logarithms
        ("vacuum_decay", 6.0, 0.5),
    ],
)
@pytest.mark.parametrize("air", [-20.0, 5.0, None])
def test_there_and_back(name: str, value: float, u: float, air: float | None) -> None:
    usual = family(84.0)
    compared = compare(Evidence({name: (value, u)}, {}, air), usual, name)
    assert compared is not None
    away, sd = compared
    back = float(value_at(usual, name, np.array([away]), air)[0])
    assert back == pytest.approx(value)
    # the usual figure lies nowhere from usual
    center, spread = usual_value(usual, name, air)
    level = compare(Evidence({name: (center, 0.0)}, {}, air), usual, name)
    assert level is not None
    assert level[0] == pytest.approx(0.0, abs=1e-9)
    # JCGM 100: a small change of the figure, as its uncertainty is one
    step = 1e-4 * value
    moved = compare(Evidence({name: (value + step, u)}, {}, air), usual, name)
    sharp = compare(Evidence({name: (value, 0.0)}, {}, air), usual, name)
    assert moved is not None
    assert sharp is not None
    slope = (moved[0] - away) / step
    assert sd == pytest.approx(math.hypot(slope * u, sharp[1]), rel=1e-3)
    around = value_at(usual, name, np.array([-1e-4, 1e-4]), air)
    assert spread == pytest.approx(float(np.diff(around)[0]) / 2e-4 * level[1], rel=1e-3)


NTU = 1.4
"""Of a heater core at its usual air (common practice, no source)."""

COOLANT = 0.15
"""Heat capacity of the air's flow over that of the coolant's, at the usual air (the same)."""


def effectiveness(airflow: float) -> float:
    """Of a cross-flow core by the reference library `ht`, the air being the lesser stream.

    The conductance of a core that the air limits goes with about the root of the air's flow.
    """
    units = NTU * airflow**0.5 / airflow
    return float(effectiveness_from_NTU(units, COOLANT * airflow, subtype="crossflow"))


@pytest.mark.parametrize("airflow", [0.6, 0.75, 1.0, 1.3, 1.6])
def test_a_sound_core_at_another_blower_setting_looks_usual(airflow: float) -> None:
    """Effectiveness and the coolant's drop by heat balance, against the table's powers."""
    at = {"core_effectiveness": effectiveness(airflow)}
    # C_coolant * drop = C_air * rise
    at["flow_ratio"] = COOLANT * airflow
    good = [
        Evidence({"core_effectiveness": (effectiveness(1.0), 0.01), "flow_ratio": (COOLANT, 0.01)},
                 {}, 5.0, Running(4.0, 12.0))
        for _ in range(6)
    ]  # fmt: skip
    family = Usual.of(good)
    for name, value in at.items():
        mine = Evidence({name: (value, 0.005)}, {}, 5.0, Running(4.0 * airflow, None))
        compared = compare(mine, family, name)
        assert compared is not None
        assert abs(compared[0]) < 0.5 * compared[1], name
        plain = compare(Evidence({name: (value, 0.005)}, {}, 5.0), family, name)
        assert plain is not None
        assert abs(plain[0]) >= abs(compared[0])
        # and it is less sure of itself the further it was brought
        assert compared[1] > plain[1] or airflow == 1.0


def test_settings_are_compared_by_their_steps_and_else_by_their_voltage() -> None:
    """A low voltage at the same step is a fault of the blower, not a setting."""
    usual = Running(4.0, 12.0)
    assert Running(4.0, 6.0).air(usual) == 1.0
    assert Running(2.0, 12.0).air(usual) == 0.5
    assert Running(None, 6.0).air(usual) == 0.5
    assert Running().air(usual) == 1.0
    assert usual.air(Running()) == 1.0
    several = [Running(3.0, None, 800.0, 0.0), Running(4.0, 12.0, None, 9.0), Running()]
    assert Running.mean(several) == Running(3.5, 12.0, 800.0, 4.5)


def core(flow: float) -> dict[str, tuple[float, float]]:
    """Figures of a sound core at so much of the usual coolant flow, by the reference library `ht`.

    What the coolant's side resists is small in a core that the air limits, and is left out.
    """
    share = COOLANT / flow
    reached = float(effectiveness_from_NTU(NTU, share, subtype="crossflow"))
    # C_coolant * drop = C_air * rise
    return {
        "core_effectiveness": (reached, 0.01),
        "coolant_drop": (60.0 * share * reached, 0.5),
        "flow_ratio": (share, 0.01),
    }


@pytest.mark.parametrize("rpm", [700.0, 1000.0, 2500.0])
@pytest.mark.parametrize("power", [0.5, 1.0])
def test_a_sound_core_at_another_engine_speed_looks_usual(rpm: float, power: float) -> None:
    """A pump on the crankshaft: flow with its speed (affinity laws), or less where it saturates."""
    driven = Running(4.0, None, 1600.0)
    family = Usual.of([Evidence(core(1.0), {}, None, driven) for _ in range(6)])
    for name, found in core((rpm / 1600.0) ** power).items():
        mine = compare(Evidence({name: found}, {}, None, Running(4.0, None, rpm)), family, name)
        plain = compare(Evidence({name: found}, {}, None, driven), family, name)
        assert mine is not None
        assert plain is not None
        assert abs(mine[0]) < 1.5 * mine[1], name
        # what idling does to the drop is not taken for a starved core
        if name != "core_effectiveness" and rpm < 1000.0 and power == 1.0:
            assert plain[0] > 3.0 * plain[1], name


def test_an_engine_speed_that_was_not_logged_leaves_the_drop_less_sure() -> None:
    scale = knowledge().figures["flow_ratio"]
    driven = Running(4.0, None, 1600.0)
    assert Running(4.0).times(driven, scale) == 1.0
    assert driven.unsure(driven, scale) == 0.0
    # a third of the speed to the whole of it, about its middle: e to the 0.4 either way
    assert Running(4.0).unsure(driven, scale) == pytest.approx(0.4 * 0.8)


def test_a_car_that_idled_shows_no_overrun() -> None:
    """The best vacuum is had with the throttle shut on the road (common practice, no source)."""
    name = "vacuum_best"
    family = Usual.of([Evidence({name: (66.0, 0.6)}, {}, None) for _ in range(6)])
    alike, idled = (
        compare(Evidence({name: (60.0, 0.6)}, {}, None, idled=each), family, name)
        for each in (False, True)
    )
    assert alike is not None
    assert idled is not None
    assert abs(idled[0]) < 1.0 * idled[1]
    assert abs(alike[0]) > 1.5 * alike[1]


@pytest.mark.parametrize(("speed", "more"), [(0.0, 0.0), (20.0, 1.2)])
def test_road_speed_apart_from_the_good_cars_leaves_the_footwell_less_sure(
    speed: float, more: float
) -> None:
    scale = knowledge().figures["footwell_deficit"]
    assert Running(road_m_s=speed).apart(Running(road_m_s=0.0), scale) == pytest.approx(more)
    # not logged, it may have been anything from standing to the highway
    assert Running().apart(Running(road_m_s=0.0), scale) == pytest.approx(0.6)
    assert Running(road_m_s=speed).apart(Running(), scale) == 0.0


def test_what_is_not_stated_of_a_figure_adds_nothing_to_it() -> None:
    """Neither air nor pump, neither road speed nor idling moves a figure of which the file says
    nothing; every number that it does state is the one that counts."""
    stated = tomllib.loads(
        files("analysis.causes").joinpath("knowledge.toml").read_text(encoding="utf-8")
    )["figures"]
    for name, row in knowledge().figures.items():
        for word in ("offset", "airflow", "pump", "road_u", "uneven_u", "idle_u"):
            assert getattr(row, word) == stated[name].get(word, 0.0), (name, word)


def test_town_traffic_leaves_the_fluctuation_less_sure() -> None:
    """0.3 % for each m/s that road speed scatters by otherwise than in the good cars' tests."""
    scale = knowledge().figures["fluctuation_index"]
    good = Running(road_m_s=10.0, uneven_m_s=2.0)
    assert Running(road_m_s=10.0, uneven_m_s=6.0).apart(good, scale) == pytest.approx(1.2)
    assert Running(road_m_s=10.0, uneven_m_s=2.0).apart(good, scale) == 0.0
    # not logged: 10 m/s apart and the scatter of a town
    assert Running().apart(good, scale) == pytest.approx(math.hypot(1.0, 0.9))


def test_a_colder_car_takes_longer_to_warm() -> None:
    """Heat needed goes with the kelvins from the outside air to the thermostat (heat balance)."""
    cars = [Evidence({"warm_up_time": (400.0, 5.0), NAME: (87.0, 0.5)}, {}, 7.0) for _ in range(6)]
    usual = Usual.of(cars)
    cold = Evidence({"warm_up_time": (500.0, 5.0), NAME: (87.0, 0.5)}, {}, -13.0)
    found = compare(cold, usual, "warm_up_time")
    assert found is not None
    assert found[0] == pytest.approx(0.0, abs=1e-3)  # 400 s times (87 + 13) / (87 - 7)


def test_the_last_of_a_water_valve_s_travel_does_little_in_a_sound_heater() -> None:
    """A core saturates with the flow (effectiveness by ht): what is left of the travel of an
    equal-percentage valve (rangeability 30, from memory) and of a linear one bounds the usual."""
    flows = np.linspace(0.2, 1.0, 801)
    share = [effectiveness_from_NTU(1.4, Cr=min(0.16 / flow, 1.0), subtype="counterflow")
             for flow in flows]  # fmt: skip
    enough = float(flows[np.argmax(np.array(share) >= 0.975 * share[-1])])
    linear = 100.0 * (1.0 - enough)
    equal_percentage = 100.0 * math.log(1.0 / enough) / math.log(30.0)
    usual, spread = knowledge().figures["dead_travel_hot"].common("water-valve")
    assert equal_percentage < usual < linear
    assert 2.0 * spread > (linear - equal_percentage) / 2.0
    assert Usual.of((), "water-valve").center["dead_travel_hot"] == usual
    assert Usual.of(()).center["dead_travel_hot"] < equal_percentage
