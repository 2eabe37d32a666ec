"""What keeps an outlet short of its family's: cool coolant, less flow, or cold air past the core.

Two numbers are measured, effectiveness and flow ratio, and three things may have changed besides
the coolant's temperature: coolant flow, air flow, leak. The flow ratio tells only the ratio of the
flows. Faults lessen flows: a ratio above the usual is therefore read as less coolant with the usual
air, one below it as less air with the usual coolant. What effectiveness is then still missing
along the core's own curve is cold air that joined behind it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.heater.fit import HeaterFit
from analysis.heater.model import AIR_SIDE, COOLANT_EXPONENT, DELIVERED, Core
from analysis.heater.setting import at_engine_speed
from analysis.measurement import Measurement, combine
from analysis.timeline.levels import with_note

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.arrays import Floats

SPREAD: Final[Mapping[str, float]] = {
    "effectiveness": 0.05,
    "flow_ratio": 0.15,
    "coolant": 3.0,
    "leak": 0.05,
}
"""Spread from car to car of a family where too few good cars tell it: the first two relative, the
coolant's in K, the leak's as a share of the air. Common practice, no source."""

PRIOR_CARS: Final = 3.0
"""The assumed spread counts as much as this many good cars."""

SLOPE_STEP: Final = 1e-3


@dataclass(frozen=True)
class UsualHeater:
    """What is usual of a family's heaters.

    Parameters
    ----------
    effectiveness, flow_ratio
        With the family's spread in their uncertainty, [-].
    coolant
        Level the coolant is held at, °C; None where it is not known.
    leak_spread
        How much of the air crosses the core more in one good car than in another (k = 1): air and
        coolant flows differ too, but along the core's own curve, where they look like no leak.
    engine_speed
        Engine speed they are told for, rpm; None where not all of them were logged with it.
    cars
        How many good cars are behind them.
    """

    effectiveness: Measurement
    flow_ratio: Measurement
    coolant: Measurement | None
    leak_spread: float
    engine_speed: float | None
    cars: int


def usual_heater(fits: Sequence[HeaterFit]) -> UsualHeater | None:
    """What good cars of a family have in common.

    Parameters
    ----------
    fits
        Of good cars. One will do, and then stands with an assumed spread.

    Returns
    -------
    UsualHeater or None
        None where no fit has both effectiveness and flow ratio.
    """
    known = [
        fit
        for fit in fits
        if fit.effectiveness.value is not None and fit.flow_ratio.value is not None
    ]
    if not known:
        return None
    speeds = [fit.engine_speed for fit in known if fit.engine_speed is not None]
    speed = float(np.mean(speeds)) if len(speeds) == len(known) else None
    warm = [fit.coolant.known() for fit in known if fit.settled and fit.coolant.value is not None]
    shares, ratios = (
        [brought_to(fit, name, speed).known() for fit in known]
        for name in ("effectiveness", "flow_ratio")
    )
    usual = _typical("effectiveness", shares, "–"), _typical("flow_ratio", ratios, "–")
    return UsualHeater(
        *usual,
        _typical("coolant", warm, "degC") if warm else None,
        _leak_spread(np.array(shares), np.array(ratios), *usual),
        speed,
        len(known),
    )


def _typical(name: str, values: Sequence[float], unit: str) -> Measurement:
    """Median with the predictive spread of the next car: assumed and seen spread, pooled."""
    center = float(np.median(values))
    assumed = SPREAD[name] * (1.0 if name == "coolant" else center)
    return Measurement(center, unit, _pooled(np.asarray(values), assumed))


def _pooled(values: Floats, assumed: float) -> float:
    seen = float(((values - values.mean()) ** 2).sum())
    variance = (PRIOR_CARS * assumed**2 + seen) / (PRIOR_CARS + values.size - 1.0)
    return math.sqrt(variance * (1.0 + 1.0 / values.size))


def _leak_spread(
    shares: Floats, ratios: Floats, usual_share: Measurement, usual_ratio: Measurement
) -> float:
    """Spread of the good cars' own leaks against their usual."""
    core = Core.from_outlet(usual_share.known(), usual_ratio.known())
    flow = usual_ratio.known() / ratios
    leaks = core.leak(shares, np.minimum(flow, 1.0), np.minimum(1.0 / flow, 1.0))
    leaks = leaks[~np.isnan(leaks)]
    return _pooled(leaks, SPREAD["leak"]) if leaks.size else 2.0 * SPREAD["leak"]


def brought_to(fit: HeaterFit, name: str, speed: float | None) -> Measurement:
    """A number brought to another engine speed, where both are known; else as it is.

    Parameters
    ----------
    fit
        Of a run.
    name
        ``effectiveness`` or ``flow_ratio``; it must have a value.
    speed
        rpm.
    """
    measured: Measurement = getattr(fit, name)
    if speed is None or fit.engine_speed is None:
        return measured
    factor, doubt = at_engine_speed(name, speed / fit.engine_speed)
    value = measured.known()
    # doubt of the factor comes on top of the number's own, which goes with it
    terms = ((factor, measured), (value, Measurement(factor, "–", doubt)))
    return combine(factor * value, "–", terms)


@dataclass(frozen=True)
class Split:
    """Why an outlet differs from its family's.

    Parameters
    ----------
    core_flow_share
        Coolant flow over the usual, [-]; at the same engine speed where it was logged. Above 1
        less air than usual gives the same.
    leak_share
        Share of the air that does not cross the core though it usually does, [-].
    missing_coolant, missing_flow, missing_leak
        What coolant cooler than usual, changed flows, and cold air cost at the outlet, K; negative
        where the outlet gains.
    """

    core_flow_share: Measurement
    leak_share: Measurement
    missing_coolant: Measurement
    missing_flow: Measurement
    missing_leak: Measurement


def split(fit: HeaterFit, usual: UsualHeater) -> Split:
    """Share out what is missing at the outlet.

    Parameters
    ----------
    fit
        Of the car in question. Without `coolant_out` only the coolant's part can be told.
    usual
        Of its family.
    """
    cooler = _missing_coolant(fit, usual)
    for measured in (fit.effectiveness, fit.flow_ratio):
        if measured.value is None:
            why = measured.note or "the heater could not be fitted"
            none, kelvin = Measurement.missing("–", why), Measurement.missing("K", why)
            return Split(none, none, cooler, kelvin, kelvin)
    inputs = _inputs(fit, usual)
    answers = _answers(*_points(inputs)).T
    flow, by_flow = (_propagated(each, inputs) for each in answers[[0, 2]])
    # what the family's cars differ by in flow does not widen what a leak is told by
    fixed = tuple(Measurement(each.known(), each.unit) for each in inputs[2:4])
    own = (*inputs[:2], *fixed, *inputs[4:])
    leak, by_leak = (
        _propagated(each, own, usual.leak_spread * slope)
        for each, slope in zip(answers[[1, 3]], (1.0, float(answers[4, 0])), strict=True)
    )
    lead = fit.coolant.known() - fit.air.known()
    reading = "" if flow.known() < 1.0 else "less air than usual would look the same"
    return Split(
        with_note(flow, reading),
        with_note(leak, f"against {usual.cars} good car{'s' if usual.cars > 1 else ''}"),
        cooler,
        by_flow if by_flow.value is None else by_flow.scaled(lead, "K"),
        by_leak if by_leak.value is None else by_leak.scaled(lead, "K"),
    )


def core_flow_share(fit: HeaterFit, usual: UsualHeater) -> Measurement:
    """Coolant flow through the core over the family's usual, [-]: see `Split`."""
    return split(fit, usual).core_flow_share


def leak_share(fit: HeaterFit, usual: UsualHeater) -> Measurement:
    """Share of the air that joins cold behind the core, beyond the usual, [-]: see `Split`."""
    return split(fit, usual).leak_share


def _missing_coolant(fit: HeaterFit, usual: UsualHeater) -> Measurement:
    """The coolant's shortfall as the usual heater would pass it on."""
    if usual.coolant is None:
        return Measurement.missing("K", "the family's usual coolant temperature is not known")
    if fit.coolant.value is None or not fit.settled:
        return Measurement.missing("K", "there was no steady window to tell the coolant's level in")
    share = usual.effectiveness.known()
    cooler = usual.coolant.known() - fit.coolant.known()
    return combine(
        share * cooler,
        "K",
        ((share, usual.coolant), (-share, fit.coolant), (cooler, usual.effectiveness)),
    )


def _inputs(fit: HeaterFit, usual: UsualHeater) -> tuple[Measurement, ...]:
    """What the split rests on: the car, its family, and what is assumed of any core."""
    return (
        brought_to(fit, "effectiveness", usual.engine_speed),
        brought_to(fit, "flow_ratio", usual.engine_speed),
        usual.effectiveness,
        usual.flow_ratio,
        Measurement(AIR_SIDE[0], "–", AIR_SIDE[1]),
        Measurement(DELIVERED[0], "–", DELIVERED[1]),
        Measurement(COOLANT_EXPONENT[0], "–", COOLANT_EXPONENT[1]),
    )


def _points(inputs: Sequence[Measurement]) -> Floats:
    """The inputs, and after them each of them moved in turn; one row an input."""
    point = np.array([each.known() for each in inputs])
    moved = np.diag(SLOPE_STEP * point)
    return np.asarray(point[:, None] + np.insert(moved, 0, 0.0, axis=1))


def _answers(
    share: Floats,
    ratio: Floats,
    usual_share: Floats,
    usual_ratio: Floats,
    air_side: Floats,
    delivered: Floats,
    exponent: Floats,
) -> Floats:
    """Flow share, leak, what either costs of effectiveness, and its slope against the leak.

    One row an input point.
    """
    core = Core.from_outlet(usual_share, usual_ratio, air_side, delivered, exponent)
    flow = usual_ratio / ratio
    flows = np.minimum(flow, 1.0), np.minimum(1.0 / flow, 1.0)
    leak = core.leak(share, *flows)
    tight = core.outlet(*flows)
    slope = (core.outlet(*flows, leak + SLOPE_STEP) - core.outlet(*flows, leak)) / SLOPE_STEP
    return np.stack([flow, leak, usual_share - tight, tight - share, slope], axis=1)


def _propagated(answers: Floats, inputs: Sequence[Measurement], spread: float = 0.0) -> Measurement:
    """An answer with all it rests on in its budget, and a spread of its own."""
    if np.isnan(answers).any():
        return Measurement.missing("–", "no core and no leak give an outlet like this")
    value = float(answers[0])
    return combine(
        value,
        "–",
        (
            *(
                ((moved - value) / (SLOPE_STEP * each.known()), each)
                for moved, each in zip(answers[1:].tolist(), inputs, strict=True)
            ),
            (1.0, Measurement(0.0, "–", abs(spread))),
        ),
    )
