"""Pictures of one car: its readings in linked plots at any zoom, and two runs over each other."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, NamedTuple, cast

import numpy as np
import polars as pl

from dashboard.plots import theme
from dashboard.plots.readings import Channel, LineData, Readings
from dashboard.plots.run import MIN_PER_S, NOT_DRAWN, PANELS, RunPlot, Window, run_plot
from dashboard.text.shown import conversion
from ingest.arrays import Floats
from ingest.points import TEMPERATURE

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from ingest.run import Run

COMPARED: Final = ("outlet", "ambient")
"""Points drawn of both runs; the first is the one that is compared."""
LONGEST_NAME: Final = 40


VALUE_DIGITS: Final = 2
"""Decimals of a drawn value: finer than a pixel, and than what is read out at it."""

TIME_DIGITS: Final = 4
"""Digits a drawn time has within its stretch: finer than a pixel."""


class DrawnLine(NamedTuple):
    """A line in the units shown: minutes from engine start and values, null at gaps.

    Lists and not arrays: rounded they are sent in half the bytes.
    """

    point: str
    x: list[float]
    y: list[float | None]
    thinned: bool


def drawn(line: LineData, unit: str, units: str) -> tuple[list[float], list[float | None]]:
    """A line as it is drawn: minutes and values in the units shown, rounded below a pixel."""
    minutes = line.time * MIN_PER_S
    span = float(np.ptp(minutes)) if minutes.size else 0.0
    digits = TIME_DIGITS - math.floor(math.log10(span)) if span > 0.0 else TIME_DIGITS
    shown = conversion(unit, units)
    value = np.round(line.value * shown.factor + shown.offset, VALUE_DIGITS)
    return np.round(minutes, digits).tolist(), [None if v != v else v for v in value.tolist()]


class _Thinned:
    """What `run_plot` asks of a run, from thinned readings."""

    def __init__(self, readings: Readings, lines: Sequence[DrawnLine]) -> None:
        self.sensors: Mapping[str, Channel] = {
            line.point: readings.channels[line.point] for line in lines
        }
        self.controls = pl.DataFrame(schema={"control": pl.String, "value": pl.Float64})
        self._ends = readings.frame["time_s"].to_numpy()[[0, -1]]

    def has(self, point: str) -> bool:
        return point in self.sensors

    def series(self, point: str) -> tuple[Floats, Floats]:
        # the real lines are put in afterwards, with their gaps
        return self._ends, np.zeros(2)


def drawn_points(readings: Readings) -> list[str]:
    """Points of a run in the order their lines stand in its picture."""
    channels = readings.channels
    temperatures = [
        point
        for point, channel in channels.items()
        if channel.quantity == TEMPERATURE and point not in NOT_DRAWN
    ]
    return temperatures + [p for points, _, _ in PANELS for p in points if p in channels]


def lines(
    readings: Readings, units: str, from_s: float | None = None, to_s: float | None = None
) -> list[DrawnLine]:
    """The lines of a run's picture for a stretch of it, thinned, extremes kept.

    Parameters
    ----------
    readings
        The run's.
    units
        ``si`` or ``us``.
    from_s, to_s
        The stretch, s from engine start; None is the end of the log.
    """
    told = []
    for point in drawn_points(readings):
        line = readings.line(point, from_s, to_s)
        x, y = drawn(line, readings.channels[point].quantity.unit, units)
        told.append(DrawnLine(point, x, y, line.thinned))
    return told


def car_plot(
    readings: Readings,
    windows: Sequence[Window],
    units: str,
    from_s: float | None = None,
    to_s: float | None = None,
    *,
    bench: bool = False,
) -> RunPlot:
    """The linked plots of a run, or of a stretch of it (see `lines` and `run_plot`)."""
    told = lines(readings, units, from_s, to_s)
    picture = run_plot(cast("Run", _Thinned(readings, told)), windows, units, bench=bench)
    for trace, line in zip(picture.figure.data, told, strict=True):
        trace.x, trace.y = line.x, line.y
    picture.figure.update_yaxes(fixedrange=True)
    picture.figure.update_layout(uirevision="run")
    if from_s is not None and to_s is not None:
        picture.figure.update_layout(
            xaxis={"range": [from_s * MIN_PER_S, to_s * MIN_PER_S], "autorange": False}
        )
    return picture._replace(thinned=any(line.thinned for line in told))


def zoom_of(relayout: Mapping[str, Any] | None) -> tuple[float | None, float | None] | None:
    """The stretch a visitor zoomed to, s from engine start; None where it was something else."""
    told = relayout or {}
    if told.get("xaxis.autorange"):
        return None, None
    try:
        if "xaxis.range" in told:
            first, last = told["xaxis.range"]
        else:
            first, last = told["xaxis.range[0]"], told["xaxis.range[1]"]
        return float(first) / MIN_PER_S, float(last) / MIN_PER_S
    except (KeyError, TypeError, ValueError):
        return None


OVER_PX: Final = 380
"""Height of the picture of two runs."""


def over_plot(runs: Sequence[tuple[str, Readings]], units: str) -> go.Figure:
    """Outlet and outside air of two runs over each other, each from the start of its engine.

    Parameters
    ----------
    runs
        What to call each run and its readings; the first is drawn dashed.
    units
        ``si`` or ``us``.
    """
    import plotly.graph_objects as go

    figure = go.Figure(layout=theme.base_layout())
    styles = (("8px,4px", 2.0), ("", 3.0))
    for (when, readings), (dash, width) in zip(runs, styles, strict=True):
        for point in COMPARED:
            if point not in readings.channels:
                continue
            line = readings.line(point)
            unit = readings.channels[point].quantity.unit
            x, y = drawn(line, unit, units)
            style: dict[str, Any] = {"color": theme.LINES[point].color, "width": width}
            if dash:
                style["dash"] = dash
            # plotly reads a little HTML in names; those of a log are text and nothing else
            told = f"{'outlet' if point == 'outlet' else 'outside air'} {when}"
            name = html.escape(told[:LONGEST_NAME])
            figure.add_trace(
                go.Scatter(
                    x=x,
                    y=y,
                    name=name,
                    mode="lines",
                    line=style,
                    connectgaps=False,
                    hovertemplate=f"%{{y:.1f}} {conversion(unit, units).unit}",
                )
            )
    unit = conversion("degC", units).unit
    figure.update_layout(
        showlegend=True,
        legend={"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
        margin={"t": 56},
        xaxis=theme.minutes(),
        yaxis=theme.axis(title={"text": f"Temperature, {unit}"}, fixedrange=True),
    )
    return figure
