"""Where the vacuum leaks, whether the supply holds, and doors that go the wrong way."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.context import Context
from analysis.vacuum.doors import GAIN_ERROR, follows_lever, wrong_way
from analysis.vacuum.findings import (
    find_sags,
    locate_leak,
    stroke_time,
    vacuum_findings,
)
from ingest.arrays import Floats
from ingest.run import Finding
from tests.support.contexts import context_of
from tests.support.signals.runs import Event, make_run
from tests.support.signals.vacuum_runs import holding


def faults(context: Context) -> list[str]:
    return [finding.fault for finding in found_in(context)]


def found_in(context: Context) -> list[Finding]:
    leak = context.figure("vacuum_decay").value
    return vacuum_findings(context, context.vacuum, leak)


def stepped(taus: tuple[float, ...], notes: tuple[str, ...]) -> Context:
    """A leak-down for every time constant, with a note before each."""
    begins = [200.0 + 200.0 * step for step in range(len(taus))]
    time, value, events = holding(
        200.0 + 200.0 * len(taus),
        [(begin, begin + 100.0, tau) for begin, tau in zip(begins, taus, strict=True)],
    )
    noted: list[Event] = [
        (begin - 20.0, "note", note) for begin, note in zip(begins, notes, strict=True)
    ]
    return context_of(make_run(time, {"vacuum_source": value}, [*events, *noted]))


def test_leak_is_in_the_part_whose_shutting_off_stops_it() -> None:
    context = stepped(
        (100.0, 105.0, 4000.0), ("all connected", "valve line pinched", "defrost actuator pinched")
    )
    located = locate_leak(context.vacuum)
    assert located is not None
    assert located.parts == "defrost actuator pinched"
    assert located.before.known() == pytest.approx(36.0, rel=0.1)
    assert located.after.known() == pytest.approx(0.9, rel=0.2)
    (finding,) = [f for f in found_in(context) if f.fault == "vacuum_leak_located"]
    assert "defrost actuator pinched" in finding.detail


def test_two_steps_are_enough() -> None:
    located = locate_leak(stepped((100.0, 4000.0), ("all connected", "line pinched")).vacuum)
    assert located is not None
    assert located.parts == "line pinched"


def test_steps_that_all_leak_alike_locate_nothing() -> None:
    assert (
        locate_leak(stepped((100.0, 103.0), ("all connected", "valve line pinched")).vacuum) is None
    )


def test_one_leak_down_locates_nothing() -> None:
    assert locate_leak(stepped((100.0,), ("all connected",)).vacuum) is None


def driven(check_lag: float) -> tuple[Floats, Floats]:
    """Source vacuum behind a check valve that lets go with a time constant (s), in traffic."""
    time = np.arange(0.0, 900.0)
    load = (np.sin(time / 9.0) > 0.3).astype(float)
    manifold = 62.0 - 26.0 * load
    line, out = 62.0, np.empty(time.size)
    for i, pull in enumerate(manifold):
        line += (pull - line) / (2.5 if pull > line else check_lag)
        out[i] = line
    return time, out + 0.1 * np.random.default_rng(0).standard_normal(time.size)


def test_check_valve_that_lets_go_makes_the_supply_sag() -> None:
    time, value = driven(6.0)
    context = context_of(make_run(time, {"vacuum_source": value}))
    sags = find_sags(context, None)
    assert sags is not None
    assert len(sags.times) >= 10
    assert sags.deepest > 10.0
    assert "vacuum_sags" in faults(context)


def test_check_valve_that_holds_does_not_sag() -> None:
    time, value = driven(1500.0)
    assert faults(context_of(make_run(time, {"vacuum_source": value}))) == []


def test_fall_after_a_switched_control_is_no_sag() -> None:
    time = np.arange(0.0, 600.0)
    value = np.full(time.size, 60.0)
    events: list[Event] = []
    for at in (150.0, 250.0, 350.0, 450.0):
        value -= np.where(time >= at, 15.0 * np.exp(-(time - at).clip(0.0) / 5.0), 0.0)
        events.append((at, "mode", "defrost" if at % 200.0 else "floor"))
    assert "vacuum_sags" not in faults(context_of(make_run(time, {"vacuum_source": value}, events)))


def test_sags_about_an_isolation_hold_do_not_count_and_those_elsewhere_do() -> None:
    """A hand at the source for 15 s before and after; without the notes they count there too."""
    time, value = driven(6.0)
    hold: list[Event] = [(300.0, "vacuum_isolated", 1.0), (400.0, "vacuum_isolated", 0.0)]
    whole = find_sags(context_of(make_run(time, {"vacuum_source": value})), None)
    found = find_sags(context_of(make_run(time, {"vacuum_source": value}, hold)), None)
    assert whole is not None
    assert found is not None
    about = [at for at in whole.times if 285.0 <= at <= 415.0]
    assert len(about) >= 2
    assert set(found.times) & set(about) == set()
    assert min(found.times) < 285.0
    assert max(found.times) > 415.0
    # none in the first minute after the start, whoever pulls
    assert min(whole.times) > 60.0
    # a leak that loses as much by itself explains them: three times as fast is asked for
    rate = whole.rate
    assert find_sags(context_of(make_run(time, {"vacuum_source": value})), rate / 9.0) is not None
    assert find_sags(context_of(make_run(time, {"vacuum_source": value})), rate) is None


def test_sags_are_not_a_leak_shown_by_a_leak_down() -> None:
    """A leak that loses as much with the source shut off explains the falls by itself."""
    time, value = driven(6.0)
    leak = 55.0 * np.exp(-np.arange(100.0) / 6.0)
    time = np.arange(0.0, 1000.0)
    value = np.concatenate([value, leak])
    events: list[Event] = [(900.0, "vacuum_isolated", 1.0)]
    context = context_of(make_run(time, {"vacuum_source": value}, events))
    assert "vacuum_sags" not in faults(context)


@pytest.mark.parametrize(("tau", "apart"), [(0.6, 60.0), (4.0, 60.0), (0.6, 15.0)])
def test_stroke_time_is_ln_9_time_constants(tau: float, apart: float) -> None:
    """10 to 90 % of a first-order answer take ``tau * ln 9``; a next move soon after ends it."""
    time = np.arange(0.0, 400.0, 0.1)
    value = np.zeros(time.size)
    events: list[Event] = []
    for at, to in ((100.0, 50.0), (100.0 + apart, 0.0), (100.0 + 2.0 * apart, 50.0)):
        before = value[np.searchsorted(time, at) - 1]
        value = np.where(
            time >= at, to + (before - to) * np.exp(-(time - at).clip(0.0) / tau), value
        )
        events.append((at, "mode", "defrost" if to else "floor"))
    context = context_of(make_run(time, {"vacuum_actuator": value}, events))
    found = stroke_time(context)
    assert found.known() == pytest.approx(tau * np.log(9.0), rel=0.1)
    assert found.u is not None
    assert found.u < 0.1 * found.known()  # three strokes alike
    assert ("actuator_slow" in faults(context)) == (tau > 3.0)


def test_actuator_that_follows_the_source_is_not_slow() -> None:
    time = np.arange(0.0, 400.0, 0.5)
    value = 55.0 + 10.0 * np.sin(time / 12.0)
    events: list[Event] = [(at, "temp_lever", at / 4.0) for at in (100.0, 150.0, 200.0, 250.0)]
    run = make_run(time, {"vacuum_source": value, "vacuum_actuator": 0.97 * value}, events)
    found = stroke_time(context_of(run))
    assert found.value is None
    assert found.note is not None


def outlets(
    mode: str, floor: float, windshield: float, *, tolerance: float = 0.0, defrost: float = 0.0
) -> Context:
    time = np.arange(0.0, 900.0)
    warm = 1.0 - np.exp(-time / 60.0)
    rng = np.random.default_rng(2)
    channels = {
        "outlet": floor * warm + 0.1 * rng.standard_normal(time.size),
        "outlet_defrost": windshield * warm + 0.1 * rng.standard_normal(time.size),
        "ambient": np.zeros(time.size),
        "engine_coolant": 85.0 * warm,
    }
    events: list[Event] = [(0.0, "mode", mode), (0.0, "temp_lever", 100.0), (0.0, "blower", 3.0)]
    events.append((0.0, "defrost", defrost))
    return context_of(make_run(time, channels, events, tolerance=tolerance))


@pytest.mark.parametrize(
    ("mode", "floor", "windshield", "crossed"),
    [
        ("floor", 60.0, 40.0, False),
        ("floor", 45.0, 62.0, True),
        ("defrost", 40.0, 60.0, False),
        ("defrost", 62.0, 45.0, True),
        ("mixed", 45.0, 62.0, False),
    ],
)
def test_door_that_goes_the_wrong_way(
    mode: str, floor: float, windshield: float, *, crossed: bool
) -> None:
    context = outlets(mode, floor, windshield)
    assert ("door_goes_wrong_way" in faults(context)) == crossed
    assert (wrong_way(context) is not None) == crossed


def test_air_sent_to_the_windshield_by_hand_is_no_wrong_way() -> None:
    assert wrong_way(outlets("floor", 45.0, 62.0, defrost=80.0)) is None
    assert wrong_way(outlets("floor", 45.0, 62.0, defrost=10.0)) is not None


def test_difference_within_the_sensors_tolerance_is_no_wrong_way() -> None:
    assert wrong_way(outlets("floor", 60.0, 64.0, tolerance=1.4)) is None
    assert wrong_way(outlets("floor", 60.0, 64.0)) is not None


@pytest.mark.parametrize("every", [1.0, 5.0])
@pytest.mark.parametrize(
    ("floor_swing", "windshield_swing", "offset", "crossed"),
    [
        (40.0, 55.0, -6.0, True),  # a sensor that reads 6 K low hides nothing
        (40.0, 43.0, 3.0, False),  # like ducts
        (55.0, 40.0, 20.0, False),  # the mode's own follows better, whatever the other reads
        (40.0, 55.0, -20.0, False),  # cooler at hot: not the air's way out
    ],
)
def test_the_outlet_that_follows_the_lever_gets_the_air(
    floor_swing: float, windshield_swing: float, offset: float, every: float, *, crossed: bool
) -> None:
    """What leaks past a door loses more of its heat to the duct: effectiveness at a small flow."""
    time = np.arange(0.0, 1500.0, every)
    warm = np.where((time > 900.0) & (time < 1100.0), 0.0, 1.0 - np.exp(-time / 60.0))
    rng = np.random.default_rng(4)
    channels = {
        "outlet": 20.0 + floor_swing * warm + 0.1 * rng.standard_normal(time.size),
        "outlet_defrost": 20.0
        + offset
        + windshield_swing * warm
        + 0.1 * rng.standard_normal(time.size),
        "ambient": np.zeros(time.size),
        "engine_coolant": 85.0 * (1.0 - np.exp(-time / 60.0)),
    }
    events: list[Event] = [
        (0.0, "mode", "floor"),
        (0.0, "temp_lever", 100.0),
        (0.0, "blower", 3.0),
        (900.0, "temp_lever", 0.0),
        (1100.0, "temp_lever", 100.0),
    ]
    context = context_of(make_run(time, channels, events, tolerance=3.0))
    assert wrong_way(context) is None
    assert ("other_outlet_follows" in faults(context)) == crossed
    found = follows_lever(context, "floor", "outlet_defrost")
    assert (found is not None) == crossed
    if found is not None:
        assert found.value == pytest.approx(windshield_swing - floor_swing, rel=0.03)
        # an error of the sensors' gain grows with what they went through
        assert found.shared == {
            "gain of the sensors": pytest.approx(GAIN_ERROR * floor_swing, rel=0.03)
        }


def test_actuator_without_any_control_moved() -> None:
    time = np.arange(0.0, 300.0)
    found = stroke_time(context_of(make_run(time, {"vacuum_actuator": 50.0 + 0.0 * time})))
    assert found.value is None
    assert found.note is not None
    assert "no control moved" in found.note
