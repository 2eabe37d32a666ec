"""The heater's two numbers under every fault, against the `ht` package and the heat balance."""

from __future__ import annotations

import numpy as np
import pytest
from ht.hx import effectiveness_from_NTU
from hypothesis import given
from hypothesis import strategies as st

from analysis.heater.fit import HeaterFit
from analysis.heater.model import Core, air_effectiveness, air_ntu
from analysis.heater.split import UsualHeater, split
from analysis.measurement import Measurement

C_AIR = 90.0
UA_AIR, UA_COOLANT = 240.0, 720.0
C_COOLANT = 450.0
DELIVERED = 0.95
COOLANT, AIR = 85.0, -5.0


def independent(
    *, flow: float = 1.0, leak: float = 0.0, coolant: float = COOLANT
) -> tuple[float, float, float]:
    """Outlet, coolant's drop and coolant of a heater by `ht` and the heat balance alone.

    Effectiveness-NTU as in Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, 6th ed.,
    eq. 11.22 (effectiveness), 11.24 (NTU); cross flow, both unmixed, in its exact form by `ht`.
    Coolant side by Dittus and Boelter (eq. 8.60), fins by the root of the flow.
    """
    through, liquid = C_AIR * (1.0 - leak), C_COOLANT * flow
    ua = 1.0 / (1.0 / (UA_AIR * (1.0 - leak) ** 0.5) + 1.0 / (UA_COOLANT * flow**0.8))
    least, most = min(through, liquid), max(through, liquid)
    heat = effectiveness_from_NTU(ua / least, least / most, subtype="crossflow")
    heat *= least * (coolant - AIR)
    outlet = AIR + DELIVERED * heat / C_AIR
    return outlet, DELIVERED * heat / liquid, coolant


def fit_of(outlet: float, drop: float, coolant: float) -> HeaterFit:
    """What a fit of such a heater gives with good sensors."""

    def of(value: float, u: float, unit: str = "–") -> Measurement:
        return Measurement(value, unit, u)

    share, ratio = (outlet - AIR) / (coolant - AIR), drop / (outlet - AIR)
    return HeaterFit(
        of(share, 0.006), of(ratio, 0.01), Measurement.missing("–", "not asked for"),
        of(20.0, 2.0, "s"), of(0.3, 0.05, "K"), of(coolant, 0.5, "degC"), of(AIR, 0.5, "degC"),
        1000.0, (600.0, 900.0), True,
    )  # fmt: skip


def usual() -> UsualHeater:
    """The same heater with nothing wrong, ten good cars' worth."""
    good = fit_of(*independent())
    return UsualHeater(
        Measurement(good.effectiveness.known(), "–", 0.02),
        Measurement(good.flow_ratio.known(), "–", 0.02),
        Measurement(COOLANT, "degC", 1.5),
        0.03,
        1000.0,
        10,
    )


def solve(target: float, name: str, low: float, high: float) -> float:
    """The fault's size at which the independent heater's outlet is at the target."""
    for _ in range(60):
        middle = (low + high) / 2.0
        above = independent(**{name: middle})[0] > target
        # the outlet falls from low to high for a leak, and from high to low for the others
        if above == (name == "leak"):
            low = middle
        else:
            high = middle
    return middle


@pytest.mark.parametrize("ntu", [0.3, 1.0, 2.5])
@pytest.mark.parametrize("ratio", [0.05, 0.4, 1.0, 1.6, 4.0])
def test_the_air_side_agrees_with_the_ht_package(ntu: float, ratio: float) -> None:
    if ratio <= 1.0:
        expected = effectiveness_from_NTU(ntu, ratio, subtype="crossflow")
    else:  # the coolant is the lesser stream: its share of the heat, over the ratio of the rates
        expected = effectiveness_from_NTU(ntu * ratio, 1.0 / ratio, subtype="crossflow") / ratio
    assert float(air_effectiveness(ntu, ratio)) == pytest.approx(expected, abs=1e-10)


def test_both_streams_alike_join_from_either_side() -> None:
    below, above = air_effectiveness(1.5, [1.0 - 1e-9, 1.0 + 1e-9])
    assert below == pytest.approx(above, abs=1e-8)


@given(share=st.floats(0.05, 0.6), ratio=st.floats(0.01, 1.5))
def test_a_core_gives_back_the_outlet_it_was_made_from(share: float, ratio: float) -> None:
    core = Core.from_outlet(share, ratio)
    if not np.isnan(core.ntu):
        assert float(core.outlet()) == pytest.approx(share, abs=1e-9)


@given(
    leak=st.floats(-0.3, 0.8),
    coolant=st.floats(0.05, 1.0),
    air=st.floats(0.3, 1.0),
    ratio=st.floats(0.05, 0.5),
)
def test_the_leak_comes_back_from_the_outlet_it_makes(
    leak: float, coolant: float, air: float, ratio: float
) -> None:
    core = Core.from_outlet(0.6, ratio)
    outlet = core.outlet(coolant, air, leak)
    back = float(core.leak(outlet, coolant, air))
    assert float(core.outlet(coolant, air, back)) == pytest.approx(float(outlet), abs=1e-8)
    # the curve is flat only where a trickle of coolant has given all it has
    if coolant > 0.3:
        assert back == pytest.approx(leak, abs=1e-4)


def test_what_no_core_can_do_is_nan() -> None:
    assert np.isnan(air_ntu(0.99, 1.5))
    assert np.isnan(Core.from_outlet(0.97, 0.2).ntu)
    assert np.isnan(Core.from_outlet(0.6, 0.2).leak(1.3))


def test_each_fault_moves_its_own_numbers() -> None:
    good, starved, leaking, cool = (
        fit_of(*independent(**change))
        for change in ({}, {"flow": 0.3}, {"leak": 0.3}, {"coolant": 65.0})
    )
    share, ratio = good.effectiveness.known(), good.flow_ratio.known()
    assert starved.flow_ratio.known() == pytest.approx(ratio / 0.3)
    assert starved.effectiveness.known() < share - 0.05
    assert leaking.flow_ratio.known() == pytest.approx(ratio)
    assert leaking.effectiveness.known() < share - 0.05
    assert cool.flow_ratio.known() == pytest.approx(ratio)
    assert cool.effectiveness.known() == pytest.approx(share)


def test_three_faults_with_one_outlet_temperature_are_told_apart() -> None:
    target = independent()[0] - 15.0
    flow = solve(target, "flow", 0.02, 1.0)
    leak = solve(target, "leak", 0.0, 0.9)
    coolant = solve(target, "coolant", 30.0, COOLANT)
    starved, leaking, cool = (
        independent(**change) for change in ({"flow": flow}, {"leak": leak}, {"coolant": coolant})
    )
    assert [each[0] for each in (starved, leaking, cool)] == pytest.approx([target] * 3)
    for heater, true_flow, true_leak, missing in (
        (starved, flow, 0.0, "missing_flow"),
        (leaking, 1.0, leak, "missing_leak"),
        (cool, 1.0, 0.0, "missing_coolant"),
    ):
        found = split(fit_of(*heater), usual())
        assert found.core_flow_share.known() == pytest.approx(true_flow, rel=0.02)
        # the model leaves open how turbulent the coolant is
        assert found.leak_share.known() == pytest.approx(true_leak, abs=0.04)
        assert abs(found.leak_share.known() - true_leak) < 2.0 * (found.leak_share.u or 0.0)
        parts = {
            name: getattr(found, name).known()
            for name in ("missing_coolant", "missing_flow", "missing_leak")
        }
        assert max(parts, key=parts.__getitem__) == missing
        assert parts[missing] == pytest.approx(15.0, abs=2.0)
        assert sum(parts.values()) == pytest.approx(15.0, abs=1.0)
        # what the part is said to be stands clear of nothing, and the others do not
        for name, part in parts.items():
            assert (abs(part) > 2.0 * getattr(found, name).u) == (name == missing)


def test_less_air_is_not_taken_for_a_leak_or_for_less_coolant() -> None:
    core = Core.from_outlet(usual().effectiveness.known(), usual().flow_ratio.known())
    share = float(core.outlet(air=0.5))
    fit = fit_of(AIR + share * 90.0, 0.5 * usual().flow_ratio.known() * share * 90.0, COOLANT)
    found = split(fit, usual())
    assert found.core_flow_share.known() == pytest.approx(2.0)
    assert "less air" in (found.core_flow_share.note or "")
    assert found.leak_share.known() == pytest.approx(0.0, abs=0.01)
