"""Signs: things seen or not seen that are not figures, one function each."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.causes.signs.control_use import misuses
from analysis.causes.signs.coolant_late import rest_on_the_road, rests_far_below, stayed_cool
from analysis.causes.signs.doubt import disagreeing, doubted, left_out
from analysis.lever.study import LEVER_WORKS_BACKWARDS
from analysis.quality.soak import SOAK_OFFSETS
from analysis.quality.supply import SUPPLY_COOLER
from analysis.quality.view import middle
from analysis.vacuum.doors import DOOR_GOES_WRONG_WAY, OTHER_OUTLET_FOLLOWS
from analysis.vacuum.findings import VACUUM_SAGS

if TYPE_CHECKING:
    from analysis.measured import Measured

WRONG_WAY: Final = frozenset(
    {LEVER_WORKS_BACKWARDS.name, DOOR_GOES_WRONG_WAY.name, OTHER_OUTLET_FOLLOWS.name}
)
"""Findings of a lever or door that works the wrong way round."""

SUPPLY_COOLER_K: Final = 0.5
"""Supply this much cooler than the return, with their uncertainty on top, is a sign, K."""

COOLED_K: Final = 10.0
"""An air conditioner may leave the outlet this far below the air that enters, K."""

STARVED_SHARE: Final = 0.85
"""Blower voltage below this share of the usual one at its step is a sign."""

MAX_STEPS: Final = 5
"""More steps no blower switch has (common practice, no source)."""

MAX_FINE_STEPS: Final = 8
"""Those that have more are set by keys, and have no more than this (common practice, no source)."""

UNUSABLE_SHARE: Final = 0.5
"""An outlet without valid readings for more than this share of the run is unusable."""


def signs_seen(measured: Measured) -> Mapping[str, bool | None]:
    """Every sign of the knowledge table: seen, not seen, or None where it cannot be told."""
    rest = rest_on_the_road(measured)
    seen = {
        "supply_cooler_than_return": _supply_cooler(measured),
        "goes_wrong_way": _wrong_way(measured),
        "controls_misused": _misused(measured),
        "outlet_unusable": _outlet_unusable(measured),
        "sensor_doubtful": _sensor_doubtful(measured),
        "disagree_cold": _disagree_cold(measured),
        "no_opening": _no_opening(measured),
        "stayed_cool_driven": stayed_cool(measured, rest, driven=True),
        "rests_far_below": rests_far_below(measured, rest),
        "stayed_cool_standing": stayed_cool(measured, rest, driven=False),
        "vacuum_sags": _vacuum_sags(measured),
        "blower_starved": _blower_starved(measured),
    }
    # plain truth values: the store keeps them as JSON
    return {name: None if each is None else bool(each) for name, each in seen.items()}


def _supply_cooler(measured: Measured) -> bool | None:
    drop = measured.figures.get("coolant_drop")
    if drop is None or drop.value is None:
        # seen outside a steady stretch, too; not seen there, it tells nothing
        return any(finding.fault == SUPPLY_COOLER.name for finding in measured.findings) or None
    return drop.value < -SUPPLY_COOLER_K - 2.0 * (drop.u or 0.0)


def _wrong_way(measured: Measured) -> bool | None:
    if any(finding.fault in WRONG_WAY for finding in measured.findings):
        return True
    travel = measured.figures.get("effective_travel")
    could_tell = travel is not None and travel.value is not None
    return False if could_tell or measured.context.has("outlet_defrost") else None


def _misused(measured: Measured) -> bool | None:
    sentences = misuses(measured.context)
    return None if sentences is None else bool(sentences)


def _outlet_unusable(measured: Measured) -> bool | None:
    """Whether most of the outlet was read and cannot be believed; never logged is no fault."""
    if "outlet" not in measured.run.sensors:
        return None
    if not left_out(measured, "outlet"):
        return False if measured.run.has("outlet") else None
    if not measured.run.has("outlet"):
        return True
    values = measured.context.values("outlet")
    return bool(np.isnan(values).mean() > UNUSABLE_SHARE)


def _sensor_doubtful(measured: Measured) -> bool | None:
    unusable = _outlet_unusable(measured) is True
    return unusable or _impossible(measured) or bool(doubted(measured))


def _disagree_cold(measured: Measured) -> bool | None:
    """Told only of a car that stood cold, whose sensors were held against each other."""
    if disagreeing(measured):
        return True
    soaked = any(finding.fault == SOAK_OFFSETS.name for finding in measured.findings)
    return False if soaked else None


def _impossible(measured: Measured) -> bool:
    """An outlet hotter than the coolant, or colder than the air that enters and nothing cools.

    On hoses that are reversed the supply is what the core has left over: the outlet may be hotter.
    """
    share = measured.figures.get("core_effectiveness")
    if share is not None and share.value is not None and not _supply_cooler(measured):
        u = 3.0 * (share.u or 0.0)
        if share.value > 1.0 + u or share.value < -0.05 - u:
            return True
    cold = measured.figures.get("cold_end_rise")
    if cold is None or cold.value is None:
        return False
    # an air conditioner may well cool a little below the air outside
    allowed = COOLED_K if measured.run.setup.run.heater == "combined" else 1.0
    return cold.value < -3.0 * (cold.u or 0.0) - allowed


def _no_opening(measured: Measured) -> bool | None:
    """Whether the opening is missing where it had to show; a heat balance tells nothing of it."""
    opening = measured.figures.get("thermostat_opening")
    if opening is None or measured.context.coolant.point is None:
        return None
    if opening.value is not None:
        return False
    return measured.context.coolant.had_to_show or None


def _vacuum_sags(measured: Measured) -> bool | None:
    if not measured.context.has("vacuum_source"):
        return None
    return any(finding.fault == VACUUM_SAGS.name for finding in measured.findings)


def _blower_starved(measured: Measured) -> bool | None:
    """Told only where the voltage is logged, at the highest noted step.

    How many steps a blower has is not noted: the highest noted one need not be its last.
    """
    context = measured.context
    blower = context.grid.control("blower")
    top = float(np.fmax.reduce(blower))
    if not context.has("blower_voltage") or math.isnan(top):
        return None
    at_top = (blower == top) & context.engine_on
    if top < 3 or at_top.sum() < 30:
        return None
    voltage = middle(context.values("blower_voltage")[at_top])
    # a running car's supply is about 13.5 V (common practice, no source)
    steps = MAX_STEPS if top <= MAX_STEPS else MAX_FINE_STEPS
    return voltage < STARVED_SHARE * 13.5 * min(1.0, top / steps)
