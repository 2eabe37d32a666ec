"""Thermocouple wire of another type than the set-up says, found at a cold soak.

The wire's voltage at the cold car is known again from the reading and the cold junction. Where
another type of wire, and only it, turns that voltage into the temperature all other sensors read,
that is what hangs there. It takes a cold junction well apart from the car's temperature.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.heat import soak
from analysis.quality.soak_window import Soak
from analysis.quality.view import Hit, View, middle
from ingest.findings import finding
from ingest.sensors.thermocouple import Letter, emf, temperature

WRONG_TYPE: Final = finding(
    "wrong_type",
    "{point} is read as type {stated}, but agrees with the other sensors of the cold"
    " car only as type {fits}. None of its readings are believed: correct its type.",
    do="Read the type off the plug's color or label and write it into run.toml.",
    forbids=True,
    doubts_sensor=True,
)

CANDIDATES: Final[tuple[Letter, ...]] = ("K", "J", "T", "E", "N")

APART_K: Final = 8.0
"""The cold junction must be this far from the cold car."""

MIN_OFF_K: Final = 2.0
"""The reading must be this far off, on top of the sensor's limits."""

FITS_K: Final = 1.0
"""How closely the other type must read what the rest reads."""


@detector("wrong_type", order=74)
def detect(view: View) -> Iterator[Hit]:
    """Find thermocouples that fit another type's curve."""
    cold = soak(view)
    if cold is None:
        return
    for point in cold.disagreeing:
        sensor = view.sensor(point)
        junction = sensor.cold_junction
        if sensor.kind != "thermocouple" or junction is None or not view.present(point, junction):
            continue
        inside = (view.bin_time >= cold.window[0]) & (view.bin_time <= cold.window[1] + view.width)
        terminals = middle(view.means(junction)[inside])
        stated = view.run.setup.channels[point].type
        fits = _fitting(cold, point, terminals, stated)
        if fits is None:
            continue
        rows = ~np.isnan(view.values(point))
        begin, end = view.seconds(rows)
        yield Hit(
            WRONG_TYPE.found(
                point,
                begin,
                end,
                point=point,
                stated=stated,
                fits=fits,
                evidence={"stated": stated, "fits": fits},
            ),
            rows,
        )


def _fitting(cold: Soak, point: str, terminals: float, stated: Letter) -> Letter | None:
    """The one other type whose curve gives the car's temperature; None for none or several."""
    reading = cold.means[point]
    off = abs(reading - cold.temperature)
    limit = np.sqrt(3.0) * cold.limits[point]
    if not abs(terminals - cold.temperature) >= APART_K or off < limit + MIN_OFF_K:
        return None
    volts = float(emf(stated, reading) - emf(stated, terminals))
    misses = {
        letter: abs(float(temperature(letter, volts, terminals)) - cold.temperature)
        for letter in CANDIDATES
        if letter != stated
    }
    fitting = [letter for letter, miss in misses.items() if miss <= FITS_K]
    if not fitting:
        return None
    return min(fitting, key=lambda letter: misses[letter])
