"""Limits of least cost on fleets whose best limit is known; longer runs in benchmarks/tuning.py."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import yeojohnson, yeojohnson_llf

from analysis.statistics.density import quantile, smoothed
from analysis.statistics.shape import POWERS, inverse, likelihood, transform
from analysis.tune.search.choice import FOLDS, Cases, Choice, Costs, choose, least_cost_limit
from analysis.tune.search.held_out import held_out
from tests.support.tune_fleet import SHAPES, best_limit, draw_cars

MISSED, NEEDLESS, BAD_SHARE = 3.0, 1.0, 0.25


def chosen(score: np.ndarray, bad: np.ndarray, seed: int = 0, **more: float) -> Choice:
    cases = Cases(score, np.zeros(score.size), bad, np.arange(score.size))
    return choose(cases, Costs(MISSED, NEEDLESS, **more), seed=seed)


@pytest.mark.parametrize("power", [-1.0, 0.0, 0.5, 1.0, 2.0, 3.0])
def test_transform_against_scipy(power: float) -> None:
    z = np.linspace(-3.0, 4.0, 41)
    assert transform(z, power) == pytest.approx(yeojohnson(z, power), rel=1e-12, abs=1e-12)
    back = [inverse(float(y), power) for y in transform(z, power)]
    assert back == pytest.approx(z.tolist(), abs=1e-9)


def test_likelihood_against_scipy() -> None:
    """Differences between powers agree with scipy's once the pull towards 1 is taken out."""
    z = np.random.default_rng(2).gamma(3.0, 1.0, 60) - 2.0
    mine = likelihood(z, np.ones((1, 60)))[0][0] + 0.5 * ((POWERS - 1.0) / 0.5) ** 2
    theirs = np.array([yeojohnson_llf(float(power), z) for power in POWERS])
    assert mine - mine[4] == pytest.approx(theirs - theirs[4], rel=1e-9, abs=1e-9)


def test_smoothing_keeps_the_variance_and_follows_the_shape() -> None:
    rng = np.random.default_rng(3)
    grid = np.linspace(-12.0, 12.0, 4001)
    few = rng.normal(0.0, 1.5, 20)
    below = smoothed(few, np.ones((1, 20)), grid, widths=np.ones(1))[0]
    mass, middle = np.diff(below), 0.5 * (grid[1:] + grid[:-1])
    mean = float(mass @ middle)
    assert mean == pytest.approx(few.mean(), abs=0.1)
    assert float(mass @ (middle - mean) ** 2) == pytest.approx(few.var(ddof=1), rel=0.15)
    two = np.concatenate([rng.normal(-3, 1, 3000), rng.normal(3, 1, 3000)])
    below = smoothed(two, np.ones((1, 6000)), grid, widths=np.ones(1))[0]
    truth = 0.5 * (ndtr(grid + 3) + ndtr(grid - 3))
    assert np.abs(below - truth).max() < 0.03


def test_noise_is_taken_off() -> None:
    """True values of spread 2 measured with noise 1: the distribution found is the true one's."""
    rng = np.random.default_rng(4)
    measured = rng.normal(0, 2, 4000) + rng.normal(0, 1, 4000)
    grid = np.linspace(-8, 8, 401)
    below = smoothed(measured, np.ones((1, 4000)), grid, widths=np.ones(1), noise=np.ones(4000))[0]
    assert np.abs(below - ndtr(grid / 2)).max() < 0.02
    seen = smoothed(measured, np.ones((1, 4000)), grid, widths=np.ones(1))[0]
    assert np.abs(seen - ndtr(grid / np.sqrt(5))).max() < 0.02


def test_quantile_of_weights_is_that_of_repeats() -> None:
    values, weight = np.array([3.0, 1.0, 2.0]), np.array([4.0, 1.0, 5.0])
    repeated = np.repeat(values, weight.astype(int))
    assert quantile(values, weight, 0.5) == pytest.approx(np.median(repeated), abs=0.5)


@pytest.mark.parametrize(("cars", "bar", "repeats"), [(200, 0.05, 12), (40, 0.15, 12)])
def test_cost_is_near_the_true_optimum(cars: int, bar: float, repeats: int) -> None:
    """Mean excess cost over all shapes."""
    excess = []
    for name, shape in SHAPES.items():
        best, cost = best_limit(shape, BAD_SHARE, MISSED, NEEDLESS)
        rng = np.random.default_rng([cars, len(name)])
        for _ in range(repeats):
            score, bad = draw_cars(shape, cars, BAD_SHARE, rng)
            cases = Cases(score, np.zeros(cars), bad, np.arange(cars))
            limit = least_cost_limit(cases, Costs(MISSED, NEEDLESS))
            excess.append(cost(limit) / cost(best) - 1.0)
    assert min(excess) >= -1e-6
    assert np.mean(excess) < bar


def test_interval_covers_and_wrong_labels_stay_within_it() -> None:
    """Over 60 fleets of changing shape; the whole 200 for each shape are in the benchmark."""
    covered = moved = 0
    shapes = list(SHAPES.values())
    for turn in range(60):
        shape = shapes[turn % len(shapes)]
        best, _ = best_limit(shape, BAD_SHARE, MISSED, NEEDLESS)
        rng = np.random.default_rng([9, turn])
        score, bad = draw_cars(shape, 200 if turn % 2 else 60, BAD_SHARE, rng)
        choice = chosen(score, bad, turn)
        covered += choice.interval[0] <= best <= choice.interval[1]
        width = choice.interval[1] - choice.interval[0]
        wrong = bad.copy()
        flipped = rng.choice(bad.size, round(0.05 * bad.size), replace=False)
        wrong[flipped] ^= True
        again = least_cost_limit(
            Cases(score, np.zeros(bad.size), wrong, np.arange(bad.size)), Costs(MISSED, NEEDLESS)
        )
        moved += abs(again - choice.limit) > width
        assert choice.wrong_moves < width
    assert 0.88 <= covered / 60 <= 1.0
    assert moved == 0


def test_hidden_bad_cars_are_taken_out_of_the_good() -> None:
    """A tenth of `good` are bad: told so, the limit is that of the true labels."""
    rng = np.random.default_rng(5)
    good, bad = rng.normal(0, 1, 3600), rng.normal(3, 1, 1000)
    hidden = rng.normal(3, 1, 400)
    score = np.concatenate([good, hidden, bad])
    label = np.arange(score.size) >= 4000
    told = chosen(score, label, bad_share=0.2, unclaimed=0.1)
    true = chosen(score, np.arange(score.size) >= 3600, bad_share=0.2)
    assert told.limit == pytest.approx(true.limit, abs=0.12)
    naive = chosen(score, label, bad_share=0.2)
    assert abs(naive.limit - true.limit) < 0.5
    by_share = dict(told.by_unclaimed)
    assert by_share[0.1] == pytest.approx(told.limit)
    assert by_share[0.0] == pytest.approx(naive.limit)


def test_two_cases_of_a_car_are_never_on_both_sides() -> None:
    """Every car twice: leaving a car out changes the limit of both its cases alike."""
    rng = np.random.default_rng(6)
    score = np.repeat(np.concatenate([rng.normal(0, 1, 60), rng.normal(3, 1, 40)]), 2)
    bad = np.repeat(np.arange(100) >= 60, 2)
    car = np.repeat(np.arange(100), 2)
    choice = choose(Cases(score, np.zeros(200), bad, car), Costs(), seed=1)
    assert np.array_equal(choice.folds[0::2], choice.folds[1::2])
    assert 1 < np.unique(choice.folds).size <= FOLDS


def test_errors_on_cars_left_out_are_those_of_new_cars() -> None:
    """Against the true detection and false alarm of the chosen limit."""
    inside = 0
    for turn in range(30):
        rng = np.random.default_rng([7, turn])
        score, bad = draw_cars(SHAPES["normal"], 120, 0.3, rng)
        choice = chosen(score, bad, turn)
        held = held_out(score, bad, choice, Costs(MISSED, NEEDLESS))
        inside += held.detection.low <= float(ndtr(2.5 - choice.limit)) <= held.detection.high
        share = choice.bad_share
        true = share * MISSED * float(ndtr(choice.limit - 2.5)) + (1 - share) * NEEDLESS * float(
            ndtr(-choice.limit)
        )
        inside += held.cost_low <= true <= held.cost_high
    assert inside / 60 >= 0.88


def test_scores_that_tell_nothing_pay_nothing() -> None:
    rng = np.random.default_rng(8)
    choice = chosen(rng.normal(0, 1, 300), np.arange(300) >= 285)
    assert not choice.pays


def test_the_same_seed_gives_the_same_choice() -> None:
    rng = np.random.default_rng(10)
    score, bad = draw_cars(SHAPES["lognormal"], 80, 0.3, rng)
    first, again, other = (chosen(score, bad, seed) for seed in (1, 1, 2))
    assert first.interval == again.interval
    assert first.limit == other.limit
    assert first.interval != other.interval


def test_many_cars_are_binned_without_moving_the_limit() -> None:
    rng = np.random.default_rng(11)
    score, bad = draw_cars(SHAPES["unequal variances"], 6000, 0.25, rng)
    best, cost = best_limit(SHAPES["unequal variances"], BAD_SHARE, MISSED, NEEDLESS)
    choice = chosen(score, bad)
    assert cost(choice.limit) / cost(best) < 1.01


def test_too_few_cars_are_refused() -> None:
    with pytest.raises(ValueError, match="two different"):
        chosen(np.array([0.0, 1.0, 3.0]), np.array([False, False, True]))
