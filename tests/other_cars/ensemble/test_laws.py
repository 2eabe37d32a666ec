"""Laws against closed forms and limiting cases; the source is named beside each check."""

from __future__ import annotations

import numpy as np
import pytest

from tests.other_cars.ensemble.laws.air import CP_AIR, DUCTS, PATHS, RAMS
from tests.other_cars.ensemble.laws.cabin import LEAKS
from tests.other_cars.ensemble.laws.core import CORES
from tests.other_cars.ensemble.laws.engine import HEATS, PUMPS
from tests.other_cars.ensemble.laws.mixing import LINKAGES, MIXINGS, VALVES
from tests.other_cars.ensemble.laws.vacuum import LOSSES, SOURCES

X = np.linspace(0.0, 1.0, 201)
SHAPES = [
    (f"{kind}: {name}", law)
    for kind, laws in (("linkage", LINKAGES), ("mixing", MIXINGS), ("valve", VALVES))
    for name, law in laws.items()
]
ENDS = [0.0, 0.37, 1.0]


@pytest.mark.parametrize("k", ENDS)
@pytest.mark.parametrize(("name", "law"), SHAPES)
def test_every_curve_rises_from_nothing_to_all(name: str, law: object, k: float) -> None:
    assert callable(law)
    y = law(X, k)
    assert y[0] == pytest.approx(0.0, abs=1e-9)
    assert y[-1] == pytest.approx(1.0, abs=1e-9)
    assert np.all(np.diff(y) >= 0)


def test_equal_percentage_multiplies_for_each_step() -> None:
    # IEC 60534-2-4: equal increments of travel give equal percentage increments of flow
    y = VALVES["equal percentage"](X, 0.5) + 1 / (8.0 + 11.0 - 1)  # without its shut-off
    assert y[1:] / y[:-1] == pytest.approx(np.full(200, y[1] / y[0]))


def test_a_valve_with_all_the_pressure_drop_keeps_its_own_curve() -> None:
    # resistances in series, drop by the square of the flow: Q/Q100 = 1/sqrt(N/x^2 + 1 - N)
    share, x = 0.25 + 0.5 * 0.4, 0.3
    drop_of_valve, drop_of_loop = share / x**2, 1 - share
    flow = VALVES["authority"](np.array(x), 0.4)
    assert flow**2 * (drop_of_valve + drop_of_loop) == pytest.approx(1.0)


def test_two_ducts_share_the_air_by_their_openings() -> None:
    # parallel ways under one pressure: flows as their openings over the root of their resistance
    share = MIXINGS["areas"](np.array(0.5), 0.375)  # both half uncovered, resistance alike
    assert share == pytest.approx(0.5)


@pytest.mark.parametrize("name", CORES)
def test_no_core_gives_more_than_the_weaker_stream(name: str) -> None:
    # second law: heat at most C_min times the inlet difference
    ua, air, water = np.meshgrid([20.0, 130.0, 900.0], [5.0, 40.0, 90.0], [1.0, 30.0, 500.0])
    core = CORES[name](ua, air, water, 0.6)
    assert np.all(core > 0)
    # at a fixed air effectiveness only the mean coolant temperature bounds it
    bound = np.minimum(air, 2 * water) if name == "fixed" else np.minimum(air, water)
    assert np.all(core <= bound * (1 + 1e-9))


@pytest.mark.parametrize("name", [name for name in CORES if name != "fixed"])
def test_a_core_with_plenty_of_coolant_is_an_evaporator(name: str) -> None:
    # every exchanger at C_r = 0: effectiveness 1 - exp(-NTU) (Incropera and DeWitt, table of
    # effectiveness relations)
    air, ua = 86.0, 130.0
    core = CORES[name](np.array(ua), np.array(air), np.array(1e7), 0.5)
    assert core / air == pytest.approx(1 - np.exp(-ua / air), rel=1e-3)


def test_counterflow_of_equal_streams() -> None:
    # C_r = 1: effectiveness NTU / (1 + NTU) (same table)
    core = CORES["counterflow"](np.array(200.0), np.array(100.0), np.array(100.0), 0.5)
    assert core / 100.0 == pytest.approx(2.0 / 3.0, rel=1e-3)


@pytest.mark.parametrize("name", CORES)
def test_more_flow_never_gives_less_heat(name: str) -> None:
    flows = np.linspace(2.0, 600.0, 100)
    assert np.all(np.diff(CORES[name](np.full(100, 130.0), np.full(100, 80.0), flows, 0.5)) > 0)
    assert np.all(np.diff(CORES[name](np.full(100, 130.0), flows, np.full(100, 400.0), 0.5)) > 0)


@pytest.mark.parametrize("name", PUMPS)
@pytest.mark.parametrize("k", ENDS)
def test_pumps_are_rated_at_1500_rpm(name: str, k: float) -> None:
    revs = np.array([700.0, 1500.0, 3000.0])
    flow = PUMPS[name](revs, k)
    assert flow[1] == pytest.approx(1.0)
    assert np.all(np.diff(flow) >= 0)


@pytest.mark.parametrize("name", HEATS)
def test_an_engine_gives_more_heat_when_it_works(name: str) -> None:
    idle, town, road = (
        HEATS[name](*map(np.array, state))
        for state in ((800.0, 0.0, 0.0), (1600.0, 10.0, 0.2), (2500.0, 25.0, 0.4))
    )
    assert 3000 < idle < town < road < 40000


@pytest.mark.parametrize("name", RAMS)
def test_road_speed_never_takes_air_away(name: str) -> None:
    speed = np.linspace(0, 35, 50)
    flow = RAMS[name](np.full(50, 0.06), speed, 0.012)
    assert flow[0] == pytest.approx(0.06)
    assert np.all(np.diff(flow) >= 0)


def test_pressures_of_blower_and_road_add() -> None:
    # one resistance, drop by the square of the flow: Q^2 = Q_fan^2 + Q_ram^2
    flow = RAMS["pressures add"](np.array(0.03), np.array(30.0), 0.02)
    assert flow == pytest.approx(0.05)  # 3-4-5


def test_duct_is_a_wall_at_one_temperature() -> None:
    # exp(-h A / (m cp)); h by the flow to the power 0.8 (Dittus and Boelter)
    keep, cabin = DUCTS["to cabin"](np.array([0.085, 0.0425]), 0.06)
    assert keep[0] == pytest.approx(np.exp(-0.06))
    assert np.log(keep[1]) / np.log(keep[0]) == pytest.approx(2**0.2)
    assert cabin == 1.0
    assert pytest.approx(1006.0) == CP_AIR  # dry air near 300 K, any table


@pytest.mark.parametrize("name", DUCTS)
def test_ducts_lose_a_part(name: str) -> None:
    keep, _ = DUCTS[name](np.linspace(0.01, 0.12, 20), 0.05)
    assert np.all((keep > 0.5) & (keep <= 1.0))


@pytest.mark.parametrize("name", PATHS)
def test_the_way_through_the_core_never_passes_more(name: str) -> None:
    path = PATHS[name](X, 0.8)
    assert path[0] == pytest.approx(1.0)
    assert np.all(np.diff(path) <= 0)


@pytest.mark.parametrize("name", LEAKS)
def test_drafts_are_rated_at_20_metres_a_second(name: str) -> None:
    draft = LEAKS[name](np.array([0.0, 10.0, 20.0, 30.0]), 0.5)
    assert draft[0] == 0.0
    assert draft[2] == pytest.approx(1.0)
    assert np.all(np.diff(draft) > 0)


def test_vacuum_sources_and_losses() -> None:
    load, revs = np.linspace(0, 1, 20), np.full(20, 2000.0)
    assert np.all(np.diff(SOURCES["manifold"](load, revs)) < 0)
    assert np.ptp(SOURCES["pump"](load, revs)) == 0.0
    line = np.linspace(1.0, 70.0, 20)
    for loss in LOSSES.values():
        assert np.all(np.diff(loss(line, 0.5)) > 0)
    # laminar leak by the pressure, orifice by its root (Hagen and Poiseuille; Torricelli)
    assert LOSSES["capillary"](np.array(40.0), 0.5) == pytest.approx(
        2 * LOSSES["capillary"](np.array(20.0), 0.5)
    )
    assert LOSSES["orifice"](np.array(40.0), 0.5) == pytest.approx(
        2**0.5 * LOSSES["orifice"](np.array(20.0), 0.5)
    )
