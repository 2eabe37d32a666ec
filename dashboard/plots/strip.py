"""Strips: one figure on its own scale, the car's value against its family and its limits.

Small SVG pictures as data, so that they print, need no script and open nothing. What they show is
said in words beside them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import field
from typing import Final
from urllib.parse import quote

from dashboard.plots import theme
from dashboard.text.shown import COVERAGE, conversion, plain
from ingest.saying import Shown
from ingest.values import dataclass

WIDTH: Final = 360
HEIGHT: Final = 58
EDGE: Final = 16.0
MIDDLE: Final = 22.0
FOOT: Final = 40.0
"""Places in the picture, px."""

MAX_MARKS: Final = 4
MAX_TICKS: Final = 400
ROWS: Final = {"pass": -9.0, "undecided": 0.0, "fail": 9.0}
"""Where the ticks of cars with a verdict stand, px below the middle."""


@dataclass(frozen=True)
class Strip:
    """What one strip shows, all in the figure's stored unit.

    Parameters
    ----------
    unit
        The figure's unit.
    low, high
        Limits; None is an open side.
    value, u
        The car's own; None where there is none to show.
    verdict
        Of the car.
    good
        Values of the family's known-good cars.
    judged
        Values of other cars by their verdict.
    """

    unit: str
    low: float | None = None
    high: float | None = None
    value: float | None = None
    u: float | None = None
    verdict: str = ""
    good: Sequence[float] = ()
    judged: Mapping[str, Sequence[float]] = field(default_factory=dict)


def source(strip: Strip, units: str) -> str:
    """The picture as a `data:` address for an image."""
    return f"data:image/svg+xml,{quote(svg(strip, units), safe='/:=')}"


def svg(strip: Strip, units: str) -> str:
    """The picture as SVG."""
    shown = conversion(strip.unit, units)
    scale = _Scale.over(strip, shown)
    parts = [*_allowed(strip, scale), *_axis(scale, shown)]
    parts += _ticks(strip.good, scale, 0.0, 11.0, theme.SOFT_INK, 1.5)
    for verdict, values in strip.judged.items():
        color = theme.verdict_style(verdict).color
        parts += _ticks(values, scale, ROWS.get(verdict, 0.0), 5.0, color, 2.5)
    parts += _own(strip, scale)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'width="{WIDTH}" height="{HEIGHT}" font-family="Verdana, DejaVu Sans, sans-serif" '
        f'font-size="12">{"".join(parts)}</svg>'
    )


@dataclass(frozen=True)
class _Scale:
    first: float
    last: float

    @classmethod
    def over(cls, strip: Strip, shown: Shown) -> _Scale:
        del shown
        spread = COVERAGE * (strip.u or 0.0)
        own = () if strip.value is None else (strip.value - spread, strip.value + spread)
        others = (each for values in strip.judged.values() for each in values)
        limits = (each for each in (strip.low, strip.high) if each is not None)
        told = [each for each in (*own, *strip.good, *others, *limits) if math.isfinite(each)]
        first, last = (min(told), max(told)) if told else (0.0, 1.0)
        # values that differ by nothing one could draw lie in the middle of a scale of their size
        if last - first <= 1e-9 * max(abs(first), abs(last), 1.0):
            first, last = first - 1.0, last + 1.0
        # an open side needs room beyond its limit to be seen as allowed
        margin = 0.08 * (last - first)
        return cls(first - margin, last + margin)

    def x(self, value: float) -> float:
        share = (value - self.first) / (self.last - self.first)
        return round(EDGE + share * (WIDTH - 2.0 * EDGE), 1)


def _allowed(strip: Strip, scale: _Scale) -> list[str]:
    if strip.low is None and strip.high is None:
        return []
    left = EDGE if strip.low is None else scale.x(strip.low)
    right = WIDTH - EDGE if strip.high is None else scale.x(strip.high)
    parts = [
        f'<rect x="{left}" y="6" width="{max(0.0, right - left):.1f}" height="32" '
        f'fill="{theme.SHADE}"/>'
    ]
    for limit, inward in ((strip.low, 5), (strip.high, -5)):
        if limit is not None:
            x = scale.x(limit)
            parts.append(
                f'<path d="M{x + inward} 6H{x}V38H{x + inward}" fill="none" '
                f'stroke="{theme.INK}" stroke-width="2"/>'
            )
    return parts


def _axis(scale: _Scale, shown: Shown) -> list[str]:
    first = scale.first * shown.factor + shown.offset
    last = scale.last * shown.factor + shown.offset
    parts = [f'<path d="M{EDGE} {FOOT}H{WIDTH - EDGE}" stroke="{theme.SOFT_INK}"/>']
    for tick in nice_ticks(first, last):
        x = scale.x((tick - shown.offset) / shown.factor)
        parts.append(
            f'<path d="M{x} {FOOT}v4" stroke="{theme.SOFT_INK}"/>'
            f'<text x="{x}" y="{HEIGHT - 2}" text-anchor="middle" fill="{theme.INK}">'
            f"{plain(tick)}</text>"
        )
    return parts


def nice_ticks(first: float, last: float) -> list[float]:
    """Round numbers from `first` to `last`: two or more, about `MAX_MARKS` at most."""
    rough = (last - first) / MAX_MARKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((m * power for m in (1, 2, 2.5, 5) if m * power >= rough), 10 * power)
    if math.floor(last / step) <= math.ceil(first / step):
        step /= 2.0
    start, stop = math.ceil(first / step), math.floor(last / step)
    return [round(each * step, 10) + 0.0 for each in range(start, stop + 1)]


def _ticks(
    values: Sequence[float], scale: _Scale, below: float, reach: float, color: str, width: float
) -> list[str]:
    told = sorted(each for each in values if math.isfinite(each))
    if not told:
        return []
    if len(told) > MAX_TICKS:
        every = len(told) / MAX_TICKS
        told = [told[int(place * every)] for place in range(MAX_TICKS - 1)] + [told[-1]]
    top = MIDDLE + below - reach
    path = "".join(f"M{scale.x(each)} {top}v{2.0 * reach}" for each in told)
    return [f'<path d="{path}" stroke="{color}" stroke-width="{width}" stroke-opacity="0.8"/>']


MARKS: Final = {
    "pass": "M-7 0a7 7 0 1 0 14 0a7 7 0 1 0 -14 0z",
    "fail": "M-8 -5L-5 -8L0 -3L5 -8L8 -5L3 0L8 5L5 8L0 3L-5 8L-8 5L-3 0z",
    "undecided": "M0 -8L8 6H-8z",
}
"""Shapes tell verdicts apart without color."""


def _own(strip: Strip, scale: _Scale) -> list[str]:
    if strip.value is None or not math.isfinite(strip.value):
        return []
    color = theme.verdict_style(strip.verdict).color if strip.verdict else theme.INK
    x = scale.x(strip.value)
    parts = []
    if strip.u and math.isfinite(strip.u):
        left = scale.x(strip.value - COVERAGE * strip.u)
        right = scale.x(strip.value + COVERAGE * strip.u)
        ends = f"M{left} {MIDDLE - 5}v10M{right} {MIDDLE - 5}v10M{left} {MIDDLE}H{right}"
        parts.append(f'<path d="{ends}" stroke="{theme.INK}" stroke-width="2.5" fill="none"/>')
    mark = MARKS.get(strip.verdict, MARKS["pass"])
    parts.append(
        f'<path transform="translate({x} {MIDDLE})" d="{mark}" fill="{color}" '
        f'stroke="{theme.PAPER}" stroke-width="1.5"/>'
    )
    return parts
