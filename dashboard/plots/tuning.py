"""Pictures of a limit that is being tried: the fleet, the ROC point, the cost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from dashboard.plots import theme
from dashboard.text.shown import conversion, words
from ingest.saying import Shown

if TYPE_CHECKING:
    from analysis.tune.search.trial import Attempt, Trial

BINS: Final = 48
HEIGHT_PX: Final = 300

NO_LABEL: Final = "no label"
KINDS: Final = {"good": theme.GREEN, "bad": theme.VERMILION, NO_LABEL: theme.SOFT_INK}


def fleet_picture(trial: Trial, tried: Attempt, units: str) -> dict[str, Any]:
    """Distribution of good, bad and other runs with the limit and its usual guard band."""
    shown = conversion(trial.unit, units)
    edges = np.linspace(trial.low, trial.high, BINS + 1)
    middles = _shown(0.5 * (edges[1:] + edges[:-1]), shown)
    traces = []
    other = ~(trial.good | trial.bad)
    for (name, color), kind in zip(KINDS.items(), (trial.good, trial.bad, other), strict=True):
        total = int(kind.sum())
        if not total:
            continue
        count, _ = np.histogram(trial.value[kind], edges)
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": f"{name} ({total})",
                "x": middles,
                "y": (100.0 * count / total).round(2).tolist(),
                "line": {
                    "color": color,
                    "shape": "hvh",
                    "width": 2.5 if name != NO_LABEL else 1.5,
                    "dash": {"good": "solid", "bad": "7px,3px"}.get(name, "2px,3px"),
                },
                "hovertemplate": "%{y:.1f} %",
            }
        )
    from analysis.verdict import GUARD

    band = GUARD * float(np.median(trial.u))
    ends = _shown(np.array([tried.limit - band, tried.limit + band]), shown)
    at = _shown(np.array([tried.limit]), shown)[0]
    return {
        "data": traces,
        "layout": _layout(
            f"{words(trial.figure)}, {shown.unit}".rstrip(", "),
            "share of its kind, %",
            showlegend=True,
            shapes=[
                _band(ends[0], ends[1]),
                _line(at, at, 0, 1, yref="paper", color=theme.INK, width=3),
            ],
        ),
    }


def roc_picture(trial: Trial, tried: Attempt) -> dict[str, Any]:
    """The ROC curve with its band, and the point of the limit."""
    data: list[dict[str, Any]] = []
    if trial.roc is not None:
        roc = trial.roc
        keep = np.unique(np.linspace(0, roc.limits.size - 1, 400).astype(int))
        x, y = roc.false_alarm[keep], roc.detection[keep]
        upper = np.maximum(x - roc.false_alarm_margin, 0), np.minimum(y + roc.detection_margin, 1)
        lower = np.minimum(x + roc.false_alarm_margin, 1), np.maximum(y - roc.detection_margin, 0)
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": _percent(np.concatenate([[0], upper[0], [1], lower[0][::-1]])),
                "y": _percent(np.concatenate([[0], upper[1], [1], lower[1][::-1]])),
                "fill": "toself",
                "fillcolor": theme.SHADE,
                "line": {"width": 0},
                "hoverinfo": "skip",
            }
        )
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": _percent(x),
                "y": _percent(y),
                "line": {"color": theme.BLUE, "width": 2.5},
                "hoverinfo": "skip",
            }
        )
        data.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [100.0 * tried.false_alarm.value],
                "y": [100.0 * tried.detection.value],
                "marker": {"size": 15, "color": theme.INK, "symbol": "diamond"},
                "hovertemplate": "finds %{y:.0f} %, fails %{x:.0f} % of the good<extra></extra>",
            }
        )
    layout = _layout("good runs beyond the limit, %", "bad runs beyond it, %", hovermode="closest")
    layout["xaxis"]["range"] = layout["yaxis"]["range"] = [-2, 102]
    return {"data": data, "layout": layout}


def cost_picture(trial: Trial, tried: Attempt, units: str) -> dict[str, Any]:
    """Expected cost against the limit, the limit tried and the best one."""
    shown = conversion(trial.unit, units)
    data: list[dict[str, Any]] = []
    if tried.curve.size:
        at = np.array([tried.limit, tried.best])
        costs = np.interp(trial.sign * at, trial.limits, tried.curve)
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": _shown(trial.sign * trial.limits, shown),
                "y": tried.curve.round(6).tolist(),
                "line": {"color": theme.BLUE, "width": 2.5},
                "hovertemplate": "%{y:.3g}<extra></extra>",
            }
        )
        for place, cost, symbol, name in zip(
            _shown(at, shown), costs, ("diamond", "circle-open"), ("tried", "least"), strict=True
        ):
            data.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "x": [place],
                    "y": [float(cost)],
                    "marker": {"size": 15, "color": theme.INK, "symbol": symbol,
                               "line": {"width": 3}},
                    "hovertemplate": f"{name}: %{{y:.3g}}<extra></extra>",
                }
            )  # fmt: skip
    return {
        "data": data,
        "layout": _layout(
            f"limit, {shown.unit}".rstrip(", "), "expected cost a car", hovermode="closest"
        ),
    }


def _layout(x: str, y: str, **more: Any) -> dict[str, Any]:
    return theme.base_layout() | {
        "height": HEIGHT_PX,
        "showlegend": False,
        "legend": {"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0},
        "margin": {"l": 64, "r": 14, "t": 34, "b": 52},
        "xaxis": theme.axis(title={"text": x}),
        "yaxis": theme.axis(title={"text": y}, rangemode="tozero"),
        "uirevision": "same",
    } | more  # fmt: skip


def _line(
    x0: float, x1: float, y0: float, y1: float, *, yref: str, color: str, width: float
) -> dict[str, Any]:
    return {
        "type": "line", "x0": x0, "x1": x1, "y0": y0, "y1": y1, "yref": yref,
        "line": {"color": color, "width": width},
    }  # fmt: skip


def _band(x0: float, x1: float) -> dict[str, Any]:
    return {
        "type": "rect", "x0": x0, "x1": x1, "y0": 0, "y1": 1, "yref": "paper",
        "fillcolor": theme.SHADE, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip


def _shown(values: Any, shown: Shown) -> list[float]:
    return [round(float(each), 5) for each in np.asarray(values) * shown.factor + shown.offset]


def _percent(values: Any) -> list[float]:
    return [round(100.0 * float(each), 2) for each in values]
