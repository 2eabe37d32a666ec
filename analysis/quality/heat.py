"""What the detectors of wrong wiring know of the car: its heat, its fresh air, its cold soak."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.quality.soak_window import Soak, find_soak
from analysis.quality.view import COOLANTS, FRESH_AIR, View
from analysis.signal.order_statistics import quantiles
from analysis.uncertainty import shared_parts
from ingest.arrays import Bools, Floats

WARM_C: Final = 55.0
"""Coolant above this heats the outlet whatever the car."""

LEVER_WARM_PCT: Final = 50.0


def spread(means: Floats, low: float = 5.0, high: float = 95.0) -> tuple[float, float]:
    """Two percentiles of the valid bins, NaN where there is none."""
    known = means[~np.isnan(means)]
    if not known.size:
        return np.nan, np.nan
    lower, upper = quantiles(known, low / 100.0, high / 100.0)
    return lower, upper


def rise(view: View, point: str) -> float:
    """How much a point is higher at its highest than when it began, by its bins, K."""
    return view.channel(point).rise


def hottest(view: View, *, but: str = "") -> str | None:
    """The coolant that warmed most, `but` left out; None where none is logged."""
    kept = view.until_changed
    if ("hottest", but) not in kept:
        kept["hottest", but] = _hottest(view, but)
    found = kept["hottest", but]
    assert found is None or isinstance(found, str)  # noqa: S101 - kept here only
    return found


def _hottest(view: View, but: str) -> str | None:
    found = [point for point in view.present(*COOLANTS) if point != but]
    return max(found, key=lambda point: rise(view, point)) if found else None


def fresh_air(view: View, *, but: str = "") -> float | None:
    """Usual temperature of the air outside, `but` left out; None where it is not logged."""
    for point in view.present(*FRESH_AIR):
        if point != but:
            return view.usual(point)
    return None


def soak(view: View) -> Soak | None:
    """The run's cold soak, looked for once."""
    if "soak" not in view.kept:
        view.kept["soak"] = find_soak(view)
    found = view.kept["soak"]
    assert found is None or isinstance(found, Soak)  # noqa: S101 - kept here only
    return found


def lever(view: View) -> Floats | None:
    """Position of the temperature lever bin by bin, %; None where nothing shows it."""
    if view.present("temp_lever"):
        return view.means("temp_lever")
    return view.controls.get("temp_lever")


def warm_air_expected(view: View, *, but: str = "") -> Bools | None:
    """Bins in which warm air should come out; None where that is not known."""
    kept = view.until_changed
    if ("warm air", but) not in kept:
        kept["warm air", but] = _warm_air_expected(view, but)
    found = kept["warm air", but]
    assert found is None or isinstance(found, np.ndarray)  # noqa: S101 - kept here only
    return found


def _warm_air_expected(view: View, but: str) -> Bools | None:
    source = hottest(view, but=but)
    if source is None:
        return None
    warm: Bools = view.means(source) > WARM_C
    position = lever(view)
    return warm if position is None else warm & (position >= LEVER_WARM_PCT)


def difference_uncertainty(view: View, one: str, other: str) -> float:
    """Standard uncertainty of the difference of two sensors; what they share cancels."""
    parts: dict[str, float] = {}
    for point, sign in ((one, 1.0), (other, -1.0)):
        level = view.usual(point)
        for name, part in shared_parts(view.sensor(point), level).items():
            parts[name] = parts.get(name, 0.0) + sign * part
    return math.hypot(*parts.values())
