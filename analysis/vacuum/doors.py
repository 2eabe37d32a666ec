"""Doors that send the air elsewhere than the mode says, told by the outlets' temperatures.

The outlet that gets the air is warmer than the others when the lever is at hot, and follows the
lever more closely: one that only gets what leaks past a door loses more of it to its duct.
Following needs no sensor to be right, only to be steady.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.measurement import Measurement, combine
from analysis.timeline.timeline import Timeline
from analysis.uncertainty import mean_random, shared_parts
from ingest.arrays import Bools, Floats
from ingest.findings import finding
from ingest.points import MODES
from ingest.run import Finding

DOOR_GOES_WRONG_WAY: Final = finding(
    "door_goes_wrong_way",
    "with the mode on {mode} another outlet was {excess:.0f K} warmer than the "
    "{place} outlet: the door goes the wrong way, as with the hoses crossed at its "
    "actuator",
    do="Compare the two hoses at the actuator with the hose diagram and exchange them.",
)
OTHER_OUTLET_FOLLOWS: Final = finding(
    "other_outlet_follows",
    "with the mode on {mode} another outlet followed the temperature lever by {more:.0f K} more "
    "than the {place} outlet: the air goes out there, as with the hoses crossed at an actuator",
    do="Feel where the air comes out in each mode, then compare the hoses at the actuator with the "
    "hose diagram.",
)

PLACES: Final = {"outlet": "floor", "outlet_defrost": "windshield", "outlet_panel": "panel"}

EXPECTED: Final = {"floor": "outlet", "defrost": "outlet_defrost", "vent": "outlet_panel"}
"""The outlet that must be the warmest in a mode with the heater on."""

SETTLE_S: Final = 30.0
MIN_MODE_S: Final = 60.0
DIVERTED_PCT: Final = 20.0
"""Defroster control above which the windshield's outlet may be the warmer one."""

HALF_WAY_PCT: Final = 50.0
WARM_K: Final = 15.0
WRONG_K: Final = 3.0
SURE: Final = 2.0

HOT_PCT: Final = 75.0
COLD_PCT: Final = 25.0
MIN_COLD_S: Final = 15.0
ARRIVED_S: Final = 10.0
MORE_K: Final = 4.0
MORE_SHARE: Final = 0.1
"""An outlet that swings by 4 K and a tenth more than the mode's own gets more of the air: two like
ones differ by their ducts' losses alone."""

GAIN_ERROR: Final = 0.01
"""Two sensors differ in their gain by this much (k = 1; IEC 60584-1, class 2: 0.75 % each)."""


def wrong_way(timeline: Timeline) -> tuple[str, str, Measurement] | None:
    """Mode, its own outlet, and how much warmer another outlet was; None where all is right."""
    worst: tuple[str, str, Measurement] | None = None
    for word, point, other in _pairs(timeline):
        use, own = _in_mode(timeline, word), timeline.values(point)
        excess = (timeline.values(other) - own)[use]
        excess = excess[~np.isnan(excess)]
        if excess.size * timeline.grid.step < MIN_MODE_S:
            continue
        found = _difference(timeline, other, point, excess, float(np.nanmean(own[use])))
        if found.known() > WRONG_K + SURE * (found.u or 0.0) and (
            worst is None or found.known() > worst[2].known()
        ):
            worst = (word, point, found)
    return worst


def _pairs(timeline: Timeline) -> Iterator[tuple[str, str, str]]:
    """Each mode, its own outlet, and another one, where both are logged."""
    for word, point in EXPECTED.items():
        for other in EXPECTED.values():
            if other != point and timeline.has(point, other):
                yield word, point, other


def _in_mode(timeline: Timeline, word: str, *, warm: bool = True) -> Bools:
    """Bins in a mode with a warm engine, settled; `warm`: with warm air on its way, too."""
    grid = timeline.grid
    in_mode = (
        (grid.mode == MODES.index(word))
        & timeline.blowing
        & timeline.engine_on
        & timeline.engine_warm
    )
    if warm:
        in_mode &= ~(timeline.lever < HALF_WAY_PCT)
    if word == "floor":  # who sends air to the windshield by hand must expect warm air there
        in_mode &= ~(grid.control("defrost") > DIVERTED_PCT)
    air = timeline.reference_air(prefer="ambient")
    if warm and air is not None:
        warmest = np.fmax.reduce([timeline.values(each) for each in EXPECTED.values()])
        in_mode &= warmest - timeline.values(air) > WARM_K
    settle = round(SETTLE_S / grid.step)
    changed = np.flatnonzero(np.diff(grid.mode) != 0) + 1
    for place in changed.tolist():
        in_mode[place : place + settle] = False
    return np.asarray(in_mode)


def _difference(
    timeline: Timeline, warm: str, cold: str, excess: Floats, reading: float
) -> Measurement:
    mean = float(excess.mean())
    sensors = timeline.run.sensors
    parts = [
        (1.0, Measurement(0.0, "K", 0.0, shared_parts(sensors[warm], reading + mean))),
        (-1.0, Measurement(0.0, "K", 0.0, shared_parts(sensors[cold], reading))),
    ]
    return combine(mean, "K", tuple(parts))


def follows_lever(timeline: Timeline, word: str, other: str) -> Measurement | None:
    """How much more another outlet than the mode's own moved from cold to hot; None if not known.

    Parameters
    ----------
    timeline
        The run.
    word
        The mode.
    other
        The other outlet.
    """
    own = EXPECTED[word]
    hot = _in_mode(timeline, word) & (timeline.lever >= HOT_PCT)
    cold = _in_mode(timeline, word, warm=False) & _since(timeline, timeline.lever <= COLD_PCT)
    mine, theirs = timeline.values(own), timeline.values(other)
    apart = theirs - mine
    at_hot, at_cold = apart[hot], apart[cold]
    at_hot, at_cold = at_hot[~np.isnan(at_hot)], at_cold[~np.isnan(at_cold)]
    step = timeline.grid.step
    if at_hot.size * step < MIN_MODE_S or at_cold.size * step < MIN_COLD_S or at_cold.size < 4:
        return None
    swing = float(np.nanmean(mine[hot]) - np.nanmean(mine[cold]))
    more = float(at_hot.mean() - at_cold.mean())
    if swing + more < WARM_K or at_hot.mean() <= 0.0:
        return None
    random = float(np.hypot(mean_random(at_hot), mean_random(at_cold)))
    found = Measurement(more, "K", random, {"gain of the sensors": GAIN_ERROR * swing})
    sure = more > max(MORE_K, MORE_SHARE * swing) + SURE * (found.u or 0.0)
    return found if sure else None


def _since(timeline: Timeline, there: Bools) -> Bools:
    """A state without its first seconds, in which a sensor is still on its way."""
    width = round(ARRIVED_S / timeline.grid.step)
    began = np.flatnonzero(there[1:] & ~there[:-1]) + 1
    kept = there.copy()
    for place in began.tolist():
        kept[place : place + width] = False
    return kept


def door_findings(timeline: Timeline) -> list[Finding]:
    """What the outlets tell of the doors, at most one finding."""
    found = wrong_way(timeline)
    if found is not None:
        word, point, excess = found
        return [
            DOOR_GOES_WRONG_WAY.found(
                point,
                mode=word,
                excess=excess.known(),
                place=PLACES[point],
                evidence={"excess": excess.known(), "u": excess.u or 0.0, "mode": word},
            )
        ]
    for word, point, other in _pairs(timeline):
        more = follows_lever(timeline, word, other)
        if more is not None:
            return [
                OTHER_OUTLET_FOLLOWS.found(
                    point,
                    mode=word,
                    more=more.known(),
                    place=PLACES[point],
                    evidence={"more": more.known(), "u": more.u or 0.0, "mode": word},
                )
            ]
    return []
