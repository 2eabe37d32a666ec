from __future__ import annotations

import json

import numpy as np
import pytest

from ingest.record.journal import Kind, Record
from ingest.record.wire.clock import drift_of
from ingest.record.wire.count import SAMPLES_CAP, ClockSamples
from ingest.record.wire.time import HostClock


def clock_record(mono_s: float, wall_s: float, boot: str | None = "one") -> Record:
    note = json.dumps({"first": True, "boot": boot}).encode()
    return Record(0, Kind.CLOCK, round(mono_s * 1e9), round(wall_s * 1e9), note)


def data(mono_s: float, wall_s: float) -> Record:
    return Record(0, Kind.DATA, round(mono_s * 1e9), round(wall_s * 1e9), b"")


def test_time_counts_from_the_first_record() -> None:
    clock = HostClock()
    clock.begin(clock_record(1000.0, 5e5))
    assert clock.see(data(1002.5, 5e5 + 2.5)) == pytest.approx(2.5)
    assert clock.mono_ns(2.5) == 1_002_500_000_000


def test_a_step_of_the_wall_clock_moves_nothing_and_is_said() -> None:
    clock = HostClock()
    clock.begin(clock_record(1000.0, 5e5))
    clock.compare(clock_record(1010.0, 5e5 + 10))
    clock.compare(clock_record(1020.0, 5e5 + 20 + 3600))
    assert clock.see(data(1021.0, 5e5 + 21 + 3600)) == pytest.approx(21.0)
    assert clock.steps == [(pytest.approx(20.0), pytest.approx(3600.0))]


def test_a_gap_within_one_start_of_the_computer_is_monotonic() -> None:
    clock = HostClock()
    clock.begin(clock_record(1000.0, 5e5))
    clock.see(data(1010.0, 5e5 + 10))
    assert clock.begin(clock_record(1040.0, 5e5 + 9999)) == pytest.approx(30.0)
    assert clock.by_wall == []


@pytest.mark.parametrize("boot", ["two", None])
def test_across_a_restart_the_wall_clock_tells_the_gap(boot: str | None) -> None:
    clock = HostClock()
    clock.begin(clock_record(1000.0, 5e5))
    clock.see(data(1010.0, 5e5 + 10))
    assert clock.begin(clock_record(3.0, 5e5 + 130, boot)) == pytest.approx(120.0)
    assert clock.see(data(4.0, 5e5 + 131)) == pytest.approx(131.0)
    assert clock.by_wall == [pytest.approx(130.0)]


def test_a_clock_set_back_across_a_restart_does_not_turn_time_round() -> None:
    clock = HostClock()
    clock.begin(clock_record(1000.0, 5e5))
    clock.see(data(1010.0, 5e5 + 10))
    assert clock.begin(clock_record(3.0, 1000.0, "two")) > 0
    assert clock.last_s > 10.0


@pytest.mark.parametrize("ppm", [-300.0, 0.0, 45.0, 20_000.0])
def test_drift_is_found_with_an_uncertainty_that_covers_it(ppm: float) -> None:
    covered = 0
    for seed in range(60):
        noise = np.random.default_rng(seed)
        host = np.arange(0.0, 900.0, 1.0)
        spells = np.repeat(noise.exponential(0.02, 30), 30)
        delays = noise.exponential(0.01, host.size) + spells
        own = np.round((host - delays) * (1 + ppm * 1e-6) + 7.0, 2)
        drift = drift_of(host, own)
        assert drift is not None
        assert drift.span_s == pytest.approx(899.0)
        assert drift.seconds == pytest.approx(drift.ppm * 1e-6 * 899.0)
        covered += abs(drift.ppm - ppm) <= 2 * drift.u_ppm
    assert 51 <= covered <= 60


def test_a_jump_is_no_drift() -> None:
    host = np.arange(0.0, 600.0)
    own = host + np.where(host < 200, 0.0, -150.0)
    drift = drift_of(host, own)
    assert drift is not None
    assert drift.ppm == pytest.approx(0.0, abs=1e-6)
    assert drift.span_s == pytest.approx(399.0)


def test_too_little_to_compare() -> None:
    assert drift_of(np.arange(10.0), np.arange(10.0)) is None
    assert drift_of(np.linspace(0, 5, 100), np.linspace(0, 5, 100)) is None


def test_samples_stay_few() -> None:
    samples = ClockSamples()
    for second in range(4 * SAMPLES_CAP):
        samples.add(second, float(second))
        samples.add(second, second + 0.5)
    assert len(samples.lines) <= SAMPLES_CAP
    assert list(samples.lines) == sorted(set(samples.lines))
    assert samples.host_s[-1] > 4 * SAMPLES_CAP - 10
