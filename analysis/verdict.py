"""Pass, fail or undecided: a figure against its limit with its uncertainty (JCGM 106:2012).

A figure passes where it lies inside its limits with a probability of at least `CONFORMANCE`, and
fails where it lies beyond one of them with at least that probability. Between is the guard band:
undecided, with what it would take to decide.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from typing import Final, Literal

from analysis.figures import KEY_FIGURE, figures_by_name
from analysis.limits import Limit
from analysis.measurement import Measurement
from ingest.saying import say
from ingest.values import dataclass

Verdict = Literal["pass", "fail", "undecided", "not measured"]

CONFORMANCE: Final = 0.95
"""Probability a pass or a fail must have (the default of ISO 14253-1:2017)."""

SOUND: Final = 0.5
"""A heater passes only where it is at least this probable that nothing is wrong with it."""

GUARD: Final = 1.6448536269514722
"""Guard band of one limit, in standard uncertainties: the 95 % point of the normal distribution."""

LONGEST_MIN: Final = 60.0
"""Nobody measures longer than this, min; beyond, it is said that time does not help."""

MAX_REPEATS: Final = 8
"""Nor more often than this."""

_NOTHING: Final = 1e-4
"""A random part below this share of the systematic one does not matter."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A figure with its verdict.

    Parameters
    ----------
    measurement
        The figure.
    verdict
        ``pass``, ``fail``, ``undecided`` or ``not measured``. A measured figure without a limit
        has nothing to break: ``pass``, and the reason says so.
    limit
        The limit in force, or None.
    reason
        A sentence for a technician where the verdict needs one.
    conformance
        Probability that the true value lies inside the limits; None where it was not judged.
    """

    measurement: Measurement
    verdict: Verdict
    limit: Limit | None = None
    reason: str | None = None
    conformance: float | None = None


def conformance(value: float, u: float, limit: Limit) -> float:
    """Probability that the true value lies inside the limits (JCGM 106:2012, 7.3).

    Parameters
    ----------
    value
        Best estimate.
    u
        Its standard uncertainty, normal; with 0 the answer is 0 or 1.
    limit
        One or both sides.
    """

    def below(bound: float | None, open_side: float) -> float:
        if bound is None:
            return open_side
        if u == 0.0:
            return 1.0 if value <= bound else 0.0
        return 0.5 * math.erfc((value - bound) / (u * math.sqrt(2.0)))

    if u == 0.0 and value == limit.low:
        return 1.0 if limit.high is None or value <= limit.high else 0.0
    return max(0.0, below(limit.high, 1.0) - below(limit.low, 0.0))


def judge(
    measurements: Mapping[str, Measurement], limits: Mapping[str, Limit]
) -> dict[str, Judged]:
    """Every figure with its verdict, in the order given."""
    return {name: judge_one(name, each, limits.get(name)) for name, each in measurements.items()}


def judge_one(name: str, measurement: Measurement, limit: Limit | None) -> Judged:
    """One figure against its limit."""
    free = measurement if limit is None else measurement.without(limit.cancels)
    value, u = free.value, free.u
    if value is None or u is None:
        return Judged(measurement, "not measured", limit)
    if not (math.isfinite(value) and math.isfinite(u)):
        return Judged(measurement, "not measured", limit, "no finite number came out")
    if limit is None or limit.none:
        return Judged(measurement, "pass", None, "no limit is set for this figure")
    probability = conformance(value, u, limit)
    beyond = max(
        limit.low - value if limit.low is not None else -math.inf,
        value - limit.high if limit.high is not None else -math.inf,
    )
    # beyond ONE limit: a value so uncertain that it may lie on either side has not failed
    if beyond > 0 and beyond >= GUARD * u:
        return Judged(measurement, "fail", limit, _failed(value, limit), probability)
    if probability >= CONFORMANCE:
        return Judged(measurement, "pass", limit, None, probability)
    return Judged(measurement, "undecided", limit, _undecided(name, free, beyond, limit),
                  probability)  # fmt: skip


def _failed(value: float, limit: Limit) -> str:
    low = limit.low is not None and value < limit.low
    return say(
        "{side} the limit by more than its uncertainty ({basis})",
        side="below" if low else "above",
        basis=limit.basis,
    )


def _undecided(name: str, measurement: Measurement, beyond: float, limit: Limit) -> str:
    """Why, and what would decide it."""
    side = "beyond" if beyond > 0 else "inside"
    near = f"{side} the limit, but by less than {GUARD:.2f} standard uncertainties"
    if limit.low is not None and limit.high is not None:
        narrow = limit.high - limit.low < 2.0 * GUARD * (measurement.u or 0.0)
        if narrow:
            near = "the limits lie closer together than the uncertainty of the measurement"
            beyond = (limit.high - limit.low) / 2.0
    return f"{near}; {_remedy(name, measurement, abs(beyond) / GUARD)}"


def _remedy(name: str, measurement: Measurement, wanted: float) -> str:
    """What brings the uncertainty down to `wanted`: time, repeats, or a better sensor."""
    systematic = math.sqrt(sum(part**2 for part in measurement.shared.values()))
    if wanted <= systematic or measurement.random <= _NOTHING * systematic:
        return _better_sensor(measurement)
    left = math.sqrt((wanted - systematic) * (wanted + systematic))
    factor = (
        measurement.random / max(left, _NOTHING * measurement.random, sys.float_info.min)
    ) ** 2
    known = figures_by_name().get(name)
    if known is not None and known.repeat is not None:
        times = math.ceil(factor)
        if times > MAX_REPEATS:
            return "so near that repeating does not decide it; judge by the other figures"
        return f"{times} times as many {known.repeat} would decide it"
    if measurement.window is None:
        return f"about {math.ceil(factor)} times as long a measurement would decide it"
    minutes = (measurement.window[1] - measurement.window[0]) * (factor - 1.0) / 60.0
    if minutes > LONGEST_MIN:
        return "so near that measuring longer does not decide it; judge by the other figures"
    return f"about {max(1, math.ceil(minutes))} min longer in the same state would decide it"


def _better_sensor(measurement: Measurement) -> str:
    if not measurement.shared:
        return "measuring longer does not decide it; judge by the other figures"
    largest = max(measurement.shared, key=lambda source: abs(measurement.shared[source]))
    return (
        f"measuring longer does not help, the sensors decide here (mostly: {largest}); "
        "use a better sensor, or start from cold so that they are compared with each other"
    )


def undecided_beyond(judged: Mapping[str, Judged], key: str) -> dict[str, Judged]:
    """Figures that keep a run undecided: the complaint's own, and others more likely beyond."""
    return {
        name: each
        for name, each in judged.items()
        if each.verdict == "undecided"
        and each.limit is not None
        and (name == key or (each.conformance or 0.0) < 0.5)
    }


def overall(judged: Mapping[str, Judged], key: str = KEY_FIGURE) -> Verdict:
    """Verdict of the run from those of the figures that have a limit.

    Fail where any figure fails. Undecided where the figure the complaint is about is undecided, or
    where any other lies beyond its limit by less than its guard band. A side figure inside its
    limits but within the guard band keeps its own ``undecided`` and does not hold up the car.

    Parameters
    ----------
    judged
        Every figure with its verdict.
    key
        The figure the complaint is about.
    """
    limited = {name: each for name, each in judged.items() if each.limit is not None}
    found = {each.verdict for each in limited.values()}
    if "fail" in found:
        return "fail"
    if undecided_beyond(limited, key):
        return "undecided"
    if "pass" in found or "undecided" in found:
        return "pass"
    return "not measured"
