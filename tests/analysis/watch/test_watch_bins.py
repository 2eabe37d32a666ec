"""What the watch asks of a stretch second by second, against the same worked out the long way."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.watch.bins import STILL_N, STILL_S, Junction, Track, make_seconds
from analysis.watch.drop import AHEAD, LINE, surprises
from ingest.arrays import Bools, Floats
from ingest.sensors.thermocouple import emf


def stood_still(at: Floats, signal: Floats, ends: Floats) -> Bools:
    """Whether the newest reading at each time had been the same long and often enough.

    Reading by reading, from the definition.
    """
    result = []
    for end in ends:
        seen = np.flatnonzero(at < end)
        start = seen[-1] if seen.size else 0
        while start > 0 and seen.size and signal[start - 1] == signal[seen[-1]]:
            start -= 1
        long = seen.size > 0 and at[seen[-1]] - at[start] >= STILL_S
        result.append(long and seen[-1] - start + 1 >= STILL_N)
    return np.array(result)


def drawn_log(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Uneven times and noisy readings in steps, which stand still now and then."""
    size = int(rng.integers(40, 400))
    every = 10.0 ** rng.uniform(-1.3, 0.0)
    time = np.cumsum(every * rng.uniform(0.5, 1.5, size))
    if rng.random() < 0.3:
        time[size // 2 :] += rng.uniform(0.0, 40.0)
    step = rng.choice([0.001, 0.1, 1.0])
    values = 20.0 + np.cumsum(rng.normal(0.0, 0.05, size)) + rng.normal(0.0, step, size)
    values = np.round(values / step) * step
    for _ in range(int(rng.integers(0, 3))):
        begin = int(rng.integers(0, size))
        values[begin : begin + int(rng.integers(1, 20.0 / every))] = values[begin]
    return time, values


@pytest.mark.parametrize("seed", range(40))
def test_no_standstill_is_ruled_out_by_looking_at_few_readings(seed: int) -> None:
    """Most points are only looked at at every few bins' ends; that must miss nothing."""
    rng = np.random.default_rng(seed)
    time, values = drawn_log(rng)
    missing = rng.random(time.size) < rng.choice([0.0, 0.1])
    missing[0] = False  # where bins begin
    seconds = make_seconds(time, {"outlet": np.where(missing, np.nan, values)}, [], {}, 1.0)
    expected = stood_still(time[~missing], values[~missing], seconds.ends)
    np.testing.assert_array_equal(seconds.tracks["outlet"].stood, expected)


def test_a_thermocouple_stands_still_where_its_voltage_does() -> None:
    """Its temperature moves with its cold junction all the same (cold-junction compensation in the
    voltage domain, IEC 60584-1)."""
    time = np.arange(0.0, 60.0, 0.1)
    rng = np.random.default_rng(5)
    cold = np.round(20.0 + 0.02 * time + rng.normal(0.0, 0.05, time.size), 2)
    degrees = np.linspace(0.0, 100.0, 100_001)
    volts = np.where(time < 30.0, 1.0 + rng.normal(0.0, 0.01, time.size), 1.0)
    hot = np.interp(volts + emf("K", cold), emf("K", degrees), degrees)
    values = {"outlet": hot, "cold_junction": cold}
    junctions = {"outlet": Junction("K", "cold_junction")}

    def track(known: dict[str, Junction]) -> Track:
        return make_seconds(time, values, [], known, 1.0).tracks["outlet"]

    assert not track({}).stood.any()
    stood = np.flatnonzero(track(junctions).stood)
    assert stood.size > 20
    assert stood[0] == 36  # six seconds from the thirtieth on
    assert np.array_equal(stood, np.arange(36, 60))


def test_a_surprise_is_the_distance_from_the_line_of_least_squares() -> None:
    """Against `numpy.polyfit` of each half minute, drawn on."""
    time = np.arange(0.0, 120.0)
    rng = np.random.default_rng(6)
    values = 40.0 + 0.1 * time + rng.normal(0.0, 1.0, time.size)
    seconds = make_seconds(time, {"outlet": values}, [], {}, 1.0)
    found = surprises(seconds, "outlet")
    assert found.shape == (len(AHEAD), time.size)
    for ahead, row in zip(AHEAD, found, strict=True):
        first = LINE - 1 + ahead
        assert np.isnan(row[:first]).all()
        for place in range(first, time.size):
            before = slice(place - ahead - LINE + 1, place - ahead + 1)
            line = np.polyfit(time[before], values[before], 1)
            assert row[place] == pytest.approx(values[place] - np.polyval(line, time[place]))
