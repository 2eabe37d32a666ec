"""A cold junction that moves: then the terminals and their own sensor need not be equally warm."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.view import Hit, View
from ingest.findings import finding

COLD_JUNCTION_DRIFT: Final = finding(
    "cold_junction_drift",
    "{point} moved by {drift:.1f K} in the run, up to {rate:.1f K} in a minute; the"
    " thermocouples' terminals lag behind it. Keep the logger out of the warm air.",
    do="Put the logger where neither the heater nor the sun warms it, and repeat if it matters.",
)

DRIFT_K: Final = 15.0
RATE_K_PER_MIN: Final = 3.0
OVER_S: Final = 60.0


@detector("cold_junction_drift", order=80)
def detect(view: View) -> Iterator[Hit]:
    """Find cold junctions that drift far or fast; the readings are kept."""
    junctions = {sensor.cold_junction for sensor in view.run.sensors.values()}
    for point in view.present(*sorted(name for name in junctions if name)):
        means = view.means(point)
        known = means[~np.isnan(means)]
        if known.size < 3:
            continue
        lag = max(1, round(OVER_S / view.width))
        drift = float(known.max() - known.min())
        rate = float(np.abs(known[lag:] - known[:-lag]).max()) if known.size > lag else 0.0
        if drift <= DRIFT_K and rate <= RATE_K_PER_MIN:
            continue
        yield Hit(
            COLD_JUNCTION_DRIFT.found(
                point,
                point=point,
                drift=drift,
                rate=rate,
                evidence={"drift_K": drift, "rate_K_per_min": rate},
            )
        )
