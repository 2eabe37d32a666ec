"""The fleet in one picture: every run's value of a figure, a row a family, with its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from dashboard.plots import theme
from dashboard.text.shown import clean, conversion, figure_text, words
from ingest.saying import Shown

if TYPE_CHECKING:
    import plotly.graph_objects as go

NO_FAMILY: Final = "no family"

MAX_MARKS: Final = 400
"""Runs from which on they are counted in columns: more marks lie over each other."""

COLUMNS: Final = 60
"""Columns across the picture where runs are counted."""


def row_figure(row: dict[str, Any]) -> dict[str, Any]:
    """The figure of a row as the result document writes it."""
    limit = {side: row[side] for side in ("low", "high") if row[side] is not None}
    return {
        "value": row["value"],
        "u": row["u"],
        "unit": row["unit"],
        "verdict": row["figure_verdict"],
        "limit": limit or None,
    }


SYMBOLS: Final = {
    "good": ("diamond-open", theme.INK, "known good"),
    "pass": ("circle", theme.GREEN, "pass"),
    "undecided": ("triangle-up", theme.VERDICTS["undecided"].color, "undecided"),
    "fail": ("x", theme.VERDICTS["fail"].color, "fail"),
    "": ("circle-open", theme.SOFT_INK, "no limit"),
}
"""Shape, color and word of the marks."""

GOLDEN: Final = 0.618033988749895
ROW_PX: Final = 74


def fleet_plot(frame: pl.DataFrame, figure: str, units: str) -> go.Figure:
    """Every run's value of one figure, a row a family, with the limits it was judged by.

    Parameters
    ----------
    frame
        From `chosen`.
    figure
        The figure's name.
    units
        ``si`` or ``us``.
    """
    import plotly.graph_objects as go

    known = frame.filter(pl.col("value").is_not_null()).with_columns(
        pl.col("family").fill_null(NO_FAMILY)
    )
    rows = sorted(known["family"].unique().to_list(), reverse=True)
    unit = str(known["unit"][0]) if known.height else ""
    shown = conversion(unit, units)
    picture = go.Figure(layout=theme.base_layout())
    if is_counted(frame):
        picture.add_traces(_columns(known, rows, shown))
    else:
        picture.add_traces(_marks(known, rows, shown, units))
    _limits(picture, known, rows, shown.factor, shown.offset)
    picture.update_layout(
        hovermode="closest",
        barmode="overlay",
        height=110 + ROW_PX * max(1, len(rows)),
        showlegend=True,
        legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0},
        margin={"l": 12, "r": 14, "t": 40, "b": 52},
        xaxis=theme.axis(title={"text": f"{words(figure)}, {shown.unit}".rstrip(", ")}),
        yaxis=theme.axis(
            tickvals=list(range(len(rows))),
            ticktext=[_plotly_text(row) for row in rows],
            range=[-0.55, max(0, len(rows) - 1) + 0.55],
            automargin=True,
            showgrid=False,
            fixedrange=True,
        ),
    )
    return picture


def is_counted(frame: pl.DataFrame) -> bool:
    """Whether there are too many runs to show each by a mark of its own."""
    return bool(frame["value"].count() > MAX_MARKS)


def _marks(known: pl.DataFrame, rows: list[str], shown: Shown, units: str) -> list[go.Scatter]:
    """A mark a run."""
    import plotly.graph_objects as go

    marked: dict[str, list[tuple[dict[str, Any], float]]] = {}
    counts = dict.fromkeys(rows, 0)
    for row in known.iter_rows(named=True):
        place = counts[row["family"]] = counts[row["family"]] + 1
        # marks side by side instead of over each other, the same way every time
        lift = 0.62 * (place * GOLDEN % 1.0 - 0.5)
        marked.setdefault(_mark(row), []).append((row, rows.index(row["family"]) + lift))
    return [
        go.Scatter(
            x=[round(row["value"] * shown.factor + shown.offset, 4) for row, _ in told],
            y=[round(height, 3) for _, height in told],
            mode="markers",
            name=word,
            marker={"symbol": symbol, "color": color, "size": 10, "line": {"width": 1.5}},
            text=[_hover(row, units) for row, _ in told],
            customdata=[row["id"] for row, _ in told],
            hovertemplate="%{text}<extra></extra>",
        )
        for mark, (symbol, color, word) in SYMBOLS.items()
        if (told := marked.get(mark))
    ]


PATTERNS: Final = {"good": "", "pass": "", "undecided": ".", "fail": "/", "": ""}
"""What tells the parts of a column apart without their color."""


def _columns(known: pl.DataFrame, rows: list[str], shown: Shown) -> list[go.Bar]:
    """Runs counted in columns, a row a family, parted by verdict from the row's foot upwards."""
    import plotly.graph_objects as go

    value = known["value"].to_numpy() * shown.factor + shown.offset
    alike = 0.5 if value.min() == value.max() else 0.0  # one column in the middle of one unit
    edges = np.linspace(value.min() - alike, value.max() + alike, COLUMNS + 1)
    middle, width = 0.5 * (edges[:-1] + edges[1:]), float(edges[1] - edges[0])
    marks = np.array([_mark(row) for row in known.iter_rows(named=True)])
    family = known["family"].to_numpy()
    counted = {
        (mark, row): np.histogram(value[(marks == mark) & (family == row)], edges)[0]
        for mark in SYMBOLS
        for row in rows
    }
    most = max(np.sum([counted[mark, row] for mark in SYMBOLS], axis=0).max() for row in rows)
    foot = {row: np.full(COLUMNS, rows.index(row) - 0.42) for row in rows}
    bars = []
    for mark, (_, color, word) in SYMBOLS.items():
        x, y, base, text = [], [], [], []
        for row in rows:
            count = counted[mark, row]
            some = np.flatnonzero(count)
            x += [round(float(middle[at]), 4) for at in some]
            y += [round(0.84 * float(count[at]) / float(most), 4) for at in some]
            base += [round(float(foot[row][at]), 4) for at in some]
            text += [
                f"{_plotly_text(row)}<br>{count[at]} {word}, "
                f"{edges[at]:.3g} to {edges[at + 1]:.3g} {shown.unit}"
                for at in some
            ]
            foot[row] = foot[row] + 0.84 * count / most
        if x:
            fill = theme.CLEAR if mark in ("good", "") else color
            pattern = {
                "shape": PATTERNS[mark],
                "fillmode": "overlay",
                "fgcolor": theme.PAPER,
                "size": 6,
                "solidity": 0.2,
            }
            bars.append(
                go.Bar(
                    x=x, y=y, base=base, width=width, name=word, text=text, textposition="none",
                    marker={"color": fill, "pattern": pattern,
                            "line": {"color": color, "width": 1}},
                    hovertemplate="%{text}<extra></extra>",
                )
            )  # fmt: skip
    return bars


def _mark(row: dict[str, Any]) -> str:
    if row["purpose"] == "baseline":
        return "good"
    limited = row["low"] is not None or row["high"] is not None
    return row["figure_verdict"] if limited and row["figure_verdict"] in SYMBOLS else ""


def _plotly_text(text: str) -> str:
    """Text for Plotly, which reads a little HTML."""
    return clean(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")[:60]


def _hover(row: dict[str, Any], units: str) -> str:
    told = (row["vehicle"], row["purpose"] or "", figure_text(row_figure(row), units))
    return "<br>".join(_plotly_text(each) for each in told if each)


def _limits(
    picture: go.Figure, known: pl.DataFrame, rows: list[str], factor: float, offset: float
) -> None:
    """A bracket at each limit of each family, opening towards the allowed side.

    A limit that goes with the outside air or the blower is another for each run: the bracket stands
    where no run was allowed to be beyond it, and a gray field reaches to where the strictest
    stands.
    """
    found = known.group_by("family").agg(
        pl.col("low").min().alias("low"), pl.col("low").max().alias("low_strict"),
        pl.col("high").max().alias("high"), pl.col("high").min().alias("high_strict"),
    )  # fmt: skip
    for row in found.iter_rows(named=True):
        middle = rows.index(row["family"])
        for side, inward in (("low", 5), ("high", -5)):
            if row[side] is None:
                continue
            at, strict = (row[key] * factor + offset for key in (side, f"{side}_strict"))
            if at != strict:
                picture.add_shape(
                    type="rect", x0=at, x1=strict, y0=middle - 0.42, y1=middle + 0.42,
                    fillcolor=theme.SHADE, line={"width": 0}, layer="below",
                )  # fmt: skip
            picture.add_shape(
                type="path",
                xsizemode="pixel",
                xanchor=at,
                path=f"M{inward},{middle - 0.42}L0,{middle - 0.42}L0,{middle + 0.42}"
                f"L{inward},{middle + 0.42}",
                line={"color": theme.INK, "width": 2.5},
            )


def limits_vary(frame: pl.DataFrame) -> bool:
    """Whether the runs of one family were judged by several limits of this figure."""
    several = frame.group_by("family").agg(
        pl.col(side).drop_nulls().n_unique() for side in ("low", "high")
    )
    return bool(several.select((pl.max_horizontal("low", "high") > 1).any()).item())
