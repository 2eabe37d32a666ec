"""Quick looks that let most channels pass: nothing the thorough look would find is among them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.quality import assess
from analysis.quality.channel import Bins, Channel
from analysis.quality.stuck import MIN_RANGE_K, MIN_S, NOISES, SMOOTH_S, _still_from
from analysis.quality.view import View
from tests.support.signals.runs import make_run

NUMBER = st.floats(-200.0, 200.0) | st.just(float("nan"))


def channel(numbers: list[float]) -> Channel:
    values = np.array(numbers)
    bins = Bins.of(np.arange(values.size) // 3)
    return Channel(values, whole=not np.isnan(values).any(), bins=lambda: bins)


@given(st.lists(NUMBER, min_size=2, max_size=60))
def test_noise_is_never_more_than_two_largest_steps(numbers: list[float]) -> None:
    # what the detector of noisy channels leaves out for having no large step cannot be noisy
    one = channel(numbers)
    assert one.noise <= 2.0 * one.largest_step + 1e-9


@given(st.lists(NUMBER, min_size=2, max_size=60))
def test_a_channel_with_gaps_is_told_by_its_readings(numbers: list[float]) -> None:
    one = channel(numbers)
    known = np.array(numbers)[~np.isnan(numbers)]
    assert one.has == bool(known.size)
    if known.size:
        assert one.extremes == (known.min(), known.max())
        assert one.largest_step == np.abs(np.diff(known)).max(initial=0.0)
    for place, mean in enumerate(one.means):
        part = np.array(numbers[3 * place : 3 * place + 3])
        part = part[~np.isnan(part)]
        assert mean == pytest.approx(part.mean(), abs=1e-9) if part.size else np.isnan(mean)


def still_by_definition(view: View, point: str) -> int | None:
    """First bin from which the smoothed point stays in its band to the end, over all of the run."""
    means = view.means(point)
    known = np.flatnonzero(~np.isnan(means))
    width = max(1, round(SMOOTH_S / view.width))
    smooth = np.convolve(means[known], np.full(width, 1.0 / width), mode="valid")
    noise = view.noise(point) / np.sqrt(max(1.0, view.width / view.interval) * width)
    allowed = max(MIN_RANGE_K, view.sensor(point).resolution) + 2.0 * NOISES * noise
    start = None
    for place in range(smooth.size - 1, -1, -1):
        if np.ptp(smooth[place:]) > allowed:
            break
        start = place
    if start is None:
        return None
    begins = int(known[start])
    return begins if view.bin_time[known[-1]] - view.bin_time[begins] >= MIN_S else None


@pytest.mark.parametrize("still_s", [0, 100, 170, 179, 180, 181, 185, 189, 190, 191, 200, 400, 700])
@pytest.mark.parametrize("lost", [None, (500, 560), (650, 700)])
def test_every_channel_that_stands_still_is_looked_at(
    still_s: int, lost: tuple[int, int] | None
) -> None:
    time = np.arange(0.0, 700.0)
    signal = 20.0 + 0.1 * time
    signal[700 - still_s :] = signal[700 - still_s - 1] if still_s < 700 else 20.0
    if lost is not None:
        signal[slice(*lost)] = np.nan
    view = View(make_run(time, {"outlet": signal}))
    assert _still_from(view, "outlet") == still_by_definition(view, "outlet")


@pytest.mark.parametrize("noise", [0.4, 0.7, 1.2, 2.0])
def test_every_noisy_channel_is_reported(noise: float) -> None:
    time = np.arange(0.0, 900.0, 0.5)
    random = np.random.default_rng(4)
    outlet = 20.0 + 0.02 * time + random.normal(0.0, noise, time.size)
    run = make_run(time, {"outlet": outlet})
    sensors = {p: dataclasses.replace(s, kind="thermocouple") for p, s in run.sensors.items()}
    found = {each.fault for each in assess(run.with_(sensors=sensors)).findings}
    assert ("noisy" in found) == (noise > 1.0)
