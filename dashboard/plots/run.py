"""The plots of one run over one time axis: temperatures, lever, vacuum, road speed."""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from dashboard.plots import theme
from dashboard.text.shown import conversion, words
from ingest.arrays import Floats
from ingest.points import TEMPERATURE

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from ingest.run import Run


MAX_POINTS: Final = 3000
"""A line with more points than this is thinned for display; its extremes stay."""

GAP_S: Final = 10.0
GAP_INTERVALS: Final = 4.0
"""A line breaks where readings are further apart than both of these."""

NOT_DRAWN: Final = frozenset({"cold_junction"})

PANELS: Final = (
    (("temp_lever",), "Lever, % of travel (100 is hot)", 0.16),
    (("vacuum_source", "vacuum_actuator"), "Vacuum, {unit}", 0.16),
    (("road_speed",), "Road speed, {unit}", 0.14),
)
"""Points, title and share of the height of the panels below the temperatures."""

BENCH_TIME: Final = "Minutes from the start of the log"

MIN_PER_S: Final = 1.0 / 60.0

LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
"""What marked windows are called, in order."""


class Window(NamedTuple):
    """A stretch of the run to mark, s from engine start."""

    from_s: float
    to_s: float
    label: str


class RunPlot(NamedTuple):
    """The linked plots of a run.

    Parameters
    ----------
    figure
        Plotly figure without a legend.
    legend
        Points that share a panel, from top to bottom; a panel's title names its only line.
    thinned
        Whether any line was thinned for display.
    """

    figure: go.Figure
    legend: tuple[str, ...]
    thinned: bool


def run_plot(run: Run, windows: Sequence[Window], units: str, *, bench: bool = False) -> RunPlot:
    """Draw a run.

    Parameters
    ----------
    run
        Readings and controls.
    windows
        Stretches to mark with A, B, C ...
    units
        ``si`` or ``us``.
    bench
        Whether a part was on the bench, and no engine ran.
    """
    import plotly.graph_objects as go

    temperatures = [
        point
        for point, sensor in run.sensors.items()
        if sensor.quantity == TEMPERATURE and point not in NOT_DRAWN and run.has(point)
    ]
    panels: list[tuple[list[str], str, float]] = []
    # on the bench there may be no temperature; of a car it is said by an empty panel
    if temperatures or not bench:
        panels.append((temperatures, f"Temperature, {conversion('degC', units).unit}", 0.54))
    for candidates, title, share in PANELS:
        present = [point for point in candidates if _drawable(run, point)]
        if present:
            panels.append((present, title.format(unit=_unit(run, present[0], units)), share))
    figure = go.Figure(layout=theme.base_layout())
    figure.update_layout(autosize=True, showlegend=False)
    thinned = False
    domains = _domains([share for _, _, share in panels])
    for place, ((points, title, _), domain) in enumerate(zip(panels, domains, strict=True)):
        number = "" if place == 0 else str(place + 1)
        ticks: dict[str, Any] = {"nticks": 10 if place == 0 else 4}
        if points == ["temp_lever"]:
            ticks = {"range": [-6, 106], "tickvals": [0, 50, 100]}
        axis = theme.axis(domain=domain, anchor="x", **ticks)
        figure.update_layout({f"yaxis{number}": axis})
        figure.add_annotation(**_panel_title(title, domain[1]))
        for point in points:
            trace, cut = _trace(run, point, units, f"y{number}")
            thinned = thinned or cut
            figure.add_trace(trace)
    lowest = "y" if len(panels) == 1 else f"y{len(panels)}"
    figure.update_layout(
        xaxis=theme.minutes(BENCH_TIME if bench else theme.ENGINE_TIME, anchor=lowest),
    )
    _mark(figure, windows)
    shared = tuple(point for points, _, _ in panels if len(points) > 1 for point in points)
    return RunPlot(figure, shared, thinned)


def _drawable(run: Run, point: str) -> bool:
    # the lever is drawn from the notes where it is not logged
    return _lever(run) is not None if point == "temp_lever" else run.has(point)


def _unit(run: Run, point: str, units: str) -> str:
    return conversion(run.sensors[point].quantity.unit, units).unit if run.has(point) else ""


def _domains(shares: Sequence[float]) -> list[tuple[float, float]]:
    """Heights of the panels from top to bottom, with room for their titles."""
    room = 0.055
    scale = (1.0 - room * len(shares)) / sum(shares)
    domains = []
    top = 1.0
    for share in shares:
        top -= room
        domains.append((max(0.0, top - share * scale), top))
        top -= share * scale
    return domains


def _panel_title(title: str, top: float) -> dict[str, Any]:
    return {
        "text": f"<b>{title}</b>",
        "xref": "paper",
        "yref": "paper",
        "x": 0,
        "y": top,
        "xanchor": "left",
        "yanchor": "bottom",
        "showarrow": False,
        "align": "left",
    }


def _trace(run: Run, point: str, units: str, axis: str) -> tuple[go.Scatter, bool]:
    import plotly.graph_objects as go

    step = point == "temp_lever"
    unit = "%"
    if step:
        time, value = _lever(run) or (np.zeros(0), np.zeros(0))
        cut = False
    else:
        time, value, cut = _line(run, point)
        shown = conversion(run.sensors[point].quantity.unit, units)
        value, unit = value * shown.factor + shown.offset, shown.unit
    trace = go.Scatter(
        x=time * MIN_PER_S,
        y=np.round(value, 2),
        # plotly reads a little HTML in names; those of a log are text and nothing else
        name=html.escape(words(point)),
        mode="lines",
        line=theme.line_of(point) | ({"shape": "hv"} if step else {}),
        yaxis=axis,
        connectgaps=False,
        hovertemplate=f"%{{y:.1f}} {unit}",
    )
    return trace, cut


def _lever(run: Run) -> tuple[Floats, Floats] | None:
    """Lever positions as steps to the end of the run; None where they were never known."""
    if run.has("temp_lever"):
        return run.series("temp_lever")
    noted = run.controls.filter(run.controls["control"] == "temp_lever").drop_nulls("value")
    if not noted.height or not run.readings.height:
        return None
    end = float(run.readings["time_s"][-1])
    time = np.append(noted["time_s"].to_numpy(), end)
    value = noted["value"].to_numpy()
    return time, np.append(value, value[-1])


def _line(run: Run, point: str) -> tuple[Floats, Floats, bool]:
    """A point's readings, broken at gaps and thinned where there are very many."""
    time, value = run.series(point)
    if time.size < 2:
        return time, value, False
    spacing = np.diff(time)
    breaks = np.flatnonzero(spacing > max(GAP_S, GAP_INTERVALS * float(np.median(spacing)))) + 1
    thinned = time.size > MAX_POINTS
    times: list[Floats] = []
    values: list[Floats] = []
    for part_time, part_value in zip(np.split(time, breaks), np.split(value, breaks), strict=True):
        if thinned:
            share = max(8, int(MAX_POINTS * part_time.size / time.size))
            kept = _thinned(part_time, part_value, share)
            part_time, part_value = part_time[kept], part_value[kept]
        # an empty point keeps plotly from joining the two sides of a gap
        times += [part_time, part_time[-1:]]
        values += [part_value, np.array([np.nan])]
    return np.concatenate(times[:-1]), np.concatenate(values[:-1]), thinned


def _thinned(time: Floats, value: Floats, most: int) -> NDArray[np.integer[Any]]:
    if time.size <= most:
        return np.arange(time.size)
    from tsdownsample import MinMaxLTTBDownsampler

    sampler = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call]
    kept: NDArray[np.integer[Any]] = sampler.downsample(
        np.ascontiguousarray(time), np.ascontiguousarray(value), n_out=most - most % 2
    )
    return kept


def _mark(figure: go.Figure, windows: Sequence[Window]) -> None:
    for letter, window in zip(LETTERS, windows, strict=False):
        start, stop = window.from_s * MIN_PER_S, window.to_s * MIN_PER_S
        figure.add_shape(
            type="rect",
            xref="x",
            yref="paper",
            x0=start,
            x1=stop,
            y0=0,
            y1=1,
            layer="below",
            fillcolor=theme.SHADE,
            line={"color": theme.SOFT_INK, "width": 1, "dash": "dot"},
        )
        figure.add_annotation(
            text=f"<b>{letter}</b>",
            xref="x",
            yref="paper",
            x=(start + stop) / 2.0,
            y=1,
            yanchor="top",
            showarrow=False,
            bgcolor=theme.PAPER,
            bordercolor=theme.INK,
            borderpad=2,
        )
