"""The picture of a heater fit: the outlet as a few numbers make it, over the outlet as measured.

The numbers are in words beside it. One HTML file that needs nothing else and asks no other host for
anything.
"""

from __future__ import annotations

import html
import math
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from dashboard.plots import theme
from dashboard.plots.page import plot_html, whole_page
from dashboard.text.shown import COVERAGE, clean, conversion, said_in, value_and_uncertainty
from ingest.files import write_text
from ingest.saying import say

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from analysis.heater.fit import FittedCurve, HeaterFit
    from analysis.measurement import Measurement
    from ingest.arrays import Bools, Floats

CLOSE_K: Final = 1.5
"""A curve that misses the readings by no more (standard deviation) explains them; an outlet moves
as much by itself."""

MAX_POINTS: Final = 3000
MIN_PER_S: Final = 1.0 / 60.0

FITTED: Final = "outlet_fitted"
"""Name of the fitted line in the theme."""


def write_fit_picture(fit: HeaterFit, vehicle: str, path: Path, units: str) -> None:
    """Write the picture of a fit as one HTML file.

    Parameters
    ----------
    fit
        The fit of a run.
    vehicle
        Whose heater it is.
    path
        Where to.
    units
        ``si`` or ``us``.

    Raises
    ------
    UnusableRun
        Where it cannot be written.
    """
    write_text(path, fit_page(fit, vehicle, units))


def fit_page(fit: HeaterFit, vehicle: str, units: str) -> str:
    """The whole page as HTML (see `write_fit_picture`)."""
    question = f"Does one share of the coolant's heat explain the outlet of {clean(vehicle)}?"
    sentences = numbers_in_words(fit, units)
    items = "".join(f"<li>{html.escape(clean(each))}</li>" for each in sentences)
    plot = ""
    if fit.curve is not None:
        plot = plot_html(fit_plot(fit.curve, units), "fit-picture", PLOT_PX)
        plot = f"{_legend()}\n{plot}\n<p class='quiet'>Shaded: where the numbers were fitted.</p>"
    body = f"""<h1>{html.escape(question)}</h1>
<p class="reply">{html.escape(answer(fit, units))}</p>
<main>
<section aria-label="Outlet measured and fitted over time">
{plot}
</section>
<aside><h2>The heater in numbers (± k = 2)</h2>
<ul>{items}</ul></aside>
</main>"""
    return whole_page(question, body, margin="25rem", css=FIT_CSS)


PLOT_PX: Final = 520

FIT_CSS: Final = """
aside li { margin-bottom: 8px; }
aside ul { padding-left: 1.2em; }
.legend { list-style: none; margin: 4px 0; padding: 0; }
""".strip()


def answer(fit: HeaterFit, units: str) -> str:
    """One sentence: does the curve lie on the readings."""
    share, scatter = fit.effectiveness, fit.scatter.value
    if share.value is None or scatter is None:
        why = said_in(share.note or "the heater could not be fitted", units)
        return f"This run cannot say: {why}."
    miss = said_in(say("{miss:.1f K}", miss=scatter), units)
    facts = f"{_percent(share)} of it reaches the outlet, and the curve misses by {miss}"
    if scatter <= CLOSE_K:
        return f"Yes: at full hot {facts}."
    return f"Only roughly: at full hot {facts}; something else moved the outlet too."


def numbers_in_words(fit: HeaterFit, units: str) -> list[str]:
    """The fit's numbers, a sentence each; what could not be had says why."""
    said = []
    if fit.effectiveness.value is not None:
        said.append(
            f"The outlet rises by {_percent(fit.effectiveness)} of what the coolant is warmer than "
            "the entering air (core effectiveness)."
        )
    if fit.flow_ratio.value is not None:
        said.append(
            f"The coolant loses {_number(fit.flow_ratio)} degrees for each degree the outlet gains "
            "(flow ratio: air over coolant)."
        )
    else:
        said.append(f"The flow ratio is not known: {said_in(fit.flow_ratio.note, units)}.")
    if fit.core_ntu.value is not None:
        said.append(f"The core's size against its air is {_number(fit.core_ntu)} (UA over air).")
    if fit.lag.value is not None:
        said.append(f"The outlet follows the coolant {_number(fit.lag)} s late.")
    if fit.coolant.value is not None and fit.air.value is not None:
        revs = f", engine at {fit.engine_speed:.0f} rpm" if fit.engine_speed is not None else ""
        told = say(
            "Coolant {coolant:.0f degC}, entering air {air:.0f degC}{revs}: "
            "what the numbers are stated for.",
            coolant=fit.coolant.value,
            air=fit.air.value,
            revs=revs,
        )
        said.append(said_in(told, units))
    return said


def _percent(share: Measurement) -> str:
    percent = share.scaled(100.0, "%")
    return f"{_number(percent)} %"


def _number(measured: Measurement) -> str:
    value, spread = value_and_uncertainty(measured.known(), COVERAGE * (measured.u or 0.0))
    return f"{value} ± {spread}" if spread else value


def fit_plot(curve: FittedCurve, units: str) -> go.Figure:
    """Coolant, air, measured and fitted outlet over time.

    Parameters
    ----------
    curve
        Of the fit.
    units
        ``si`` or ``us``.
    """
    import plotly.graph_objects as go

    shown = conversion("degC", units)
    every = max(1, math.ceil(curve.time.size / MAX_POINTS))
    minutes = np.round(curve.time[::every] * MIN_PER_S, 3)
    figure = go.Figure(layout=theme.base_layout())
    # a fit is worth showing where the lever was hot; elsewhere it means nothing
    fitted = np.where(curve.used, curve.fitted, np.nan)
    for name, point, values in (
        ("Coolant in", "coolant_in", curve.coolant),
        ("Entering air", "inlet_air", curve.air),
        ("Outlet, measured", "outlet", curve.measured),
        ("Outlet, fitted", FITTED, fitted),
    ):
        figure.add_trace(
            go.Scatter(
                x=minutes,
                y=np.round(values[::every] * shown.factor + shown.offset, 2),
                name=name,
                mode="lines",
                line=theme.line_of(point),
                connectgaps=False,
                hovertemplate=f"%{{y:.1f}} {shown.unit}",
            )
        )
    for start, stop in _spans(curve.time, curve.used):
        figure.add_shape(
            type="rect", xref="x", yref="paper", y0=0, y1=1, layer="below",
            x0=start * MIN_PER_S, x1=stop * MIN_PER_S,
            fillcolor=theme.SHADE, line={"width": 0},
        )  # fmt: skip
    figure.update_layout(
        autosize=True,
        showlegend=False,
        xaxis=theme.axis(title={"text": "Minutes from engine start"}),
        yaxis=theme.axis(title={"text": f"Temperature, {shown.unit}"}, nticks=10),
    )
    return figure


def _spans(time: Floats, used: Bools) -> list[tuple[float, float]]:
    """From and to of every fitted stretch, s."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], used, [False])).astype(np.int8)))
    return [
        (float(time[start]), float(time[stop - 1]))
        for start, stop in zip(edges[::2], edges[1::2], strict=True)
    ]


def _legend() -> str:
    lines = (
        ("outlet", "outlet, measured"),
        (FITTED, "outlet, fitted"),
        ("coolant_in", "coolant in"),
        ("inlet_air", "entering air"),
    )
    items = "".join(f"<li>{theme.line_sample(point)} {name}</li>" for point, name in lines)
    return f'<ul class="legend" aria-label="Lines">{items}</ul>'
