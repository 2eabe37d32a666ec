"""The control cable in numbers: which way it is out of adjustment, by how much, and what is gained.

A cable out by d per cent of the travel moves the whole curve: what the lever wastes at one end
grows by d and what it wastes at the other shrinks by d, until nothing is left to waste there and
the door or valve falls short of its stop. Positive d falls short of hot.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from analysis.measurement import Measurement
from ingest.saying import say
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.causes.evidence import Usual
    from analysis.measured import Measured

MIN_DEAD_SHARE: Final = 0.025
"""Even a cable without any waste shows this share of the curve as dead: the definition of dead
travel ends where 2.5 % of the span is covered."""

AGREE: Final = 1.0
"""The two ends are averaged where they agree within this many standard uncertainties."""

SHARED: Final = 0.6
"""Correlation of what the two ends of the travel say of the cable."""

SHAPE_SHARE: Final = 0.35
"""Standard uncertainty of the slope at the end of the curve, as a share: curves bend there."""

NOTABLE: Final = 2.5
"""The cable is called out of adjustment beyond this many standard uncertainties: of a hundred sound
cables no more than two may be called out (normal distribution: 1.2)."""

WORTH_PCT: Final = 5.0
"""Nobody adjusts a cable by less than this, % of travel (common practice, no source)."""


@dataclass(frozen=True)
class Cable:
    """How the cable stands.

    Parameters
    ----------
    offset
        % of the lever's travel; positive falls short of hot, negative short of cold.
    gain
        K the outlet gains at full hot (or loses at the off position) once it is right.
    sentence
        The same in words, or that nothing is to be adjusted.
    """

    offset: Measurement
    gain: Measurement
    sentence: str


def cable_state(measured: Measured, usual: Usual) -> Cable | None:
    """How far the cable is out; None where neither end of the travel was measured.

    Parameters
    ----------
    measured
        The run and its figures.
    usual
        The family's dead travels.
    """
    offset = _offset(measured, usual)
    if offset is None:
        return None
    gain = _gain(measured, usual, offset)
    return Cable(offset, gain, _sentence(offset, gain))


def _offset(measured: Measured, usual: Usual) -> Measurement | None:
    ends = (
        _at_end(measured, usual, "dead_travel_cold", 1.0),
        _at_end(measured, usual, "dead_travel_hot", -1.0),
    )
    estimates = [each for each in ends if each is not None]
    told = [each for each in estimates if not each[2]] or estimates
    if not told:
        return None
    if len(told) == 1:
        return Measurement(told[0][0], "%", told[0][1])
    (cold, u_cold, _), (hot, u_hot, _) = told
    if cold * hot > 0.0 and abs(cold - hot) > AGREE * math.hypot(u_cold, u_hot):
        # the end that shrinks runs out of travel to waste; the end that grows keeps counting
        value, u, _ = max(told, key=lambda each: abs(each[0]))
        return Measurement(value, "%", u)
    # travel wasted alike at both ends is no cable: it falls out of the mean of what they show
    both = u_cold**2 + u_hot**2 + 2.0 * SHARED * u_cold * u_hot
    return Measurement(0.5 * (cold + hot), "%", 0.5 * math.sqrt(both))


def _at_end(
    measured: Measured, usual: Usual, name: str, sign: float
) -> tuple[float, float, bool] | None:
    """Offset that the dead travel at one end shows, its spread, and whether it is "at least"."""
    figure = measured.figures.get(name)
    if figure is None or figure.value is None:
        return None
    spread = math.hypot(figure.u or 0.0, usual.spread[name])
    # with nothing left to waste at an end, that end says only "at least"
    exhausted = figure.value < _least_dead(measured) + (figure.u or 0.0)
    return sign * (figure.value - usual.center[name]), spread, exhausted


def _least_dead(measured: Measured) -> float:
    travel = measured.figures.get("effective_travel")
    known = travel is not None and travel.value is not None
    return MIN_DEAD_SHARE * (travel.known() if known and travel is not None else 90.0)


def _value(measured: Measured, name: str) -> float | None:
    figure = measured.figures.get(name)
    return None if figure is None else figure.value


def _gain(measured: Measured, usual: Usual, offset: Measurement) -> Measurement:
    """Slope of the curve times how far the door or valve falls short of its stop."""
    hot = _value(measured, "steady_outlet_rise")
    cold = _value(measured, "cold_end_rise")
    travel = _value(measured, "effective_travel")
    if hot is None or cold is None or travel is None:
        return Measurement.missing("K", "needs the rise at both ends and the lever's curve")
    slope = 0.95 * max(hot - cold, 0.0) / max(travel, 1.0)
    end = "dead_travel_hot" if offset.known() > 0 else "dead_travel_cold"
    spare = max(0.0, usual.center[end] - _least_dead(measured))
    short = max(0.0, abs(offset.known()) - spare)
    u = slope * math.hypot(offset.u or 0.0, usual.spread[end], SHAPE_SHARE * short)
    return Measurement(slope * short, "K", u)


def is_out(offset: Measurement) -> bool:
    """Whether an offset is beyond its uncertainty, and large enough to be worth a wrench."""
    return abs(offset.known()) >= max(NOTABLE * (offset.u or 0.0), WORTH_PCT)


def after_pass(cable: Cable) -> Cable:
    """The same cable in a run that passed: no adjustment is proposed there."""
    if not is_out(cable.offset):
        return cable
    return replace(cable, sentence="no adjustment of the cable: every limit holds")


def _sentence(offset: Measurement, gain: Measurement) -> str:
    size, u = offset.known(), offset.u or 0.0
    if not is_out(offset):
        return say(
            "the cable is within its adjustment ({size:+.0f} ± {u:.0f} % of travel)",
            size=round(size) + 0.0,  # no -0
            u=2 * u,
        )
    end, other = ("hot", "cold") if size > 0 else ("cold", "hot")
    text = (
        f"the cable is out by {abs(size):.0f} ± {2 * u:.0f} % of the lever's travel: it falls "
        f"short of {end} and wastes travel at the {other} end"
    )
    if gain.value is None or gain.value < 1.0:
        return text
    verb = "gain" if size > 0 else "lose"
    place = "full hot" if size > 0 else "the off position"
    return say(
        "{text}; set right, the outlet would {verb} about {gain:.0f (K)} ± {u:.0f K} at {place}",
        text=text,
        verb=verb,
        gain=gain.value,
        u=2 * (gain.u or 0.0),
        place=place,
    )
