"""Channels that look exchanged: an outlet below the outside air, a supply below the return."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.heat import rise, soak, warm_air_expected
from analysis.quality.view import FRESH_AIR, Hit, View
from analysis.uncertainty import shared_parts
from ingest.run import Finding

LEAST_S: Final = 60.0
BELOW_K: Final = 3.0
"""So far below the air outside, with their uncertainty on top, no heater's outlet is."""

FOLLOWS_K: Final = 12.0
STEADY_K: Final = 10.0
"""Exchanged for certain: the air outside rises so much with the heat, the outlet moves no more."""

COOLER_K: Final = 0.5
WARM_C: Final = 55.0


@detector("swapped", order=90)
def detect(view: View) -> Iterator[Hit]:
    """Find an outlet that is colder than the air that enters a warm heater."""
    expected = warm_air_expected(view)
    if expected is None or not view.present("outlet"):
        return
    outlet = view.means("outlet")
    for point in view.present(*FRESH_AIR):
        air = view.means(point)
        apart = (outlet - air)[expected]
        apart = apart[~np.isnan(apart)]
        if apart.size * view.width < LEAST_S:
            continue
        off = float(np.median(apart))
        if off > -BELOW_K - 2.0 * _uncertainty(view, "outlet", point):
            continue
        certain = rise(view, point) >= FOLLOWS_K and rise(view, "outlet") < STEADY_K
        names = f"outlet reads {-off:.0f} K below {point} with a warm engine"
        detail = f"{names}: the two channels look exchanged"
        for each in ("outlet", point) if certain else ("outlet",):
            rows = ~np.isnan(view.values(each)) if certain else None
            begin, end = (None, None) if rows is None else view.seconds(rows)
            lost = "; neither is believed." if certain else "."
            yield Hit(
                Finding("swapped", detail + lost, each, begin, end, forbids=certain,
                        evidence={"apart_K": off}),
                rows,
            )  # fmt: skip
        return


@detector("supply_cooler", order=91)
def detect_supply(view: View) -> Iterator[Hit]:
    """Find a heater's supply hose that is cooler than its return; both are kept."""
    if len(view.present("coolant_in", "coolant_out")) < 2:
        return
    warm = np.fmax(view.means("coolant_in"), view.means("coolant_out")) > WARM_C
    apart = (view.means("coolant_in") - view.means("coolant_out"))[warm]
    apart = apart[~np.isnan(apart)]
    if apart.size * view.width < LEAST_S:
        return
    drop, u = float(np.median(apart)), _uncertainty(view, "coolant_in", "coolant_out")
    cold = soak(view)
    if cold is not None and {"coolant_in", "coolant_out"} <= set(cold.agreeing):
        drop -= cold.means["coolant_in"] - cold.means["coolant_out"]
        u = math.hypot(0.5, u / 4.0)
    if drop > -COOLER_K - 2.0 * u:
        return
    yield Hit(
        Finding(
            "supply_cooler",
            f"coolant_in is {-drop:.1f} K cooler than coolant_out with a warm engine: the heater"
            " hoses are reversed, or the two sensors are exchanged.",
            "coolant_in",
            evidence={"drop_K": drop},
        )
    )


def _uncertainty(view: View, one: str, other: str) -> float:
    """Standard uncertainty of the difference of two sensors; what they share cancels."""
    parts: dict[str, float] = {}
    for point, sign in ((one, 1.0), (other, -1.0)):
        level = float(np.nanmedian(view.means(point)))
        for name, part in shared_parts(view.sensor(point), level).items():
            parts[name] = parts.get(name, 0.0) + sign * part
    return math.hypot(*parts.values())
