"""What a watched point must do before anything is said of it: each rule at its edge.

Lines without noise, one reading a second, so that every bin can be counted by hand. The rules are
those of `analysis.watch` (what the air about a car does by itself: common practice, no source);
here they are held against the same worked out the long way.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.watch.bins import Seconds, make_seconds
from analysis.watch.drop import (
    FEW,
    HOLD,
    LAG,
    Departure,
    departures,
    largest_before,
    masked_bins,
)
from analysis.watch.judge import (
    BACK,
    CAME_LOOSE,
    COPIES,
    LOST,
    SILENT,
    STANDS_STILL,
    Alarm,
    is_over,
    judge,
    withdrawn,
)
from analysis.watch.lost import FALLEN_S, HARDEST, PULLING, WITHIN, lost_bins
from analysis.watch.places import (
    APART_K,
    LEAST_K,
    SLOW_SETTLE_S,
    UPWARDS,
    cooler_there,
    warmer_there,
)
from analysis.watch.still import SAME, TURNING, silent_bins, still_bins
from ingest.arrays import Floats

SIZE = 400
AT = 300
BIN = np.arange(SIZE)
TIME = BIN + 0.5  # the middle of each bin


def flat(level: float) -> Floats:
    return np.full(SIZE, level)


def stepped(level: float, by: float, at: int = AT, lasts: int = SIZE) -> Floats:
    return np.where((at <= BIN) & (at + lasts > BIN), level + by, level)


def seconds_of(moves: list[tuple[float, str]] | None = None, **values: Floats) -> Seconds:
    rows = values | {"road_speed": values.get("road_speed", flat(0.0))}
    return make_seconds(TIME, rows, moves or [], {}, 1.0)


def found_in(point: str, values: Floats, **others: Floats) -> list[Departure]:
    return list(departures(seconds_of(None, **{point: values}, **others), point))


@pytest.mark.parametrize(
    ("point", "way", "near"),
    [
        ("outlet", -1.0, 0.0),
        ("coolant_in", -1.0, 0.0),
        ("engine_coolant", -1.0, 0.0),
        ("footwell", -1.0, 0.0),
        ("footwell", UPWARDS, 60.0),
        ("cabin", -1.0, 0.0),
        ("cabin", UPWARDS, 60.0),
        ("ambient", 1.0, 60.0),
        ("inlet_air", 1.0, 60.0),
    ],
)
def test_a_move_counts_from_the_least_change_on(point: str, way: float, near: float) -> None:
    """Cabin air must rise further than it must fall: sun, a stop, a door that is shut."""
    least = way * LEAST_K[point]
    air = {"cold_junction": flat(near)}
    assert found_in(point, stepped(30.0, 0.98 * least), **air) == []
    (found,) = found_in(point, stepped(30.0, 1.02 * least), **air)
    assert found.by == pytest.approx(1.02 * least)
    assert found.bin == AT + HOLD - 1


@pytest.mark.parametrize(
    ("point", "by"), [("outlet", 20.0), ("coolant_in", 20.0), ("ambient", -20.0)]
)
def test_a_move_where_no_other_air_leads_is_the_car_s(point: str, by: float) -> None:
    """A heated sensor that comes off only cools down, one in the fresh air only warms up."""
    assert found_in(point, stepped(30.0, by), cold_junction=flat(30.0 + 2.0 * by)) == []


@pytest.mark.parametrize(("lasts", "told"), [(HOLD - 1, 0), (HOLD, 1)])
def test_a_move_must_last(lasts: int, told: int) -> None:
    values = stepped(30.0, -20.0, lasts=lasts)
    assert len(found_in("outlet", values, ambient=flat(0.0))) == told


def test_twice_the_least_is_asked_for_while_little_was_seen() -> None:
    """The first surprise is that of the 33rd bin, and the last ten do not count."""
    known = 32 + FEW - 1 + LAG
    least = LEAST_K["outlet"]
    for at, times, told in ((known - 20, 1.9, 0), (known - 20, 2.1, 1), (known, 1.1, 1)):
        values = stepped(30.0, -times * least, at=at)
        assert len(found_in("outlet", values, ambient=flat(0.0))) == told


@pytest.mark.parametrize(("times", "told"), [(1.9, 0), (2.1, 1)])
def test_a_move_must_be_twice_what_the_car_did_before(times: float, told: int) -> None:
    """One bin that was off by less than anything is said of."""
    earlier = stepped(0.0, -0.9 * LEAST_K["outlet"], at=AT - 100, lasts=1)
    values = 30.0 + earlier + stepped(0.0, times * float(earlier.min()))
    assert len(found_in("outlet", values, ambient=flat(0.0))) == told


@pytest.mark.parametrize(("apart", "told"), [(0.99, 0), (1.01, 1)])
def test_there_must_be_other_air_to_hang_in(apart: float, told: int) -> None:
    air = flat(30.0 - apart * APART_K)
    assert len(found_in("outlet", stepped(30.0, -20.0), ambient=air)) == told
    air = flat(30.0 + apart * APART_K)
    assert len(found_in("ambient", stepped(30.0, 20.0), cold_junction=air)) == told


def test_other_air_is_that_of_ten_bins_before() -> None:
    seconds = seconds_of(outlet=flat(30.0), ambient=stepped(30.0, -10.0))
    assert np.flatnonzero(cooler_there(seconds, "outlet"))[0] == AT + 10
    seconds = seconds_of(ambient=flat(30.0), outlet=stepped(30.0, 10.0))
    assert np.flatnonzero(warmer_there(seconds, "ambient"))[0] == AT + 10
    # whatever is heated is warmer than the air about a car; the air of the cabin need not be
    alone = seconds_of(outlet=flat(30.0), footwell=flat(30.0))
    assert not cooler_there(alone, "outlet").any()
    alone = seconds_of(outlet=flat(30.0))
    assert cooler_there(alone, "outlet").all()
    alone = seconds_of(cabin=flat(30.0))
    assert not cooler_there(alone, "cabin").any()
    assert not warmer_there(alone, "cabin").any()


@pytest.mark.parametrize(
    ("by", "other", "told"),
    [(-20.0, -5.9, 1), (-20.0, -6.1, 0), (-20.0, 6.1, 1), (-6.0, -2.4, 1), (-6.0, -2.6, 0)],
)
def test_what_a_neighbor_does_too_was_the_car(by: float, other: float, told: int) -> None:
    """By three tenths of the move, and by half of what would be looked at by itself."""
    panel = stepped(30.0, other)
    values = stepped(30.0, by)
    assert len(found_in("outlet", values, outlet_panel=panel, ambient=flat(0.0))) == told


def test_a_fall_begins_where_it_began() -> None:
    """A fall of 2 K a second, for ten seconds: told late, laid to its begin."""
    values = 30.0 - np.clip(2.0 * (BIN - AT + 1.0), 0.0, 20.0)
    (found,) = found_in("outlet", values, ambient=flat(0.0))
    # more than 5 K below the line are the third bin's 6 K, which must last for three
    assert found.bin == AT + 2 + HOLD - 1
    assert found.by == pytest.approx(-10.0, abs=0.5)
    assert AT - 1 <= found.onset <= AT + 1
    assert found.before == pytest.approx(30.0, abs=1.5)


def test_the_largest_before_by_hand() -> None:
    rng = np.random.default_rng(3)
    found = rng.normal(0.0, 1.0, 90)
    found[rng.random(90) < 0.2] = np.nan
    but = rng.random(90) < 0.2
    got = largest_before(found, but, 20)
    for place in range(90):
        seen = range(max(0, place - LAG - 19), place - LAG + 1)
        sizes = [abs(found[i]) for i in seen if not but[i] and not np.isnan(found[i])]
        assert got[place] == max(sizes, default=0.0)


@pytest.mark.parametrize(
    ("point", "control", "after"),
    [
        ("outlet", "temp_lever", 60.0),
        ("footwell", "temp_lever", 120.0),
        ("coolant_in", "blower", 120.0),
        ("inlet_air", "blower", 60.0),
        ("ambient", "engine", 120.0),
        ("ambient", "temp_lever", None),
        ("outlet", "note", None),
        ("vacuum_source", "vacuum_isolated", 60.0),
        ("vacuum_source", "blower", None),
    ],
)
def test_a_control_that_was_moved_is_waited_for(
    point: str, control: str, after: float | None
) -> None:
    """From three seconds before it was noted; the slow ones (an engine, a cabin, a hose) longer."""
    seconds = seconds_of([(200.25, control)], **{point: flat(30.0)})
    masked = np.flatnonzero(masked_bins(seconds, point))
    if after is None:
        assert not masked.size
        return
    assert seconds.ends[masked[0]] == 197.5
    assert seconds.ends[masked[-1]] == 200.5 + after
    assert masked.size == 4 + after


RPM = flat(1500.0)


@pytest.mark.parametrize(
    ("point", "level", "others", "told"),
    [
        ("vacuum_source", 55.0, {}, True),
        ("vacuum_source", 19.0, {}, False),
        ("vacuum_source", 55.0, {"engine_speed": RPM}, True),
        ("vacuum_source", 55.0, {"engine_speed": stepped(1500.0, -1500.0, at=AT - 30)}, False),
        ("vacuum_source", 55.0, {"road_speed": flat(20.0)}, True),
        ("vacuum_actuator", 55.0, {"road_speed": 0.9 * PULLING * BIN}, True),
        ("vacuum_actuator", 55.0, {"road_speed": 1.1 * PULLING * BIN}, False),
        ("engine_speed", 1500.0, {"road_speed": flat(3.5)}, True),
        ("engine_speed", 1500.0, {"road_speed": flat(2.5)}, False),
        ("road_speed", HARDEST * WITHIN + 1.0, {}, True),
        ("road_speed", HARDEST * WITHIN - 1.0, {}, False),
        ("blower_voltage", 12.0, {}, False),
    ],
)
def test_a_gauge_that_falls_to_nothing_at_once(
    point: str, level: float, others: dict[str, Floats], *, told: bool
) -> None:
    """Not where the car may have done it: brakes, a stalled engine, an open throttle, a switch."""
    seconds = seconds_of(None, **{point: stepped(level, -level)}, **others)
    found = np.flatnonzero(lost_bins(seconds, point))
    if point == "engine_speed":  # it is also a move of the engine, and masked as such
        assert not found.size
        seconds = Seconds(1.0, seconds.ends, seconds.tracks, ())
        found = np.flatnonzero(lost_bins(seconds, point))
    assert bool(found.size) is told
    if told:  # in the fifth second at nothing
        assert found[0] == AT + FALLEN_S - 1


def test_a_gauge_that_falls_where_nothing_else_is_logged_has_lost_its_hose() -> None:
    """Nobody knows then whether the car pulled or the engine stood."""
    alone = make_seconds(TIME, {"vacuum_source": stepped(55.0, -55.0)}, [], {}, 1.0)
    assert lost_bins(alone, "vacuum_source").any()
    # an engine that does not turn is no fault of its gauge where nobody knows that the car rolls
    alone = make_seconds(TIME, {"engine_speed": stepped(1500.0, -1500.0)}, [], {}, 1.0)
    assert not lost_bins(Seconds(1.0, alone.ends, alone.tracks, ()), "engine_speed").any()


@pytest.mark.parametrize(("bins", "told"), [(0, True), (7, True), (8, False), (30, False)])
def test_a_gauge_that_sinks_has_not_lost_its_hose(bins: int, *, told: bool) -> None:
    """From 20 kPa to nothing within two bins is a fall; 55 kPa in nine seconds are a leak."""
    sinking = np.interp(BIN, [AT - 1, AT + bins], [55.0, 0.0])
    assert lost_bins(seconds_of(vacuum_source=sinking), "vacuum_source").any() == told


def test_readings_that_toss_a_coin_stand_still_by_chance() -> None:
    """The least noise turns back a quarter of the time, and gives rows of any length (Bernoulli).

    What is not surely more than that is nothing to go by; surely noisy readings are.
    """
    rng = np.random.default_rng(4)
    for readings, noisy in (
        (rng.integers(0, 2, SIZE).astype(float), False),
        (np.round(rng.normal(0.0, 2.0, SIZE)), True),
    ):
        turns = np.diff(readings)
        share = float((turns[1:] * turns[:-1] < 0).mean())
        assert (share > 0.4) is noisy
        assert share > 0.2
        held = np.where(BIN < AT, readings, readings[AT])
        track = seconds_of(outlet=held).tracks["outlet"]
        assert still_bins(track, "outlet").any() == noisy


def test_the_table_of_turns_is_in_order() -> None:
    """More noise turns back more often, and repeats less."""
    assert (np.diff(TURNING) > 0).all()
    assert (np.diff(SAME) < 0).all()


@pytest.mark.parametrize(("gap", "told"), [(1, False), (2, True)])
def test_silence_counts_where_others_were_heard(gap: int, *, told: bool) -> None:
    silent = np.where((BIN >= AT) & (AT + gap > BIN), np.nan, 30.0)
    alone = make_seconds(TIME, {"outlet": silent, "ambient": flat(0.0)}, [], {}, 1.0)
    found = silent_bins(alone, "outlet")
    assert found.any() == told
    both = {"outlet": silent, "ambient": np.where(np.isnan(silent), np.nan, 0.0)}
    kept = ~np.isnan(silent)
    logger = {point: each[kept] for point, each in both.items()}
    assert not silent_bins(make_seconds(TIME[kept], logger, [], {}, 1.0), "outlet").any()


def test_three_times_the_longest_silence_so_far() -> None:
    """A channel that speaks every four seconds is not silent after ten."""
    slow = np.where(BIN % 4 == 0, 30.0, np.nan)
    slow[204] = np.nan  # eight seconds once
    slow[(BIN > AT) & (AT + 40 > BIN)] = np.nan
    seconds = make_seconds(TIME, {"outlet": slow, "ambient": flat(0.0)}, [], {}, 1.0)
    found = np.flatnonzero(silent_bins(seconds, "outlet")[20:]) + 20
    assert found.tolist() == list(range(AT + 23, AT + 40))


def test_when_an_alarm_is_over() -> None:
    def alarm(kind: str, point: str = "outlet") -> Alarm:
        return Alarm(point, kind, 300.0, 303.0, None, "", before=30.0, by=-20.0)

    for back, over in ((BACK - 0.01, False), (BACK + 0.01, True)):
        seconds = seconds_of(outlet=stepped(10.0 + 20.0 * back, 0.0))
        for kind in (CAME_LOOSE, COPIES):
            assert is_over(alarm(kind), seconds) is over
    gone = np.where(BIN < SIZE - 10, 30.0, np.nan)
    for kind in (CAME_LOOSE, SILENT):
        assert not is_over(alarm(kind), seconds_of(outlet=gone))
    assert is_over(alarm(SILENT), seconds_of(outlet=flat(30.0)))
    assert not is_over(alarm(STANDS_STILL), seconds_of(outlet=flat(30.0)))
    assert is_over(alarm(STANDS_STILL), seconds_of(outlet=BIN * 0.1))
    for level, over in ((9.9, False), (10.1, True)):  # half of the least it fell from
        seconds = seconds_of(vacuum_source=flat(level))
        assert is_over(alarm(LOST, "vacuum_source"), seconds) is over


@pytest.mark.parametrize(
    ("kind", "at", "explained"),
    [
        (CAME_LOOSE, 300.0, True),
        (CAME_LOOSE, 319.0, True),
        (CAME_LOOSE, 321.0, False),
        (CAME_LOOSE, 301.0 - SLOW_SETTLE_S / 2.0, True),
        (CAME_LOOSE, 299.0 - SLOW_SETTLE_S / 2.0, False),
        (STANDS_STILL, 300.0, False),
        (SILENT, 300.0, False),
    ],
)
def test_a_move_noted_late_takes_an_alarm_back(kind: str, at: float, *, explained: bool) -> None:
    alarm = Alarm("outlet", kind, 300.0, 303.0, None, "")
    seconds = seconds_of([(at, "temp_lever")], outlet=flat(30.0))
    assert withdrawn(alarm, seconds) is explained
    elsewhere = seconds_of([(at, "temp_lever")], ambient=flat(30.0))
    assert not withdrawn(Alarm("ambient", kind, 300.0, 303.0, None, ""), elsewhere)


@pytest.mark.parametrize(("off", "kind"), [(1.4, COPIES), (-1.4, COPIES), (1.6, CAME_LOOSE)])
def test_who_reads_as_its_cold_junction_does_copies_it(off: float, kind: str) -> None:
    values = {"outlet": stepped(60.0, off - 40.0), "cold_junction": flat(20.0)}
    values["outlet"] += np.random.default_rng(8).normal(0.0, 0.02, SIZE)
    (found,) = judge(seconds_of(None, **values))
    assert found.kind == kind
    assert found.until_s is None
    assert f"fell from 60 to {20.0 + off:.0f} °C" in found.detail
