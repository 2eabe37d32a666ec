"""Where the warming coolant's curve first breaks away because the thermostat starts to open.

Until the thermostat opens the coolant warms along a smooth, slightly bent curve: heat less loss
over heat capacity. From the break on it falls behind that curve by ``d * x**p``: a thermostat that
snaps open gives ``p = 1``, a valve that follows its lagging wax in proportion ``p = 2`` (flow grows
with time, temperature with its integral), a valve whose lift starts softly ``p = 3``. None of them
is known beforehand, so all are fitted at every possible break and weighted by how well they fit
(Bayesian model averaging, J. A. Hoeting et al., Statist. Sci. 14, 1999, 382; from memory).
Each fit is linear, so hundreds of them are one batch of small matrices.

Only readings up to the peak are used: what follows (cold water arriving from the radiator,
overshoot, settling) depends on things no log shows.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Final

import numpy as np

from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.values import dataclass

POWERS: Final = (1, 2, 3)
"""Fitted powers of the departure, from 1 on without a gap."""

SCALE_S: Final = 20.0
"""Times are counted in this unit within the fit, which keeps the matrices well conditioned."""

BEND: Final = (-0.010, 0.030)
"""Bend of the warming curve before the break, as share of its slope per `SCALE_S`: mean and
standard deviation. An engine left alone approaches its heat balance with a time constant of some
500 to 2000 s; in traffic the block's stored heat bends the curve either way."""

LOAD: Final = (1.2, 0.8)
"""Relative change of the warming rate for a relative change of the load index: mean and standard
deviation. The index is only a rough measure of the heat."""

SHARPNESS: Final[dict[int, tuple[float, float]]] = {1: (0.7, 0.5), 2: (1.0, 1.2), 3: (1.0, 1.5)}
"""Departure within `SCALE_S` as a share of the warming in that time: mean and standard deviation.
An open thermostat takes away several times the heat the engine gives."""

MIN_BREAK: Final = 0.15
"""Less loss of slope between break and peak than this share is no break."""

REACHES: Final = ((10.0, 95.0), (8.0, 75.0), (6.5, 60.0))
"""How far below (K) and before (s) the peak the fit begins, whichever is nearer: the farthest
whose readings the model describes."""

MIN_REACH_K: Final = 5.0
"""... but never nearer than this."""

BAND_K: Final = 8.0
"""The break is looked for within this of the peak: fully open is 5 to 10 K above start to open."""

AT_PEAK: Final = 0.5
TAKES_S: Final = 25.0
"""Prior: in half the cars the break is the peak itself, because cold water from the radiator ends
the warming at once; in the others the peak follows some tens of seconds later (exponential)."""

ROUND_S: Final = (1.5, 3.0)
"""A peak is rounded by the sensor's lag and by the first, small flow: the break is earlier by this,
with this standard deviation."""

SHAPE_K: Final = 0.3
"""What the unknown shape of the curve about the break adds in any case (standard deviation)."""

BELOW_HELD: Final = (1.5, 1.2)
WAX_LAG_S: Final = (8.0, 6.0)
"""A valve opens this far below the level it then holds (K), and its wax lags the coolant by this;
mean and standard deviation of each. Together they say roughly where the break must be."""

MIN_BEFORE_K: Final = 2.0
MIN_BEFORE: Final = 6
MAX_CANDIDATES: Final = 36
MAX_POINTS: Final = 120

CORRELATED: Final = 2.0
"""Readings of one sensor a few seconds apart are worth about half as many independent ones."""

GOOD_FIT: Final = 1.1
UNEXPLAINED_SHARE: Final = 0.5
"""Share of the rise between break and peak that may belong to a change of load instead."""

UNAMBIGUOUS_K: Final = 1.5


@dataclass(frozen=True, slots=True)
class Break:
    """The break in a warming curve.

    Parameters
    ----------
    time
        When, s.
    temperature
        The coolant's temperature there.
    u
        Standard uncertainty from noise, rounding, the unknown shape and changes of load.
    slope
        Warming rate before the break, K/s.
    start, peak
        Indices of the first reading used and of the peak.
    misfit
        Root mean square residual of the best fit over the readings' noise.
    """

    time: float
    temperature: float
    u: float
    slope: float
    start: int
    peak: int
    misfit: float


def fit_break(
    time: Floats, value: Floats, smooth: Floats, peak: int, noise: float, load: Floats | None = None
) -> Break | None:
    """Fit the break before a peak (or before the knee, where there is no overshoot).

    Parameters
    ----------
    time, value
        Evenly spaced times, s, and readings, °C; shape (n,); NaN where there is none.
    smooth
        The readings smoothed, without NaN.
    peak
        Index of the peak or of the end of the knee.
    noise
        Standard deviation of a reading about its true value, K.
    load
        Index of the engine's load, shape (n,), without NaN; None where it is not known.

    Returns
    -------
    Break or None
        None where too little of the warming before it was logged.
    """
    found: Break | None = None
    after = smooth[peak + round(40.0 / (time[1] - time[0])) :][: round(120.0 / (time[1] - time[0]))]
    regulated = median(after) if after.size else float(smooth[peak])
    last = -1
    for depth, seconds in REACHES:
        start = max(_below(smooth, peak, depth), int(np.searchsorted(time, time[peak] - seconds)))
        start = min(start, _below(smooth, peak, MIN_REACH_K))
        start = _after_gap(time, value, start, peak)
        if start == last:
            continue
        last = start
        tried = _fit_from(start, time, value, smooth, peak, noise, load, regulated)
        if tried is None:
            continue
        if found is None or tried.misfit < found.misfit:
            found = tried
        if tried.misfit <= GOOD_FIT:
            break
    return found


def _below(smooth: Floats, peak: int, depth: float) -> int:
    """Last index before the peak that lies `depth` below it, or the first one."""
    below = np.flatnonzero(smooth[:peak] <= smooth[peak] - depth)
    return int(below[-1]) if below.size else 0


def _after_gap(time: Floats, value: Floats, start: int, peak: int) -> int:
    """First reading after the last long gap before the peak, if that is later than `start`."""
    step = float(time[1] - time[0])
    missing = np.isnan(value[start : peak + 1])
    if not missing.any():
        return start
    seen = start + np.flatnonzero(~missing)
    if seen.size < 2:
        return start
    gaps = np.flatnonzero(np.diff(seen) * step > max(20.0, 3.0 * step))
    return int(seen[gaps[-1] + 1]) if gaps.size else start


def _fit_from(
    start: int,
    time: Floats,
    value: Floats,
    smooth: Floats,
    peak: int,
    noise: float,
    load: Floats | None,
    regulated: float,
) -> Break | None:
    stop = peak + 1
    least = max(smooth[peak] - BAND_K, smooth[start] + MIN_BEFORE_K)
    late = np.flatnonzero(smooth[start:stop] >= least)
    if late.size == 0:
        return None
    first = max(start + int(late[0]), start + MIN_BEFORE)
    if peak - first < 2:
        return None
    every = max(1, (peak - first) // MAX_CANDIDATES)
    candidates = time[peak - every * np.arange((peak - first) // every, -1, -1)]
    valid = start + np.flatnonzero(~np.isnan(value[start:stop]))
    valid = valid[:: max(1, valid.size // MAX_POINTS)]
    if valid.size < MIN_BEFORE + 4:
        return None
    rise = smooth[peak] - smooth[start]
    rate = max(rise / (time[peak] - time[start]), 0.01)
    worked = None
    if load is not None:
        relative = load / max(float(load[start:stop].mean()), 1e-9) - 1.0
        worked = np.cumsum(relative) * (time[1] - time[0]) / SCALE_S
    fits = _all_fits(time, value, valid, candidates, worked, rate * SCALE_S, noise)
    takes = time[peak] - candidates
    prior = (1.0 - AT_PEAK) / TAKES_S * np.exp(-takes / TAKES_S) * every * (time[1] - time[0])
    prior[-1] = AT_PEAK
    likely = regulated - BELOW_HELD[0] + WAX_LAG_S[0] * rate
    off = (fits.level - likely) / math.hypot(BELOW_HELD[1], WAX_LAG_S[1] * rate)
    evidence = fits.evidence + np.log(prior) - 0.5 * off**2
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    level = fits.level.copy()
    level[:, -1] -= ROUND_S[0] * rate
    temperature = float((weight * level).sum())
    spread = float((weight * ((level - temperature) ** 2 + fits.variance)).sum())
    spread += (ROUND_S[1] * rate) ** 2 + SHAPE_K**2
    # a break well below the peak may be a change of load, unless the load is known to be steady
    early = max(0.0, float(smooth[peak]) - temperature - UNAMBIGUOUS_K)
    if load is not None and float(np.ptp(load[start:stop])) < 0.1 * float(load[start:stop].mean()):
        early = 0.0
    return Break(
        float((weight * candidates).sum()),
        temperature,
        math.sqrt(spread + (UNEXPLAINED_SHARE * early) ** 2),
        float((weight * fits.slope).sum()),
        start,
        peak,
        fits.misfit,
    )


@dataclass(frozen=True, slots=True)
class _Fits:
    """Every break with every power, shape (powers, candidates).

    Parameters
    ----------
    level, variance
        Coolant temperature at the break and its variance in that fit.
    slope
        Warming rate before the break, K/s.
    evidence
        Logarithm of how probable the readings are, up to a constant; -inf where there is no break.
    misfit
        Root mean square residual of the best fit over the noise.
    """

    level: Floats
    variance: Floats
    slope: Floats
    evidence: Floats
    misfit: float


def _all_fits(
    time: Floats,
    value: Floats,
    valid: np.ndarray[tuple[int], np.dtype[np.int64]],
    candidates: Floats,
    worked: Floats | None,
    typical: float,
    noise: float,
) -> _Fits:
    """Fit every break with every power: Bayesian linear regression, in closed form."""
    x = (time[valid] - candidates[:, None]) / SCALE_S
    center = float(value[valid].mean())
    target = value[valid] - center
    alike = [np.ones_like(x), x, np.minimum(x, 0.0) ** 2]
    if worked is not None:
        alike.append(worked[valid] - np.interp(candidates, time, worked)[:, None])
    design = _Design(np.stack(alike, axis=1), _departures(np.maximum(x, 0.0)))
    # what is known weighs against a reading as the noise does to the typical slope
    known = (noise / typical) ** 2 * _known_beforehand(loaded=worked is not None)
    normal = design.normal() + known
    along = design.along(target)
    sides = np.zeros((*along.shape, 2))
    sides[..., 0] = along
    sides[..., 0, 1] = 1.0  # of the inverse only the level's column is asked for
    solved: Floats = np.linalg.solve(normal, sides).astype(np.float64, copy=False)
    found = solved[..., 0]
    # what is left of the readings, and of what is known, at the best fit
    squares = float(target @ target) - np.einsum("pck,pck->pc", found, along)
    slope, departure = found[..., 1], found[..., -1]
    power = np.array(POWERS, dtype=float)[:, None]
    length = np.maximum((time[valid[-1]] - candidates) / SCALE_S, 0.0)
    lost = departure * power * length ** (power - 1.0)
    is_break = (slope > 0.0) & (lost >= MIN_BREAK * slope)
    is_break[:, -1] = True  # the peak itself: nothing is lost before it
    freedom = max(valid.size - normal.shape[-1], 1)
    variance = max(float(squares[is_break].min()) / freedom, noise**2)
    widths = np.array([math.log(SHARPNESS[each][1]) for each in POWERS])[:, None]
    evidence = -0.5 * squares / (variance * CORRELATED)
    evidence -= 0.5 * np.log(np.linalg.det(normal)) + widths
    return _Fits(
        np.asarray(found[..., 0] + center),
        np.asarray(solved[..., 0, 1] * variance * CORRELATED),
        slope / SCALE_S,
        np.asarray(np.where(is_break, evidence, -np.inf)),
        math.sqrt(variance) / noise,
    )


@dataclass(frozen=True, slots=True)
class _Design:
    """Regressors of all fits; those that all powers have alike are kept once.

    Parameters
    ----------
    alike
        Level, slope, bend and perhaps work done, shape (candidates, k - 1, n).
    departures
        The last regressor, shape (powers, candidates, n).
    """

    alike: Floats
    departures: Floats

    def normal(self) -> Floats:
        """Products of all regressors with each other, shape (powers, candidates, k, k)."""
        powers, candidates, _ = self.departures.shape
        last = self.alike.shape[1]
        normal = np.empty((powers, candidates, last + 1, last + 1))
        normal[..., :last, :last] = self.alike @ self.alike.swapaxes(-1, -2)
        mixed = (self.alike @ self.departures[..., None])[..., 0]
        normal[..., :last, last] = mixed
        normal[..., last, :last] = mixed
        normal[..., last, last] = np.einsum("pci,pci->pc", self.departures, self.departures)
        return normal

    def along(self, target: Floats) -> Floats:
        """Products of the regressors with a target, shape (powers, candidates, k)."""
        last = (self.departures @ target)[..., None]
        alike = np.broadcast_to(self.alike @ target, (*last.shape[:2], self.alike.shape[1]))
        return np.concatenate((alike, last), axis=-1)


def _departures(after: Floats) -> Floats:
    """How far the coolant falls behind, by every power of the time after the break."""
    fallen = [-after]
    for _ in POWERS[1:]:
        fallen.append(fallen[-1] * after)
    return np.stack(fallen)


@cache
def _known_beforehand(*, loaded: bool) -> Floats:
    """Products of the regressors in what is known beforehand, shape (powers, 1, k, k).

    Each mean of a coefficient, as a share of the slope, is one more row beside the readings.

    Parameters
    ----------
    loaded
        Whether the work done is a regressor.
    """
    last = 4 if loaded else 3
    rows = np.zeros((len(POWERS), 1, last - 1, last + 1))
    for place, power in enumerate(POWERS):
        for row, (of, (mean, deviation)) in enumerate(
            [(2, BEND), (last, SHARPNESS[power])] + ([(3, LOAD)] if loaded else [])
        ):
            rows[place, 0, row, of] = 1.0 / deviation
            rows[place, 0, row, 1] = -mean / deviation
    return np.asarray(rows.swapaxes(-1, -2) @ rows)
