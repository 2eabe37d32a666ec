"""The settled response of a heater to its lever: a curve with flat ends, and backlash before it.

The lever moves the door or valve through backlash: the moved part follows only once the backlash is
taken up. That is the play operator (M. A. Krasnosel'skii, A. V. Pokrovskii, Systems with
Hysteresis, Springer 1989, 2.1; from memory). What the moved part then does to the temperature is a
curve that is flat up to a position `a`, flat again from a position `b`, and rises between.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.arrays import Floats
from ingest.values import dataclass

CORNER_PCT: Final = 0.8
"""Half-width over which the flat ends meet the slope, % of travel: seals are not knife edges."""

FORM: Final = 4
"""Parameters of the form itself, `a`, `b`, `log p`, `log q`; ripples follow."""

FIRST_RIPPLE: Final = 2
"""Half-waves of the first ripple; each further one has one more."""

_LEAST: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Play:
    """Positions behind the backlash, and how they change with it.

    Parameters
    ----------
    position
        Position of the moved part, % of travel, shape (k,).
    by_backlash
        Its derivative by the backlash, shape (k,): -1/2 on the rising side, +1/2 on the falling.
    """

    position: Floats
    by_backlash: Floats


def play(lever: Floats, backlash: float) -> Play:
    """Follow the lever through the backlash.

    The moved part lags by half the backlash in either direction, so that the mean of the opening
    and the closing curve is the curve over its own position. Before the first noted position the
    lever is taken to have come from the further end.

    Parameters
    ----------
    lever
        Positions in order of time, % of travel, shape (k,).
    backlash
        Full width of the backlash, % of travel.
    """
    half = 0.5 * backlash
    positions = np.empty(lever.size)
    sides = np.empty(lever.size)
    side = -0.5 if lever.size and lever[0] >= 50.0 else 0.5
    here = float(lever[0]) + side * backlash if lever.size else 0.0
    # Each position depends on the one before; there are a few dozen of them in a test.
    for index, wanted in enumerate(lever.tolist()):
        if wanted - half > here:
            here, side = wanted - half, -0.5
        elif wanted + half < here:
            here, side = wanted + half, 0.5
        positions[index] = here
        sides[index] = side
    return Play(positions, sides)


def ripple_prior(count: int) -> Floats:
    """Standard deviations of ripples: how far real doors and valves are from the plain form.

    Set by fitting the form to straight, kinked, sine, smooth-step, exponential (equal-percentage)
    and saturating characteristics: what the fits leave is inside two of these at every order.
    """
    order = FIRST_RIPPLE + np.arange(count, dtype=float)
    deviations: Floats = 0.02 / order**0.75
    return deviations


def cover(at: Floats, curve: Floats) -> Floats:
    """Share of the change covered at positions, 0 at the cold end and 1 at the hot end.

    Between the flat ends ``1 - (1 - z**p)**q`` (the distribution function of P. Kumaraswamy,
    J. Hydrology 46, 1980, 79-88; from memory), straight for ``p = q = 1``, plus sine ripples that
    stand for what no formula of two letters knows of a real door.

    Parameters
    ----------
    at
        Positions behind the backlash, % of travel, shape (k, ...).
    curve
        ``a, b, log p, log q`` and ripples, shape (4 + ripples, ...).
    """
    z = np.minimum(np.maximum(_ramp(at, curve[0], curve[1]), 0.0), 1.0)
    body: Floats = 1.0 - (1.0 - z ** np.exp(curve[2])) ** np.exp(curve[3])
    sine = np.sin(np.pi * z)
    twice = 2.0 * np.cos(np.pi * z)
    before, sine = sine, twice * sine
    for ripple in curve[FORM:]:
        body += ripple * sine
        before, sine = sine, twice * sine - before
    return body


def cover_slopes(at: Floats, curve: Floats) -> tuple[Floats, Floats, Floats]:
    """`cover` with its derivatives.

    Returns
    -------
    tuple
        Cover, shape (k, ...); derivative by position, shape (k, ...); derivatives by the
        parameters, shape (4 + ripples, k, ...).
    """
    log_p, log_q = curve[2], curve[3]
    ends = curve[:2].reshape(2, *(1,) * (at.ndim - curve.ndim + 1), *curve.shape[1:])
    width = curve[1] - curve[0]
    past = (at - ends) / CORNER_PCT
    begun, ended = 0.5 * (1.0 + np.tanh(0.5 * past))
    softened = np.logaddexp(0.0, past)
    z = (softened[0] - softened[1]) * (CORNER_PCT / width)
    z = np.minimum(np.maximum(z, _LEAST), 1.0 - _LEAST)
    p, q = np.exp(log_p), np.exp(log_q)
    log_z = np.log(z)
    power = np.exp(p * log_z)
    left = np.maximum(1.0 - power, _LEAST)
    log_left = np.log(left)
    tail = np.exp(q * log_left)
    inner = q * tail / left * power
    value = 1.0 - tail
    by_z = p * inner / z
    by = np.empty((curve.shape[0], *z.shape))
    by[2] = inner * log_z * p
    by[3] = -tail * log_left * q
    ripples = curve[FORM:].reshape(-1, *ends.shape[1:])
    waves = np.pi * (FIRST_RIPPLE + np.arange(ripples.shape[0]))
    waves = waves.reshape(-1, *(1,) * z.ndim)
    by[FORM:] = np.sin(waves * z)
    value += (ripples * by[FORM:]).sum(axis=0)
    by_z += (ripples * waves * np.cos(waves * z)).sum(axis=0)
    by[0] = by_z * (z - begun) / width
    by[1] = by_z * (ended - z) / width
    return value, by_z * (begun - ended) / width, by


def crossing(
    level: Floats | float, curves: Floats, low: Floats | float, high: Floats | float
) -> Floats:
    """Where curves have covered a share of what lies between two positions.

    Parameters
    ----------
    level
        The share, 0 to 1, for all or for each of the curves.
    curves
        Shape (4 + ripples, n).
    low, high
        Ends of the slot, % of travel, for all or for each of the curves.

    Returns
    -------
    ndarray
        Positions, % of travel, shape (n,). Where a ripple makes a curve cross more than once, the
        crossing nearest to its end.
    """
    begin = np.broadcast_to(np.asarray(low, dtype=float), curves.shape[1:])
    width = np.broadcast_to(np.asarray(high, dtype=float), curves.shape[1:]) - begin
    covered = cover(begin + _SHARES * width, curves)
    wanted = covered[0] + level * (covered[-1] - covered[0])
    below = covered < wanted
    first, last = np.argmin(below, axis=0), _SHARES.size - np.argmax(below[::-1], axis=0)
    after = np.minimum(np.maximum(np.where(level < 0.5, first, last), 1), _SHARES.size - 1)
    left, right = begin + _SHARES[after - 1, 0] * width, begin + _SHARES[after, 0] * width
    each = np.arange(after.size)
    low_value, high_value = covered[after - 1, each], covered[after, each]
    for _ in range(3):
        middle = 0.5 * (left + right)
        value = cover(middle, curves)
        under = value < wanted
        left, right = np.where(under, middle, left), np.where(under, right, middle)
        low_value = np.where(under, value, low_value)
        high_value = np.where(under, high_value, value)
    rise = np.maximum(high_value - low_value, 1e-12)
    share = np.minimum(np.maximum((wanted - low_value) / rise, 0.0), 1.0)
    found: Floats = left + (right - left) * share
    return found


_SHARES: Final = np.linspace(0.0, 1.0, 25)[:, None]


def _ramp(at: Floats, a: Floats, b: Floats) -> Floats:
    """0 below `a`, 1 above `b`, straight between, with rounded corners."""
    softened = CORNER_PCT * (
        np.logaddexp(0.0, (at - a) / CORNER_PCT) - np.logaddexp(0.0, (at - b) / CORNER_PCT)
    )
    ramp: Floats = softened / (b - a)
    return ramp
