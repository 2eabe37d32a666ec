"""A heater's supply hose cooler than its return: reversed hoses, or two sensors exchanged."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.heat import WARM_C, difference_uncertainty, soak
from analysis.quality.view import Hit, View
from ingest.findings import finding

SUPPLY_COOLER: Final = finding(
    "supply_cooler",
    "coolant_in is {below:.1f K} cooler than coolant_out with a warm engine: the heater"
    " hoses are reversed, or the two sensors are exchanged.",
    do="Follow both hoses from the engine to the core, then check which sensor sits on which.",
)

MIN_S: Final = 60.0
COOLER_K: Final = 0.5

AFTER_SOAK_K: Final = 0.5
AFTER_SOAK_SHARE: Final = 0.25
"""Standard uncertainty of the difference that is left after a cold soak, K, and as a share of what
it was before: the part of the sensors' errors that grows with temperature."""


@detector("supply_cooler", order=91)
def detect(view: View) -> Iterator[Hit]:
    """Find a heater's supply hose that is cooler than its return; both are kept."""
    if len(view.present("coolant_in", "coolant_out")) < 2:
        return
    warm = np.fmax(view.means("coolant_in"), view.means("coolant_out")) > WARM_C
    apart = (view.means("coolant_in") - view.means("coolant_out"))[warm]
    apart = apart[~np.isnan(apart)]
    if apart.size * view.width < MIN_S:
        return
    drop, u = float(np.median(apart)), difference_uncertainty(view, "coolant_in", "coolant_out")
    cold = soak(view)
    if cold is not None and {"coolant_in", "coolant_out"} <= set(cold.agreeing):
        drop -= cold.means["coolant_in"] - cold.means["coolant_out"]
        u = math.hypot(AFTER_SOAK_K, AFTER_SOAK_SHARE * u)
    if drop > -COOLER_K - 2.0 * u:
        return
    yield Hit(SUPPLY_COOLER.found("coolant_in", below=-drop, evidence={"drop_K": drop}))
