"""Small pictures with numbered axes for the limits' document. Black on white, lines by dash."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from dashboard.report.axes import SIZE, Curve, Scale, draw_axes, draw_key
from dashboard.report.blocks import Label, Picture, Stroke
from ingest.values import dataclass

WIDE: Final = (500.0, 138.0)
NARROW: Final = (345.0, 210.0)
LEFT, RIGHT, TOP, BOTTOM = 38.0, 10.0, 30.0, 34.0
FLAT: Final = 0.95
"""An upright axis that need not begin at 0 begins at this share of its top at the highest: a
difference of next to nothing must not look like one."""


@dataclass(frozen=True, slots=True)
class Mark:
    """An upright line at a value, with its name."""

    name: str
    x: float
    dash: tuple[float, ...] = (4.0, 2.5)


def graph(
    curves: Sequence[Curve],
    marks: Sequence[Mark],
    titles: tuple[str, str],
    says: str,
    span: tuple[float, float] | None = None,
    *,
    from_zero: bool = True,
) -> Picture:
    """Draw curves over one pair of axes, for paper and for a narrow screen.

    Parameters
    ----------
    curves
        What to draw.
    marks
        Upright lines; those outside the picture are left out.
    titles
        Of the level and of the upright axis.
    says
        The picture in one sentence.
    span
        Ends of the level axis; None takes the curves' own.
    from_zero
        Whether the upright axis begins at 0.
    """
    told = tuple(curves), tuple(marks), titles, says, span, from_zero
    return replace(_drawn(*told, WIDE), narrow=_drawn(*told, NARROW))


def _drawn(
    curves: Sequence[Curve],
    marks: Sequence[Mark],
    titles: tuple[str, str],
    says: str,
    span: tuple[float, float] | None,
    from_zero: bool,  # noqa: FBT001
    size: tuple[float, float],
) -> Picture:
    width, height = size
    low, high = span or (
        min(float(one.x.min()) for one in curves), max(float(one.x.max()) for one in curves)
    )  # fmt: skip
    across = Scale.over(low, high, LEFT, width - RIGHT, 8 if width > 400 else 5)
    seen = [one.y[(one.x >= across.low) & (one.x <= across.high)] for one in curves]
    most = max(float(y.max(initial=0.0)) for y in seen)
    least = 0.0 if from_zero else min(float(y.min(initial=most * FLAT)) for y in seen)
    up = Scale.over(least, most or 1.0, height - BOTTOM, TOP, 4)
    strokes, labels = draw_axes(across, up, titles[0], (titles[1], TOP - 6.0))
    for one in curves:
        points = [
            (across.at(float(x)), up.at(float(y)))
            for x, y in zip(one.x, one.y, strict=True)
            if across.low <= x <= across.high
        ]
        if len(points) > 1:
            strokes.append(Stroke(tuple(points), one.width, one.dash, one.gray))
    pieces, names = draw_key(curves, LEFT, math.inf)
    named: set[str] = set()
    for mark in marks:
        if not (math.isfinite(mark.x) and across.low <= mark.x <= across.high):
            continue
        x = across.at(mark.x)
        strokes.append(Stroke(((x, TOP), (x, height - BOTTOM)), 1.2, mark.dash))
        end = x > 0.6 * width
        if mark.name not in named:
            labels.append(Label(x - 3.0 if end else x + 3.0, TOP + 8.0 + 11.0 * len(named),
                                mark.name, "end" if end else "start", bold=not named,
                                size=SIZE))  # fmt: skip
            named.add(mark.name)
    return Picture(width, height, (*strokes, *pieces), (*labels, *names), says)
