"""Temperatures that stand still, within their noise, while what they follow moves.

What an outlet follows is the coolant, and the lever if it did so before.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.heat import WARM_C, fresh_air, hottest, lever, spread
from analysis.quality.view import COOLANTS, OUTLETS, Hit, View, middle
from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.findings import finding
from ingest.saying import say

STUCK: Final = finding(
    "stuck",
    "{point} stands still at {level:.1f degC} from {begin:.0f s} on while {cause};"
    " its readings from there were left out.",
    do="Check the logger's channel and the sensor's plug; repeat the run if it was the outlet.",
    forbids=True,
    doubts_sensor=True,
)

SMOOTH_S: Final = 10.0
MIN_KNOWN: Final = 4
NOISE_APART_S: Final = 5.0
"""Of readings further apart than this the differences are no noise."""

MIN_STILL: Final = 8
MIN_S: Final = 180.0
"""Standing still for fewer readings or for less time than this is no wonder."""

COOLANT_MOVED_K: Final = 15.0
"""While it stands still the coolant must have moved this much ..."""

LEVER_MOVED_PCT: Final = 60.0
MOVED_BEFORE_K: Final = 10.0
"""... or, at an outlet that moved by this much before, the lever, by more than its play and dead
travel."""

COLD_MARGIN_K: Final = 6.0
"""... and it must be further than this from the air outside, which a closed door delivers."""

HOTTER_K: Final = 8.0
"""No outlet is hotter than the coolant by more than what their sensors may differ by, K."""

WARMED_K: Final = 2.0
"""A sensor with its wires swapped falls as the coolant warms; this one had risen, K."""

THERMOSTAT_FROM_C: Final = 65.0
"""A coolant above this may be held still by its thermostat."""

NOISES: Final = 4.0
MIN_RANGE_K: Final = 0.15


@detector("stuck", order=50)
def detect(view: View) -> Iterator[Hit]:
    """Find temperatures that stand still to the end of the log."""
    air = fresh_air(view)
    for point in view.present(*OUTLETS, *COOLANTS):
        start = _still_from(view, point)
        if start is None:
            continue
        means = view.means(point)
        level = middle(means[start:])
        held = point in COOLANTS and level > THERMOSTAT_FROM_C
        if held or (air is not None and abs(level - air) < COLD_MARGIN_K):
            continue
        cause = _what_moved(view, point, start) or _hotter_outlet(view, point, start, level)
        if cause is None:
            continue
        begin = float(view.bin_time[start] - view.width / 2)
        rows = (view.time >= begin) & ~np.isnan(view.values(point))
        begin, end = view.seconds(rows)
        yield Hit(
            STUCK.found(
                point,
                begin,
                end,
                point=point,
                level=level,
                begin=begin,
                cause=cause,
                evidence={"reading": level},
            ),
            rows,
        )


def _hotter_outlet(view: View, point: str, start: int, level: float) -> str | None:
    """An outlet hotter than a coolant that warmed, then stands still: no air gets hotter."""
    low, _ = spread(view.means(point)[:start])
    if point not in COOLANTS or not level > low + WARMED_K:
        return None
    for outlet in view.present(*OUTLETS):
        _, high = spread(view.means(outlet)[start:])
        if high > level + HOTTER_K:
            return say("the outlet's air reaches {high:.0f degC}", high=high)
    return None


def _what_moved(view: View, point: str, start: int) -> str | None:
    """What moved, while a point stood still, that should have moved it."""
    source = hottest(view, but=point)
    if source is None:
        return None
    heat = view.means(source)
    # a thermostat holds the engine still; the hose at the core may go cold all the same
    moved = max(_moved(view, each, start) for each in {source, *view.present(*_beside(point))})
    if moved >= COOLANT_MOVED_K:
        return say("the coolant moves by {moved:.0f K}", moved=moved)
    position = lever(view)
    if point not in OUTLETS or position is None or _blower_off(view, start):
        return None
    low, high = spread(view.means(point)[:start])
    travel = position[start:][heat[start:] > WARM_C]
    travel = travel[~np.isnan(travel)]
    moved = float(np.ptp(travel)) if travel.size else 0.0
    if moved < LEVER_MOVED_PCT or not high - low >= MOVED_BEFORE_K:
        return None
    return f"the lever moves by {moved:.0f} %"


def _beside(point: str) -> tuple[str, ...]:
    """Points whose water an outlet's air takes its heat from."""
    return ("coolant_in",) if point in OUTLETS else ()


def _moved(view: View, point: str, start: int) -> float:
    """Range of a point from a bin on, K."""
    means = view.means(point)[start:]
    means = means[~np.isnan(means)]
    return float(np.ptp(means)) if means.size else 0.0


def _blower_off(view: View, start: int) -> bool:
    """Whether no air was blown from a bin on, as far as that is noted."""
    blower = view.controls.get("blower")
    return blower is not None and middle(blower[start:]) == 0.0


def _still_from(view: View, point: str) -> int | None:
    """First bin from which a point stands still to its end; None where it does not for long."""
    means = view.means(point)
    known = np.flatnonzero(~np.isnan(means))
    per_bin = max(1.0, view.width / view.interval)
    if known.size < MIN_KNOWN:
        return None
    apart = median(np.diff(view.bin_time[known]))
    width = max(1, round(SMOOTH_S / apart))
    if known.size <= 2 * width:
        return None
    end = float(view.bin_time[known[-1]])
    # from one reading to the next of a slow log the car itself moves: that is no noise
    noise = view.noise(point) / np.sqrt(per_bin * width) if apart <= NOISE_APART_S else 0.0
    allowed = max(MIN_RANGE_K, view.sensor(point).resolution) + 2.0 * NOISES * noise
    # most channels move within the last of the time they would have to stand still for
    last = int(np.searchsorted(view.bin_time[known], end - MIN_S, side="right"))
    lately = _smooth(means[known[last:]], width)
    if lately.size and float(lately.max() - lately.min()) > allowed:
        return None
    backwards = _smooth(means[known], width)[::-1]
    reached = np.maximum.accumulate(backwards) - np.minimum.accumulate(backwards)
    moved = np.flatnonzero(reached > allowed)
    still = backwards.size if not moved.size else int(moved[0])
    start = int(known[backwards.size - still])
    if still + width - 1 < MIN_STILL or end - view.bin_time[start] < MIN_S:
        return None
    return start


def _smooth(means: Floats, width: int) -> Floats:
    """Means of `width` neighbours, as many as there are whole groups of them."""
    if means.size < width:
        return means[:0]
    return np.asarray(np.convolve(means, np.full(width, 1.0 / width), mode="valid"))
