"""How far the arithmetic is from published tables and from other people's libraries.

``python benchmarks/published.py`` prints one line a comparison: its name, the largest difference,
over how many values. The tests hold the same to their bars (`tests/ingest/sensors`,
`tests/analysis/heater`).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import thermocouple_its90
from ht.hx import effectiveness_from_NTU

from analysis.heater.effectiveness import effectiveness_from_ntu
from ingest.sensors.atmosphere import pressure_at_geopotential
from ingest.sensors.saturation import KELVIN, saturation_temperature
from ingest.sensors.thermocouple import emf, temperature_range
from tests.ingest.sensors.test_atmosphere import ISO_2533
from tests.ingest.sensors.test_thermocouple import LETTERS, TABLES

IAPWS_IF97 = {0.1: 372.755919, 1.0: 453.035632, 10.0: 584.149488}
"""MPa: K, IAPWS R7-97(2012), table 36 (from memory; coefficients as in two open libraries)."""


def compared() -> Iterator[tuple[str, float, str, int]]:
    """Name, largest difference, its unit, number of values."""
    for letter in ("K", "T"):
        at, printed = TABLES[letter].T
        off = np.abs(emf(letter, at) - printed)
        yield f"its90_table_{letter}", 1000.0 * float(off.max()), "uV", at.size
    worst, count = 0.0, 0
    for letter in LETTERS:
        table = thermocouple_its90.get(letter)
        at = np.linspace(*temperature_range(letter), 2003)
        theirs = np.array([table.emf(float(t)) for t in at])
        worst = max(worst, float(np.abs(emf(letter, at) - theirs).max()))
        count += at.size
    yield "its90_library", 1000.0 * worst, "uV", count
    off = [
        abs(saturation_temperature(1000.0 * pressure) + KELVIN - kelvin)
        for pressure, kelvin in IAPWS_IF97.items()
    ]
    yield "boiling_point", max(off), "K", len(off)
    pressure = 1000.0 * pressure_at_geopotential(list(ISO_2533))
    off = np.abs(pressure - list(ISO_2533.values()))
    yield "atmosphere", float(off.max()), "Pa", len(ISO_2533)
    pairs = [
        (ntu, ratio) for ntu in np.linspace(0.01, 9.0, 60) for ratio in np.linspace(0.01, 0.97, 20)
    ]
    off = [
        abs(
            float(effectiveness_from_ntu(ntu, ratio))
            - effectiveness_from_NTU(ntu, ratio, subtype="crossflow")
        )
        for ntu, ratio in pairs
    ]
    yield "effectiveness_library", max(off), "", len(pairs)


if __name__ == "__main__":
    for name, worst, unit, count in compared():
        print(f"{name}: {worst:.2g} {unit} over {count} values".replace("  ", " "))
