"""Channels that say nothing: no reading at all, or one number from beginning to end."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.view import COOLANTS, INDOORS, OUTLETS, Hit, View
from ingest.arrays import Floats
from ingest.findings import finding
from ingest.load.columns import NO_NUMBERS
from ingest.points import POINTS

DEAD: Final = finding(
    "dead",
    "{point} (column {column}) reads {reading} from beginning to end; it was left out.",
    do="Check that the sensor is plugged in and that run.toml names its column.",
    forbids=True,
    doubts_sensor=True,
)
NONE_VALID: Final = DEAD.also("{point} (column {column}) has no valid reading.", forbids=False)
EMPTY: Final = finding(
    "empty",
    "{point} (column {column}) has no reading at all: it was not logged.",
    do="Nothing, if no sensor was connected; otherwise name the right column in run.toml.",
)

FEWEST: Final = 30
"""One number this often is worth a finding."""

MIN_SPAN_S: Final = 60.0

MOVED_K: Final = 8.0
"""If another temperature of the car moved this much, none of those that heat moves stands still."""

HEATED: Final = (*COOLANTS, *OUTLETS, *INDOORS)

MIN_LIKE: Final = 5
LIKE_SHARE: Final = 0.8
"""So many like channels there must be, and this share of them must move, for a 0 to be dead."""


@detector("dead", order=15)
def detect(view: View) -> Iterator[Hit]:
    """Find channels without any information."""
    for point, sensor in view.run.sensors.items():
        low, high = view.channel(point).extremes
        if np.isnan(low):
            if view.touched(point):
                continue  # another detector took its readings out and said so
            kind = NONE_VALID if _was_read(view, point) else EMPTY
            yield Hit(kind.found(point, point=point, column=sensor.source))
            continue
        if low != high:
            continue
        known = ~np.isnan(view.values(point))
        begin, end = view.seconds(known)
        if known.sum() < FEWEST or end - begin < MIN_SPAN_S or not _should_move(view, point, low):
            continue
        yield Hit(
            DEAD.found(
                point,
                begin,
                end,
                point=point,
                column=sensor.source,
                reading=view.reading(point, low),
                evidence={"reading": low, "count": float(known.sum())},
            ),
            known,
        )


def _was_read(view: View, point: str) -> bool:
    """Whether the logger had something to say of a channel that has no reading."""
    return any(
        each.channel == point
        and (each.forbids or each.fault in NO_NUMBERS or each.evidence.get("of_fault"))
        for each in view.run.findings
    )


def _should_move(view: View, point: str, reading: float) -> bool:
    """Whether a channel that never changes must be dead.

    A heated point must move where another does. Of a channel the heater's figures do not know,
    exactly 0 among like channels that nearly all move is a dead one; all else may be a constant.
    """
    if point in HEATED:
        others = [view.means(other) for other in view.temperatures() if other != point]
        return any(
            float(np.fmax.reduce(means) - np.fmin.reduce(means)) > MOVED_K for means in others
        )
    if point in POINTS or reading != 0.0:
        return False
    quantity = view.sensor(point).quantity
    like = [
        other
        for other, sensor in view.run.sensors.items()
        if other != point and other not in POINTS and sensor.quantity == quantity
    ]
    moving = sum(_moves(view.values(other)) for other in like)
    return len(like) >= MIN_LIKE and moving >= LIKE_SHARE * len(like)


def _moves(values: Floats) -> bool:
    return bool(np.fmin.reduce(values) < np.fmax.reduce(values))
