"""The picture of a figure: what it is measured from, in a sample run that shows it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import lukewarm as lw
import sample_logs
from analysis.figures import figures_by_name
from dashboard.plots import theme
from dashboard.plots.run import MIN_PER_S, run_plot
from ingest.points import POINTS

if TYPE_CHECKING:
    from analysis.measurement import Measurement
    from dashboard.notebook.found import Found
    from ingest.run import Run

SAMPLES = Path(sample_logs.__file__).parent
FIRST = "SC-014-complaint"
"""The run that shows most figures, and is shown where it does."""

HEIGHT_PX = 440
MARGIN_S = 240.0
"""Time shown on both sides of what was measured."""


class Shown(NamedTuple):
    """A figure as one sample run has it."""

    run: str
    found: Found
    measured: Measurement


@cache
def _found(name: str) -> Found:
    return lw.analyze(str(SAMPLES / name))


def _samples() -> Iterator[str]:
    yield FIRST
    for folder in sorted(SAMPLES.glob("SC-*")):
        if folder.name != FIRST:
            yield folder.name


def shown(figure: str) -> Shown | None:
    """The first sample run in which a figure is measured; None where no run has it."""
    if figure not in figures_by_name():
        return None
    for name in _samples():
        found = _found(name)
        measured = found.analysis.figures.get(figure)
        if measured is not None and measured.value is not None:
            return Shown(name, found, measured)
    return None


def picture(figure: str, equation: str, sample: Shown) -> str:
    """The run's lines that the equation names, and the stretch measured; HTML without a script.

    The page has to load `_static/plotly.min.js` itself.
    """
    window = sample.measured.window
    drawn = run_plot(_of_interest(sample.found.analysis.run, equation), [], "si").figure
    if window is not None:
        start, stop = (time * MIN_PER_S for time in window)
        drawn.add_vrect(x0=start, x1=stop, fillcolor=theme.SHADE, line_width=0, layer="below")
        near = MARGIN_S * MIN_PER_S
        drawn.update_xaxes(range=[start - near, stop + near])
    shared = len([trace for trace in drawn.data if trace.yaxis in (None, "y")]) > 1
    drawn.update_layout(
        height=HEIGHT_PX,
        showlegend=shared,
        legend={"orientation": "h", "x": 0, "xanchor": "left", "y": -0.2, "yanchor": "top"},
    )
    return str(
        drawn.to_html(
            full_html=False,
            include_plotlyjs=False,
            div_id=f"picture-{figure}",
            config={"displayModeBar": False, "responsive": True, "plotlyServerURL": ""},
        )
    )


def _of_interest(run: Run, equation: str) -> Run:
    """The run with the points alone that the equation names."""
    named = [point for point in POINTS if re.search(rf"(?<![a-z]){point}(?![a-z_])", equation)]
    kept = {point: run.sensors[point] for point in named if run.has(point)}
    readings = run.readings.select("time_s", *(sensor.column for sensor in kept.values()))
    return run.with_(readings=readings, sensors=kept)
