"""fluctuation_index: band power against scipy's periodogram, noise, lag, sampling, coverage."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import lfilter, periodogram, welch

from analysis.signal.fluctuation import Sampled, Strength, sample, strength
from ingest.arrays import Floats
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import RISE, correlated, heater_run

TIME = np.arange(-60.0, 1800.0)


def sampled(time: Floats, values: Floats) -> Sampled:
    found = sample(time, values)
    assert isinstance(found, Sampled), found
    return found


def measured(time: Floats, values: Floats, lag: float = 0.0, resolution: float = 0.0) -> Strength:
    return strength(sampled(time, values), lag=lag, resolution=resolution)


def test_a_sine_in_the_band_is_amplitude_over_root_two() -> None:
    time = np.arange(0.0, 600.0)
    found = measured(time, 40.0 + 3.0 * np.sin(2.0 * np.pi * time / 30.0))
    assert found.deviation == pytest.approx(3.0 / np.sqrt(2.0), rel=0.005)


@pytest.mark.parametrize("period", [4.0, 300.0])
def test_periods_outside_the_band_do_not_count(period: float) -> None:
    time = np.arange(0.0, 600.0)
    found = measured(time, 40.0 + 3.0 * np.cos(2.0 * np.pi * time / period))
    assert found.deviation < 0.1


def test_what_lies_on_the_edge_of_the_band_may_or_may_not_count() -> None:
    """A window of length T cannot tell a period of 120 s from one a little longer (frequencies
    apart by 1 / T): half of its variance is the standard uncertainty, so that ± 2 u reaches from
    nothing to all of it; a period well inside the band is known far better."""
    time = np.arange(0.0, 600.0)
    edge, inside = (
        measured(time, 3.0 * np.sin(2.0 * np.pi * time / period)) for period in (120.0, 60.0)
    )
    assert edge.deviation - 2.0 * edge.u < 0.5
    assert edge.deviation + 2.0 * edge.u > 3.0 / np.sqrt(2.0)
    assert inside.u < 0.3 * edge.u


def test_band_power_agrees_with_scipys_periodogram_and_welch() -> None:
    """Broad noise well above the sensor's: integrate both spectra over 1/120 to 1/8 Hz."""
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 3600.0)
    values = correlated(rng, time.size, 1.0, 15.0, 1.0)
    found = measured(time, values)
    for frequency, density in (
        periodogram(values, 1.0, detrend="linear"),
        welch(values, 1.0, nperseg=1200, detrend="linear"),
    ):
        band = (frequency >= 1.0 / 120.0) & (frequency <= 1.0 / 8.0)
        above = density[frequency > 1.0 / 8.0].mean()  # what counts as the sensor's white noise
        variance = (density[band] - above).sum() * (frequency[1] - frequency[0])
        assert found.deviation == pytest.approx(np.sqrt(variance), rel=0.06)


def test_white_noise_is_taken_out() -> None:
    rng = np.random.default_rng(2)
    time = np.arange(0.0, 600.0)
    swing = 1.0 * np.sin(2.0 * np.pi * time / 25.0)
    noisy = measured(time, swing + rng.standard_normal(time.size))
    assert noisy.deviation == pytest.approx(1.0 / np.sqrt(2.0), rel=0.15)
    # white noise of deviation s has s^2 (band / Nyquist) in the band
    share = (1.0 / 8.0 - 1.0 / 120.0) / 0.5
    assert noisy.noise == pytest.approx(np.sqrt(share), rel=0.15)


@pytest.mark.parametrize("step", [0.2, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("length", [150.0, 600.0])
def test_a_calm_outlet_is_covered_down_to_zero(step: float, length: float) -> None:
    rng = np.random.default_rng(3)
    time = np.arange(0.0, length, step)
    inside = []
    for _ in range(100):
        found = measured(time, 40.0 + 0.3 * rng.standard_normal(time.size))
        inside.append(found.deviation <= 2.0 * found.u + 1e-12)
        assert found.deviation < 0.5
    assert np.mean(inside) >= 0.9


def test_rounding_of_a_quiet_outlet_is_no_fluctuation_it_can_swear_to() -> None:
    time = np.arange(0.0, 600.0)
    slow = np.round((40.0 + 0.2 * np.sin(time / 90.0)) / 0.5) * 0.5
    found = measured(time, slow, resolution=0.5)
    assert found.deviation <= 2.0 * found.u


def steady_swing(
    period: float, amplitude: float
) -> Callable[[np.random.Generator, Floats], Floats]:
    return lambda rng, time: amplitude * np.sin(2.0 * np.pi * (time / period + rng.uniform()))


def wandering_swing(
    period: float, amplitude: float
) -> Callable[[np.random.Generator, Floats], Floats]:
    def make(rng: np.random.Generator, time: Floats) -> Floats:
        step = time[1] - time[0]
        phase = np.cumsum(rng.standard_normal(time.size)) * np.sqrt(step / 100.0)
        return amplitude * np.sin(2.0 * np.pi * time / period + phase)

    return make


@pytest.mark.parametrize("step", [0.2, 1.0, 2.0, 5.0])
@pytest.mark.parametrize(
    ("make", "truth"),
    [
        (steady_swing(20.0, 8.0), 8.0 / np.sqrt(2.0)),
        (steady_swing(60.0, 2.0), 2.0 / np.sqrt(2.0)),
        (wandering_swing(30.0, 4.0), 4.0 / np.sqrt(2.0)),
    ],
)
def test_two_u_covers_a_swing(
    step: float, make: Callable[[np.random.Generator, Floats], Floats], truth: float
) -> None:
    rng = np.random.default_rng(4)
    time = np.arange(0.0, 400.0, step)
    inside = []
    for _ in range(40):
        found = measured(time, 40.0 + make(rng, time) + 0.3 * rng.standard_normal(time.size))
        inside.append(abs(found.deviation - truth) <= 2.0 * found.u)
        assert found.u < 0.15 * truth
    assert np.mean(inside) >= 0.9


def test_a_known_lag_is_undone_for_the_signal_only() -> None:
    """First order: a sensor of 5 s damps a period of 40 s by sqrt(1 + (2 pi 5 / 40)^2)."""
    rng = np.random.default_rng(5)
    fine = np.arange(-100.0, 600.0, 0.1)
    keep = np.exp(-0.1 / 5.0)
    seen = lfilter([1.0 - keep], [1.0, -keep], 4.0 * np.sin(2.0 * np.pi * fine / 40.0))
    time = np.arange(0.0, 600.0)
    values = np.interp(time, fine, seen) + 0.2 * rng.standard_normal(time.size)
    damped = measured(time, values).deviation
    restored = measured(time, values, lag=5.0)
    gain = np.sqrt(1.0 + (2.0 * np.pi * 5.0 / 40.0) ** 2)
    assert damped == pytest.approx(4.0 / np.sqrt(2.0) / gain, rel=0.02)
    assert restored.deviation == pytest.approx(4.0 / np.sqrt(2.0), rel=0.02)
    # the time constant itself is not known better than to a tenth
    assert restored.u > measured(time, values).u


def test_jitter_and_short_gaps_are_bridged() -> None:
    rng = np.random.default_rng(6)
    time = np.sort(rng.uniform(0.0, 600.0, 1200))
    time = time[(time < 200.0) | (time > 206.0)]
    found = measured(time, 3.0 * np.sin(2.0 * np.pi * time / 40.0))
    assert found.deviation == pytest.approx(3.0 / np.sqrt(2.0), rel=0.03)


def test_windows_that_do_not_serve_say_why() -> None:
    time = np.arange(0.0, 30.0)
    assert sample(time, time) == "fluctuation needs 55 s of steady outlet; there were 29"
    slow = np.arange(0.0, 600.0, 20.0)
    assert "every 20 s only" in str(sample(slow, slow))
    holey = np.concatenate((np.arange(0.0, 100.0), np.arange(500.0, 600.0)))
    assert "too many gaps" in str(sample(holey, holey))
    assert "there were 0" in str(sample(np.zeros(0), np.zeros(0)))


def test_the_index_is_a_share_of_the_rise() -> None:
    swing = 4.0 * np.sin(2.0 * np.pi * TIME / 35.0) * (TIME > 0.0)
    found = context_of(heater_run(extra={"outlet": swing})).figure("fluctuation_index")
    truth = 100.0 * 4.0 / np.sqrt(2.0) / RISE
    assert found.value == pytest.approx(truth, rel=0.03)
    assert found.unit == "%"
    assert found.u is not None
    assert abs(found.value - truth) <= 2.0 * found.u


def test_slow_readings_say_what_they_cannot_see() -> None:
    found = context_of(heater_run(step=5.0)).figure("fluctuation_index")
    assert found.note == "read every 5 s: periods shorter than 10 s were not seen"


def test_reasons() -> None:
    cold = context_of(heater_run(extra={"outlet": np.full(TIME.size, -60.0)}))
    assert cold.figure("fluctuation_index").note == "the outlet is no warmer than the outside air"
    parked = context_of(heater_run(events=[(0.5, "temp_lever", 50)]))
    assert "hot end" in (parked.figure("fluctuation_index").note or "")
