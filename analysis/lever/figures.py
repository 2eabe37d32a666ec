"""The lever's figures, or the sentence why there are none."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.lever.fit.ends import Ends
from analysis.lever.fit.fit import Fit
from analysis.lever.fit.model import LOG_SLOW, LOG_TAU, SLOW_SHARE, TAU_SLOPE, A, B
from analysis.lever.path import NotMeasurable
from analysis.measurement import Measurement
from ingest.values import dataclass

END_PCT: Final = 5.0
"""The lever was at an end of the slot within this."""

MAX_U_PCT: Final = 10.0
MAX_BACKLASH_U_PCT: Final = 4.5
"""Figures less certain than this are no figures."""

END_SHARE: Final = 0.8
"""Share of what the lag at an end leaves there that its dead travel may be off."""

LAG_SHARE: Final = 0.1
"""Share of what a lag leaves between the sweeps that may pass for backlash: no lag is quite the
model's."""


END_SHAPE_PCT: Final = 0.7
"""What the shape of the curve between the last positions leaves open at each end, % of travel
(k = 1): 2.5 % of the span lies in one step of a sweep, and doors of one travel end bluntly or run
out softly."""

SHAPE_SHARED: Final = 0.7
"""Correlation of that at both ends: one linkage makes both."""

VALVE_SHARE: Final = 0.35
"""Of the travel between a shut water valve and where the outlet was first seen to follow, this
share is left open (k = 1): a trickle near the seat takes minutes to come through and in the end
heats nearly as much air as a stream: shorter holds do not show it (common practice, no source)."""

VALVE_DWELL_S: Final = 180.0
"""Held this long at each position, a trickle has come through."""


@dataclass(frozen=True)
class Swept:
    """How the lever was moved, and what every figure of it says besides its value.

    Parameters
    ----------
    low, high
        Coldest and hottest position the lever stood at, %.
    side
        0 where it was moved both ways between them, +1/2 only opened, -1/2 only closed.
    window
        From and to, s from engine start.
    note
        What a reader must know.
    valve
        Whether the lever moves a water valve and stood nowhere long enough for a trickle to show.
    """

    low: float
    high: float
    side: float
    window: tuple[float, float]
    note: str | None
    valve: bool = False

    def made(self, value: float, u: float) -> Measurement:
        """A figure in % of travel."""
        return Measurement(float(value), "%", float(u), note=self.note, window=self.window)


def travel(ends: Ends, fitted: Fit, swept: Swept) -> tuple[Measurement, Measurement, Measurement]:
    """Dead travel at the cold and the hot end, and what is left between them.

    Raises
    ------
    NotMeasurable
        Where an end of the slot was not reached and the curve had not gone flat before it, or the
        steps were too coarse.
    """
    short = (swept.low, 100.0 - swept.high)
    for name, missing, flat, u in zip(("cold", "hot"), short, ends.flat, ends.flat_u, strict=True):
        if missing > END_PCT and flat < 2.0 + 2.0 * u:
            raise NotMeasurable(
                f"the lever came no nearer than {missing:.0f} % to its {name} end and the outlet "
                "was still changing there: the whole span was not seen"
            )
    # what lies beyond the last position the lever stood at is dead travel or is not
    unseen = np.array(
        [each if flat < 1.0 else 0.0 for each, flat in zip(short, ends.flat, strict=True)]
    )
    cold, hot = ends.value[:2] + short - unseen / 2
    # what a lag leaves flattens both ends alike; where it is longest, that end is seen worst
    covariance = ends.covariance[:2, :2] + lag_uncertainty(fitted) ** 2
    seat = np.array([VALVE_SHARE * max(float(cold), 0.0) if swept.valve else 0.0, 0.0])
    covariance += END_SHAPE_PCT**2 * np.array([[1.0, SHAPE_SHARED], [SHAPE_SHARED, 1.0]])
    covariance += np.diag(unseen**2 / 12 + np.square(end_uncertainty(fitted)) + seat**2)
    u_cold, u_hot = np.sqrt(np.diag(covariance))
    u_both = math.sqrt(max(float(covariance.sum()), 1e-6))
    if max(u_cold, u_hot) > MAX_U_PCT and swept.valve and u_cold > u_hot:
        raise NotMeasurable(
            f"near cold the water valve was not held long enough at a position: its dead travel is "
            f"uncertain by {2 * u_cold:.0f} %; hold the lever there for "
            f"{VALVE_DWELL_S / 60.0:.0f} min at each"
        )
    if max(u_cold, u_hot) > MAX_U_PCT:
        raise NotMeasurable(
            f"the steps of the lever were too coarse for its outlet: its dead travel is uncertain "
            f"by {2 * max(u_cold, u_hot):.0f} %; move it in steps of about 10 %"
        )
    both = swept.made(100.0 - cold - hot, u_both)
    return swept.made(cold, u_cold), swept.made(hot, u_hot), both


def hysteresis(ends: Ends, fitted: Fit, swept: Swept) -> Measurement:
    """The backlash, with the uncertainty a lag leaves."""
    if swept.side != 0.0:
        done = "opened" if swept.side > 0 else "closed"
        return Measurement.missing(
            "%", f"the lever was only {done} step by step: sweep it both ways with the engine warm"
        )
    u = math.hypot(math.sqrt(float(ends.covariance[2, 2])), lag_uncertainty(fitted))
    if u > MAX_BACKLASH_U_PCT:
        return Measurement.missing(
            "%",
            f"backlash and lag could not be told apart (± {2 * u:.0f} %): let the outlet settle "
            "longer at each position of the lever",
        )
    return swept.made(float(ends.value[2]), u)


def lag_uncertainty(fitted: Fit) -> float:
    """Part of what the lags leave between the sweeps that may pass for backlash, % of travel."""
    params = fitted.params
    share = min(abs(float(params[SLOW_SHARE])) + fitted.u(SLOW_SHARE), 0.3)
    behind = (1.0 - share) * _left_behind(fitted, math.exp(params[LOG_TAU]))
    behind += share * _left_behind(fitted, math.exp(params[LOG_SLOW]))
    return LAG_SHARE * 2.0 * min(behind, float(params[B] - params[A]))


def end_uncertainty(fitted: Fit) -> tuple[float, float]:
    """What a lag that is longest at an end leaves unseen there, cold and hot, % of travel.

    Little coolant through a valve takes minutes to reach the outlet: in a dwell of one the settled
    response there is as much extrapolated as seen.
    """
    tau, slope = math.exp(fitted.params[LOG_TAU]), float(fitted.params[TAU_SLOPE])
    cold, hot = (
        max(way * slope, 0.0) * _left_behind(fitted, tau * (1.0 + way * slope))
        for way in (-0.5, 0.5)
    )
    return END_SHARE * cold, END_SHARE * hot


def _left_behind(fitted: Fit, tau: float) -> float:
    """How far the outlet is behind the lever when that is moved on, % of travel.

    Of evenly spaced steps of `s` every `d` seconds a lag `tau` leaves ``s r / (1 - r)`` with
    ``r = exp(-d / tau)``.
    """
    step, dwell = fitted.problem.pace
    left = math.exp(-max(dwell, 1e-3) / max(tau, 1e-3))
    return step * left / (1.0 - left)
