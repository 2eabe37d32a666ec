"""The fit of a leak-down: how fast pressure is lost at first, and where it would end.

What is lost through a leak goes with the difference that drives it, so the pressure falls like an
exponential to a floor: ``p = floor + (start - floor) * exp(-t / tau)``. Over a hold much shorter
than `tau` that is a straight line, and neither `tau` nor the floor follows from it; the initial
rate still does. Over-pressure and vacuum are the same mathematics.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.signal.blocks import block_means
from analysis.signal.order_statistics import median
from analysis.signal.spacing import equal_ratios
from ingest.arrays import Floats
from ingest.values import dataclass

MAX_POINTS: Final = 240
MIN_POINTS: Final = 6

KEPT: Final = 0.35
EARLY_POINTS: Final = 12

TAUS: Final = 48
SHORTEST_TAU: Final = 0.03
LONGEST_TAU: Final = 100.0
"""Time constants looked at, in lengths of the hold."""

USUAL: Final = (0.3, 0.7)
"""Logarithm of tau over ``start / rate``: mean and standard deviation. It is 0 for a leak in
proportion to the vacuum, ln 2 at first for an orifice (loss by its square root), less with a floor
above zero."""

MIN_LOSS: Final = math.log(0.1)
"""A leak does not end within a tenth of where it began. A curvature that says so is the settling of
hoses and of air just compressed or drawn out, and is left to the scatter."""

UNLIKELY: Final = 12.0
"""Time constants whose evidence (natural logarithm) is this much below the best are left out."""

CURVED: Final = 9.0
"""Improvement of the fit, in variances of the noise, from which on a curvature is believed."""

NOTED_WITHIN_S: Final = 4.0
LATEST_S: Final = 15.0
"""A hand notes the shutting of the source this well (standard deviation), and never worse."""

RESTLESS: Final = 6.0
RESTLESS_SHARE: Final = 0.02
MAX_INDEPENDENT: Final = 30
CONVINCING: Final = 12.0
"""Readings show another beginning only where it is this much likelier (twice the logarithm)."""

ROUNDS: Final = 30
CLOSE: Final = 1e-13


@dataclass(frozen=True, slots=True)
class Exponential:
    """Least-squares fit of ``a + b * (1 - exp(-c * t))``.

    Parameters
    ----------
    a, b, c
        The coefficients, `c` per unit of time.
    covariance
        Their covariance from the residuals, shape (3, 3); zero for a fixed `a`.
    squares
        Sum of squared residuals.
    """

    a: float
    b: float
    c: float
    covariance: Floats
    squares: float


@dataclass(frozen=True, slots=True)
class LeakDown:
    """What a hold with the source shut off shows.

    Parameters
    ----------
    start
        Pressure at the beginning.
    rate, rate_u
        Initial loss per second (positive) and its standard uncertainty.
    tau, tau_u
        Time constant, s; None where the hold is too short to show a curvature.
    floor, floor_u
        Pressure it would end at; None likewise.
    noise
        Standard deviation of the residuals.
    """

    start: float
    rate: float
    rate_u: float
    tau: float | None
    tau_u: float | None
    floor: float | None
    floor_u: float | None
    noise: float


def exponential_fit(time: Floats, value: Floats, *, a: float | None = None) -> Exponential:
    """Fit ``a + b * (1 - exp(-c * t))`` by least squares.

    The rate `c` is first looked for on a grid, where the rest is linear, then all are refined
    together (Levenberg and Marquardt), so that no starting value is needed.

    Parameters
    ----------
    time, value
        Shape (n,), three at least; `time` not all equal and not negative.
    a
        The value at time zero where it is known, else None.
    """
    length = float(time.max())
    rates = equal_ratios(0.02, 300.0, 60) / length
    shape = -np.expm1(-rates[:, None] * time)
    fixed = a is not None
    target = value - (a if a is not None else 0.0)
    if fixed:
        b = (shape @ target) / np.einsum("ij,ij->i", shape, shape)
        starts = np.full(rates.size, a)
    else:
        mean = shape.mean(axis=1)
        centered = shape - mean[:, None]
        b = (centered @ target) / np.einsum("ij,ij->i", centered, centered)
        starts = target.mean() - b * mean
    residuals = value - starts[:, None] - b[:, None] * shape
    best = int(np.argmin(np.einsum("ij,ij->i", residuals, residuals)))
    place = np.array([starts[best], b[best], rates[best]])
    return _refine(time, value, place, fixed=fixed)


def _refine(time: Floats, value: Floats, place: Floats, *, fixed: bool) -> Exponential:
    free = slice(1, 3) if fixed else slice(0, 3)
    damping = 1e-3
    residual, jacobian = _model(time, value, place)
    squares = float(residual @ residual)
    for _ in range(ROUNDS):
        part = jacobian[:, free]
        normal = part.T @ part
        step = np.zeros(3)
        weight = np.diag(np.maximum(np.diag(normal), 1e-300))
        step[free] = np.linalg.solve(normal + damping * weight, part.T @ residual)
        tried = place + step
        if tried[2] > 0.0:
            after, slopes = _model(time, value, tried)
            improved = float(after @ after)
            if improved <= squares:
                done = bool(np.all(np.abs(step) <= CLOSE * (np.abs(place) + 1e-300)))
                place, residual, jacobian, squares = tried, after, slopes, improved
                damping = max(damping / 10.0, 1e-15)
                if done:
                    break
                continue
        damping *= 10.0
        if damping > 1e12:
            break
    covariance = np.zeros((3, 3))
    part = jacobian[:, free]
    freedom = max(time.size - part.shape[1], 1)
    covariance[free, free] = np.linalg.pinv(part.T @ part) * squares / freedom
    return Exponential(float(place[0]), float(place[1]), float(place[2]), covariance, squares)


def _model(time: Floats, value: Floats, place: Floats) -> tuple[Floats, Floats]:
    """Residuals and the model's derivatives to its three coefficients."""
    a, b, c = place
    decay = np.exp(-c * time)
    jacobian = np.stack([np.ones_like(time), 1.0 - decay, b * time * decay], axis=1)
    return value - a - b * (1.0 - decay), jacobian


def fit_leak_down(time: Floats, pressure: Floats, resolution: float = 0.0) -> LeakDown | None:
    """Fit a leak-down.

    Parameters
    ----------
    time
        s, increasing; the rate is that at the first of them. Shape (n,).
    pressure
        Same shape, any unit, measured from ambient (vacuum positive) or absolute.
    resolution
        Step the gauge rounds to, in the same unit.

    Returns
    -------
    LeakDown or None
        None for fewer than six readings, or all at one time.
    """
    if time.size < MIN_POINTS or time[-1] <= time[0]:
        return None
    elapsed, values = _early(time - time[0], pressure)
    early = _average(elapsed, values, resolution)
    if early is None:
        return None
    whole, model = early, 0.0
    if elapsed[-1] < 0.9 * (time[-1] - time[0]):
        elapsed, values = thinned(time - time[0], pressure, MAX_POINTS)
        whole = _average(elapsed, values, resolution) or early
        # how much the answer hangs on the shape: rectangular between both (JCGM 100:2008, 4.3.7)
        model = abs(whole.rate - early.rate) / math.sqrt(3.0)
    tau = tau_u = floor = floor_u = None
    if whole.curved:
        tau, tau_u, floor, floor_u = _end(elapsed, values, whole.variance)
    return LeakDown(
        early.start,
        early.rate,
        math.hypot(math.sqrt(early.rate_variance), model),
        tau,
        tau_u,
        floor,
        floor_u,
        math.sqrt(early.variance),
    )


@dataclass(frozen=True, slots=True)
class _Average:
    """Start and initial rate averaged over the time constants the readings allow."""

    start: float
    rate: float
    rate_variance: float
    variance: float
    curved: bool


def _average(elapsed: Floats, values: Floats, resolution: float) -> _Average | None:
    """Weigh every time constant by its evidence; start and rate are linear in each.

    Bayesian model averaging, J. A. Hoeting et al., Statist. Sci. 14, 1999, 382 (from memory).
    """
    n = values.size
    if n < MIN_POINTS or elapsed[-1] <= elapsed[0]:
        return None
    length = float(elapsed[-1] - elapsed[0])
    taus = equal_ratios(SHORTEST_TAU, LONGEST_TAU, TAUS) * length
    coarse, evidence = _weigh(elapsed, values, resolution, taus)
    likely = np.flatnonzero(evidence > evidence.max() - UNLIKELY)
    if likely.size > TAUS // 3:
        return coarse
    # much is known of the time constant: look again between those that are likely
    low, high = taus[max(likely[0] - 1, 0)], taus[min(likely[-1] + 1, TAUS - 1)]
    fine = np.append(equal_ratios(low, high, TAUS), taus[-1])
    return _weigh(elapsed, values, resolution, fine)[0]


def _weigh(
    elapsed: Floats, values: Floats, resolution: float, taus: Floats
) -> tuple[_Average, Floats]:
    """Average over the given time constants (the last stands for a straight line), and evidence."""
    n = values.size
    length = float(elapsed[-1] - elapsed[0])
    shape = -taus[:, None] * np.expm1(-elapsed / taus[:, None])  # unit slope at time zero
    mean = shape.sum(axis=1) / n
    average = float(values.sum()) / n
    centered = shape - mean[:, None]
    target = values - average
    power = np.einsum("ij,ij->i", centered, centered)
    rates = -(centered @ target) / power
    starts = average + rates * mean
    residuals = target + rates[:, None] * centered
    squares = np.einsum("ij,ij->i", residuals, residuals)
    level = max(abs(average), 1e-12)
    natural = np.log(taus * np.maximum(np.abs(rates), 1e-12 * level / length) / level)
    leaks = natural >= MIN_LOSS
    leaks[-1] = True
    best = int(np.argmin(np.where(leaks, squares, np.inf)))
    variance = max(float(squares[best]) / max(n - 3, 1), resolution**2 / 12.0, 1e-24)
    variance *= _inflation(residuals[best])
    evidence = -0.5 * squares / variance - 0.5 * np.log(power)
    evidence -= 0.5 * ((natural - USUAL[0]) / USUAL[1]) ** 2
    evidence = np.where(leaks, evidence, -np.inf)
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    rate = float(weight @ rates)
    rate_variance = float(weight @ ((rates - rate) ** 2 + variance / power))
    start = float(weight @ starts)
    if float(np.ptp(values)) < 3.0 * resolution:  # roundings of one gauge do not average out
        rate_variance += 2.0 * resolution**2 / 12.0 / length**2
    curved = float(squares[-1] - squares[best]) / variance > CURVED
    found = _Average(start, rate, rate_variance, variance, curved)
    return found, np.asarray(evidence)


def _early(elapsed: Floats, pressure: Floats) -> tuple[Floats, Floats]:
    """Readings until most is lost, thinned: the initial rate is not to be bent by the tail's shape.

    An orifice, or a leak that chokes, is no exponential over its whole course, but near enough to
    one over its first part.
    """
    first = median(pressure[:3])
    left = np.flatnonzero(pressure > KEPT * first)
    stop = int(left[-1]) + 1 if left.size else pressure.size
    if stop < EARLY_POINTS or first < 0.5 * float(np.abs(pressure).max()):
        stop = pressure.size  # too few, or not falling towards zero
    return thinned(elapsed[:stop], pressure[:stop], MAX_POINTS)


def _end(elapsed: Floats, values: Floats, variance: float) -> tuple[float, float, float, float]:
    """Time constant and floor with their standard uncertainties."""
    fit = exponential_fit(elapsed, values)
    widened = variance * max(values.size - 3, 1) / max(fit.squares, 1e-300)
    covariance = fit.covariance * max(widened, 1.0)
    tau = 1.0 / fit.c
    tau_u = math.sqrt(covariance[2, 2]) * tau**2
    floor_variance = covariance[0, 0] + covariance[1, 1] + 2.0 * covariance[0, 1]
    return tau, tau_u, fit.a + fit.b, math.sqrt(max(floor_variance, 0.0))


def _inflation(residual: Floats) -> float:
    """How much the residuals' correlation in time widens the variance of what is fitted to them."""
    power = float(residual @ residual)
    if power <= 0.0 or residual.size < 8:
        return 1.0
    first = float(residual[1:] @ residual[:-1]) / power
    first = min(max(first, 0.0), 0.9)
    return (1.0 + first) / (1.0 - first)


def find_start(time: Floats, pressure: Floats, noted: float, noise: float) -> int:
    """Find where a leak-down begins, near where a hand noted it.

    Before it the gauge stands at the source's level, from it on the pressure decays. Both are
    fitted for every possible beginning; a hand is a few seconds off.

    Parameters
    ----------
    time, pressure
        Readings from some seconds before the noted time on, shape (n,).
    noted
        When the source was shut off, as it was noted.
    noise
        Standard deviation of a reading.

    Returns
    -------
    int
        Index of the first reading of the leak-down.
    """
    n = time.size
    count = np.arange(n, 0, -1)
    value = pressure - pressure.mean()
    before = np.concatenate(([0.0], np.cumsum(value)[:-1]))
    number = np.maximum(np.arange(n), 1)
    scatter = np.concatenate(([0.0], np.cumsum(value**2)[:-1])) / number - (before / number) ** 2
    # for any beginning the decay is the same two columns, so sums from the end serve them all
    taus = equal_ratios(SHORTEST_TAU, 30.0, 12) * (time[-1] - time[0])
    decay = np.exp(-(time - time[0]) / taus[:, None])

    def from_end(terms: Floats) -> Floats:
        return np.asarray(np.cumsum(terms[..., ::-1], axis=-1)[..., ::-1]) / count

    mean, mean_decay = from_end(value), from_end(decay)
    variance = from_end(value**2) - mean**2
    along = from_end(decay * value) - mean_decay * mean
    power = np.maximum(from_end(decay**2) - mean_decay**2, 1e-300)
    after = (variance - along**2 / power).min(axis=0)
    pooled = (np.arange(n) * np.maximum(scatter, 0.0) + count * np.maximum(after, 0.0)) / n
    cost = min(n, MAX_INDEPENDENT) * np.log(pooled + noise**2)
    cost += ((time - noted) / NOTED_WITHIN_S) ** 2
    as_noted = min(int(np.searchsorted(time, noted)), n - 1)
    possible = (np.abs(time - noted) <= LATEST_S) & (count >= MIN_POINTS)
    source = pressure[time < noted - LATEST_S]
    if source.size and float(np.ptp(source)) > RESTLESS * noise + RESTLESS_SHARE * pressure.max():
        possible &= time >= noted  # a source that rises and falls looks like leak-downs itself
    if not possible.any():
        return as_noted
    best = int(np.argmin(np.where(possible, cost, np.inf)))
    return best if cost[best] < cost[as_noted] - CONVINCING else as_noted


def thinned(time: Floats, value: Floats, most: int) -> tuple[Floats, Floats]:
    """Means of equal numbers of neighbouring readings, at most about `most` of them."""
    every = -(-time.size // most)
    if every == 1:
        return time, value
    return block_means(time, every), block_means(value, every)
