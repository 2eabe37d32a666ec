"""Readings that nothing in a car can have: an open wire at the end of its range, a wild number."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.gaps import OPEN
from analysis.quality.view import COOLANTS, FRESH_AIR, INDOORS, OUTLETS, Hit, View
from analysis.signal.blocks import runs_of
from analysis.uncertainty import shared_parts
from ingest.arrays import Bools
from ingest.findings import finding
from ingest.saying import amount
from ingest.sensors.channels import ambient_pressure
from ingest.setup.model import WIRED

ABSURD: Final = finding(
    "absurd",
    "{point}: {count} of {valid} readings are impossible (as far as {worst}); {lost}.",
    do="Check the unit, type and scale of this channel in run.toml, then the sensor.",
    forbids=True,
    doubts_sensor=True,
)
BROKEN: Final = OPEN.also(
    "{point}: reads up to {worst}, as a broken wire does; {lost}.", forbids=True
)

TOO_DEEP: Final = ABSURD.also(
    "{point}: {count} of {valid} readings are impossible (as far as {worst}): no vacuum is deeper"
    " than the pressure of the air around it, {air}; {lost}."
)

VACUUMS: Final = ("vacuum_source", "vacuum_actuator")

LIMITS: Final[dict[str, tuple[float, float]]] = {
    **dict.fromkeys(VACUUMS, (-1_000.0, math.inf)),
    **dict.fromkeys(FRESH_AIR, (-60.0, 85.0)),
    **dict.fromkeys(OUTLETS, (-60.0, 140.0)),
    **dict.fromkeys(INDOORS, (-60.0, 110.0)),
    **dict.fromkeys(COOLANTS, (-60.0, 150.0)),
    "cold_junction": (-55.0, 110.0),
    "road_speed": (-2.0, 90.0),
    "engine_speed": (-100.0, 12_000.0),
    "blower_voltage": (-2.0, 60.0),
    "temp_lever": (-25.0, 125.0),
}
"""What a point of a car can read, in stored units. Generous: a reading outside is no
reading. How deep a vacuum can be, the air around the car says."""

SURE: Final = 3.0
"""A vacuum is impossible where it is deeper than the air's pressure by so many standard
uncertainties of the two."""

STRETCH_S: Final = 2.0
"""Outside for longer than this at a time is an open wire, not a spike."""

REJECT_SHARE: Final = 0.5
"""With more than this share of its readings outside, none of the channel is believed."""


@detector("absurd", order=10)
def detect(view: View) -> Iterator[Hit]:
    """Find readings outside what their point can have."""
    for point, (low, high) in LIMITS.items():
        if point not in view.run.sensors:
            continue
        lowest, highest = view.channel(point).extremes
        high = min(high, _deepest(view, point)) if point in VACUUMS else high
        if lowest < low or highest > high:
            yield _hit(view, point, low, high)


def _hit(view: View, point: str, low: float, high: float) -> Hit:
    values = view.values(point)
    outside = (values < low) | (values > high)
    valid = int((~np.isnan(values)).sum())
    count = int(outside.sum())
    worst = float(values[outside][np.abs(values[outside]).argmax()])
    kind = TOO_DEEP if point in VACUUMS and worst > high else ABSURD
    if view.sensor(point).kind in WIRED and _longest(view, outside) > STRETCH_S:
        kind = BROKEN
    lost = "they were left out"
    if count > REJECT_SHARE * valid:
        outside, lost = ~np.isnan(values), "none of its readings are believed"
    begin, end = view.seconds(outside)
    return Hit(
        kind.found(
            point,
            begin,
            end,
            point=point,
            count=count,
            valid=valid,
            worst=view.reading(point, worst),
            air=amount(ambient_pressure(view.run.setup)[0], ".1f", "kPa"),
            lost=lost,
            evidence={"count": float(count), "of": float(valid), "worst": worst},
        ),
        outside,
    )


def _deepest(view: View, point: str) -> float:
    """The deepest vacuum that a sensor can show, kPa."""
    air, u = ambient_pressure(view.run.setup)
    own = shared_parts(view.sensor(point), air).values()
    return air + SURE * math.hypot(u, *own)


def _longest(view: View, marked: Bools) -> float:
    """Longest stretch that is marked, s."""
    return max(float(view.time[stop - 1] - view.time[start]) for start, stop in runs_of(marked))
