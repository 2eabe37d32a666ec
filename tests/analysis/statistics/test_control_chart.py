"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.statistics.control_chart import (
    WEIGHT,
    WIDTH,
    individuals,
    moving_average,
)

# NIST/SEMATECH e-Handbook 6.3.2.4, EWMA control charts
HANDBOOK = np.array(
    [
        *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
        *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
    ]
)


def test_handbook_average() -> None:
    found = moving_average(HANDBOOK, 50.0, 2.0539, weight=0.3, width=3.0)
    expected = [
        *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
        *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
    ]
    assert found.level == pytest.approx(expected, abs=0.0051)
    assert found.alarms == ()


def test_handbook_limits() -> None:
    # the page rounds its factor to .4201 and prints 52.5884 and 47.4115
    found = moving_average(HANDBOOK, 50.0, 2.0539, weight=0.3, width=3.0)
    assert found.high[-1] == pytest.approx(52.5884, abs=1e-3)
    assert found.low[-1] == pytest.approx(47.4115, abs=1e-3)


def test_handbook_individuals() -> None:
    # e-Handbook 6.3.2.2, the last ten of these values; the page divides by 1.128
    found = individuals(HANDBOOK[-10:])
    assert found.center == pytest.approx(50.81, abs=1e-9)
    assert found.high == pytest.approx(55.8041, abs=2e-3)
    assert found.low == pytest.approx(45.8159, abs=2e-3)


def test_false_alarms_are_as_rare_as_said() -> None:
    # average run length without a change by the Markov chain of Brook and Evans, Biometrika 59
    # (1972) 539, with the limits of the settled chart; Lucas and Saccucci give about 370
    from scipy.stats import norm

    states = 201
    reach = WIDTH * np.sqrt(WEIGHT / (2.0 - WEIGHT))
    step = 2.0 * reach / states
    middle = -reach + step * (np.arange(states) + 0.5)
    edges = np.concatenate([[-reach], middle + step / 2.0])
    stays = norm.cdf((edges[None, :] - (1.0 - WEIGHT) * middle[:, None]) / WEIGHT)
    run_length = np.linalg.solve(np.eye(states) - np.diff(stays, axis=1), np.ones(states))
    assert 350.0 < run_length[states // 2] < 390.0


def test_a_step_is_found_with_its_time() -> None:
    random = np.random.default_rng(6)
    values = random.normal(20.0, 1.0, 60)
    values[40:] += 2.0
    found = moving_average(values, 20.0, 1.0)
    first = found.alarms[0]
    assert first.up
    assert 40 <= first.at <= 46
    assert abs(first.since - 40) <= 3


def test_an_uncertain_center_widens_the_limits() -> None:
    sure = moving_average(HANDBOOK, 50.0, 2.0)
    unsure = moving_average(HANDBOOK, 50.0, 2.0, center_u=0.5)
    assert np.all(unsure.high - sure.high > 0.2)


def test_a_changed_level_does_not_count_as_scatter() -> None:
    random = np.random.default_rng(7)
    values = np.concatenate([random.normal(0.0, 1.0, 200), random.normal(10.0, 1.0, 200)])
    assert individuals(values).sigma == pytest.approx(1.0, abs=0.15)
    assert values.std() > 4.0
