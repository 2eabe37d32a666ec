"""Temperatures with far more noise than a sensor and its amplifier have."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from analysis.quality import detector
from analysis.quality.view import CAR_TEMPERATURES, Hit, View
from ingest.findings import finding

NOISY: Final = finding(
    "noisy",
    "{point} has {noise:.1f K} of noise from reading to reading; its figures are"
    " less certain for it.",
    do="Look for a loose plug, a wire beside the ignition, or a shield that is not grounded.",
    doubts_sensor=True,
)

MIN_K: Final = 1.0
"""Noise of a thermocouple on a bad amplifier is a few tenths of a kelvin; twice that again is a
ground loop or an ignition lead."""

LONGEST_INTERVAL_S: Final = 2.0
"""Of readings further apart the differences are no noise."""


@detector("noisy", order=60)
def detect(view: View) -> Iterator[Hit]:
    """Find noisy temperatures; their readings are kept."""
    if view.interval > LONGEST_INTERVAL_S:
        return
    for point in view.present(*CAR_TEMPERATURES, "cold_junction"):
        least = max(MIN_K, view.sensor(point).resolution)
        # no second difference is larger than two steps, nor is their median
        if 2.0 * view.largest_step(point) < least:
            continue
        noise = view.noise(point)
        if noise > least:
            yield Hit(NOISY.found(point, point=point, noise=noise, evidence={"noise_K": noise}))
