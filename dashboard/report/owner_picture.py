"""The owner's picture: which curves of a run it shows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.figures import KEY_FIGURE
from dashboard.report.axes import Curve
from dashboard.report.chart import chart
from dashboard.report.subject import Subject
from dashboard.text.shown import conversion

if TYPE_CHECKING:
    from analysis.pipeline import Analysis
    from dashboard.report.blocks import Picture

WANTED: Final = "at least this warm"
"""On the line of the limit."""

AIR_POINTS: Final = ("outlet", "outlet_defrost", "outlet_panel", "footwell", "cabin")
"""Whose warmth the picture shows: the first that was measured in every run."""


def warmth_picture(subject: Subject) -> Picture | None:
    """How warm the air gets, minute by minute; None where no air was measured."""
    runs = [each for each in (subject.now, subject.before) if each is not None]
    point = next((each for each in AIR_POINTS if all(run.context.has(each) for run in runs)), None)
    if point is None:
        return None
    unit = conversion("degC", subject.units)
    names = [_line_name(each, subject) for each in runs]
    dashes = ((), (6.0, 3.0))
    lines = [
        line
        for run, name, dash in zip(runs, names, dashes, strict=False)
        if (line := _line(run, point, name, dash, unit.factor, unit.offset)) is not None
    ]
    if len(lines) < len(runs):
        return None
    wanted = None
    outside = _outside(subject.now)
    limit = subject.now.judged[KEY_FIGURE].limit
    if limit is not None and limit.low is not None and outside is not None and point == "outlet":
        wanted = (WANTED, (outside + limit.low) * unit.factor + unit.offset)
    air = _line(subject.now, _fresh(subject.now), "outside air", (2.0, 2.0), unit.factor,
                unit.offset, width=1.2, gray=0.35)  # fmt: skip
    says = _says(subject, point, wanted is not None)
    return chart([*lines, *([air] if air else [])], wanted, unit.unit, says)


def _line_name(analysis: Analysis, subject: Subject) -> str:
    if subject.before is None:
        return "warm air"
    return "after the repair" if analysis is subject.now else "before"


PLACES: Final = {
    "outlet": "at the heater's outlet", "outlet_defrost": "at the windshield",
    "outlet_panel": "at the panel outlets", "footwell": "at the feet", "cabin": "in the cabin",
}  # fmt: skip


def _says(subject: Subject, point: str, level: bool) -> str:  # noqa: FBT001 - private
    dashed = " The broken line is the test before the repair." if subject.before else ""
    wanted = f' It should rise above the line "{WANTED}".' if level else ""
    return f"Air temperature {PLACES[point]} after a cold start.{dashed}{wanted}"


def _line(
    analysis: Analysis,
    point: str | None,
    name: str,
    dash: tuple[float, ...],
    factor: float,
    offset: float,
    *,
    width: float = 2.2,
    gray: float = 0.0,
) -> Curve | None:
    """A point's temperature from the start of the engine to the end of the steady stretch."""
    if point is None:
        return None
    grid = analysis.context.grid
    window = analysis.figures[KEY_FIGURE].window
    last = window[1] if window else float(grid.time[-1])
    shown = (grid.time >= 0.0) & (grid.time <= last)
    value = analysis.context.values(point)[shown] * factor + offset
    if np.count_nonzero(~np.isnan(value)) < 2:
        return None
    return Curve(name, grid.time[shown] / 60.0, value, width, dash, gray)


def _fresh(analysis: Analysis) -> str | None:
    return next((each for each in ("ambient", "inlet_air") if analysis.context.has(each)), None)


def _outside(analysis: Analysis) -> float | None:
    point = _fresh(analysis)
    if point is None:
        return None
    values = analysis.context.values(point)
    return None if np.all(np.isnan(values)) else float(np.nanmean(values))
