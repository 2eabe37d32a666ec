"""An outlet sensor that is no longer in the air stream: it reads the cabin, not the outlet.

Whatever is wrong with a heater, the air that leaves it warms the footwell and the cabin, so the
outlet is the warmest of the three while warm air is asked for. An outlet that stays well below the
footwell, or goes along with a cabin that has warmed, does not measure the outlet. It is not taken
for a fault of the sensor where the heat may have been sent to another outlet, nor where the outlet
changed when a control was moved: a lever that works backwards is no sensor that fell off.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.heat import difference_uncertainty, warm_air_expected
from analysis.quality.view import Hit, View
from ingest.arrays import Bools
from ingest.findings import finding
from ingest.points import MODES
from ingest.saying import say

FELL_OFF: Final = finding(
    "fell_off",
    "outlet {why}: its sensor is not in the air stream (it fell off, or hangs beside"
    " the outlet). None of its readings are believed.",
    do="Fasten the sensor in the middle of the outlet's air stream and repeat the run.",
    forbids=True,
    doubts_sensor=True,
)

MIN_S: Final = 120.0
MAX_SHARE: Final = 0.8
"""Of the time warm air is expected, at least this much must show it."""

BELOW_FOOTWELL_K: Final = 5.0
"""So far below the footwell, with their uncertainty on top, no outlet at the floor is."""

WARMED_K: Final = 12.0
"""A cabin this much above the air outside has been heated by something ..."""

BARELY_ABOVE_K: Final = 2.0
"""... which is not an outlet that is no more than this above it."""

HOTTER_THAN_FOOTWELL_K: Final = 8.0
HOTTER_THAN_CABIN_K: Final = 15.0
AROUND_S: Final = 90.0

ELSEWHERE: Final = tuple(MODES.index(word) for word in ("defrost", "vent"))


@detector("fell_off", order=85)
def detect(view: View) -> Iterator[Hit]:
    """Find an outlet that reads below the footwell, or with the cabin, while warm air is due."""
    expected = _warm_air_to_the_floor(view)
    if expected is None or not view.present("outlet"):
        return
    last_hot = _last_hot(view, expected)
    if last_hot is not None:
        if _moved_about(view, last_hot):
            return
        expected = expected & (view.bin_time > last_hot)
    for point, text in _explained(view, expected):
        rows = ~np.isnan(view.values("outlet"))
        if last_hot is not None:
            rows &= view.time > last_hot
        begin, end = view.seconds(rows)
        yield Hit(
            FELL_OFF.found("outlet", begin, end, why=text, evidence={"compared_with": point}),
            rows,
        )
        return


def _warm_air_to_the_floor(view: View) -> Bools | None:
    expected = warm_air_expected(view)
    if expected is None:
        return None
    elsewhere = [view.mode == mode for mode in ELSEWHERE]
    return np.asarray(expected & ~np.logical_or.reduce(elsewhere))


def _last_hot(view: View, expected: Bools) -> float | None:
    """When the outlet was last plainly hotter than what it heats, s; None for never."""
    hot = np.zeros(view.bin_time.size, dtype=bool)
    if view.present("footwell"):
        # with the lever at cold a sensor in the cabin is warmer than the footwell, too
        above = view.means("outlet") - view.means("footwell")
        hotter = expected & (above > HOTTER_THAN_FOOTWELL_K)
        if hotter.any():
            hot |= hotter & _settled(view)
    if view.present("cabin"):
        hot |= view.means("outlet") - view.means("cabin") > HOTTER_THAN_CABIN_K
    places = np.flatnonzero(hot)
    return float(view.bin_time[places[-1]]) if places.size else None


def _settled(view: View) -> Bools:
    """Bins some time after the last move of a control: the footwell lags the outlet."""
    moved = np.sort(view.run.controls["time_s"].to_numpy())
    if moved.size == 0:
        return np.ones(view.bin_time.size, dtype=bool)
    place = np.searchsorted(moved, view.bin_time, side="right") - 1
    since = np.where(place >= 0, view.bin_time - moved[np.maximum(place, 0)], np.inf)
    return np.asarray(since > AROUND_S)


def _moved_about(view: View, moment: float) -> bool:
    """Whether a control was moved about when the outlet stopped being hot."""
    moved = view.run.controls["time_s"].to_numpy()
    return bool(np.any((moved > moment - AROUND_S) & (moved < moment + AROUND_S)))


def _explained(view: View, expected: Bools) -> Iterator[tuple[str, str]]:
    outlet = view.means("outlet")
    if view.present("footwell"):
        below = (view.means("footwell") - outlet)[expected]
        below = below[~np.isnan(below)]
        bound = BELOW_FOOTWELL_K + 2.0 * difference_uncertainty(view, "outlet", "footwell")
        if _mostly(view, below > bound):
            yield (
                "footwell",
                (
                    say(
                        "reads {below:.0f K} below the footwell it heats",
                        below=float(np.median(below)),
                    )
                ),
            )
    air = next(iter(view.present("ambient", "inlet_air")), None)
    if view.present("cabin") and air is not None:
        cabin = view.means("cabin")
        warmed = expected & (cabin - view.means(air) > WARMED_K)
        above = (outlet - cabin)[warmed]
        above = above[~np.isnan(above)]
        bound = BARELY_ABOVE_K + difference_uncertainty(view, "outlet", "cabin")
        if _mostly(view, above < bound):
            yield "cabin", "goes along with the cabin, which has warmed all the same"


def _mostly(view: View, condition: Bools) -> bool:
    long_enough = condition.size * view.width >= MIN_S
    return bool(long_enough and condition.mean() >= MAX_SHARE)
