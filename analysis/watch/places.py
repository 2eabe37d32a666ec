"""What is known of the measuring points: which air is near, what moves them, what moves with them.

The least changes are what the air about a standing or driving car does within some ten seconds,
with room to spare (common practice, no source).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from ingest.arrays import Bools, Floats

if TYPE_CHECKING:
    from analysis.watch.bins import Seconds

OUTLETS: Final = ("outlet", "outlet_defrost", "outlet_panel")
HOSES: Final = ("coolant_in", "coolant_out", "engine_coolant")
INDOORS: Final = ("footwell", "cabin")
FRESH: Final = ("ambient", "inlet_air")
TEMPERATURES: Final = (*OUTLETS, *HOSES, *INDOORS, *FRESH)
AIRS: Final = (*FRESH, *INDOORS, "cold_junction")

LEAST_K: Final[dict[str, float]] = {
    **dict.fromkeys(OUTLETS, 5.0),
    "coolant_in": 4.0,
    "coolant_out": 4.0,
    "engine_coolant": 8.0,
    "footwell": 3.0,
    "cabin": 2.0,
    **dict.fromkeys(FRESH, 1.5),
}
"""Least change within ten seconds that is looked at, K."""

WAYS: Final[dict[str, tuple[str, ...]]] = {
    **dict.fromkeys((*OUTLETS, *HOSES), ("down",)),
    **dict.fromkeys(INDOORS, ("down", "up")),
    **dict.fromkeys(FRESH, ("up",)),
}
"""Where other air leads: away from what is heated, towards what is heated."""

RELATED: Final[dict[str, tuple[str, ...]]] = {
    **{point: (*(other for other in OUTLETS if other != point), "coolant_in", "coolant_out")
       for point in OUTLETS},
    **{point: (*(other for other in HOSES if other != point), *OUTLETS) for point in HOSES},
    "footwell": ("cabin", *OUTLETS),
    "cabin": ("footwell", *OUTLETS),
    "ambient": ("inlet_air",),
    "inlet_air": ("ambient",),
}  # fmt: skip
"""Points that a real change of the car shows in, too."""

UPWARDS: Final = 2.0
"""Times the least change for the air of the cabin to rise: sun, a stop, a door that is shut."""

SPEED_M_S: Final = 3.0
SPEED_S: Final = 20
SPEED_TIMES: Final = 2.0
"""While the car's speed has changed by this much within these seconds, cold air leaks in at another
rate, and so many times the usual change is asked for."""

RETURN: Final = "coolant_out"
PUMPED_RPM: Final = 300.0
PUMPED_S: Final = 40
"""The water pump turns with the engine: as it slows down less water flows, and what does flow comes
back colder, within the time that the hose's wall and the sensor take. So it is with the return hose
while the engine is slower by this much than it was, or the car."""

APART_K: Final = 4.0
"""Other air must be at least this much colder, or warmer, to be noticed."""

_HEATED: Final = frozenset((*OUTLETS, *HOSES, *INDOORS))
_GAUGES: Final = frozenset({"vacuum_source", "vacuum_actuator"})
_REACHED: Final[dict[str, frozenset[str]]] = {
    "temp_lever": _HEATED | {"vacuum_actuator"},
    "blower": _HEATED | {"inlet_air"},
    "mode": _HEATED | {"inlet_air"} | _GAUGES,
    "air_door": _HEATED | {"inlet_air"},
    "defrost": _HEATED | {"vacuum_actuator"},
    "engine": _HEATED | {"inlet_air", "ambient", "engine_speed", "blower_voltage"} | _GAUGES,
    # doors and valves that vacuum moves let go when it is shut off
    "vacuum_isolated": _HEATED | _GAUGES,
}
"""What a control reaches: the lever also sends the core's cold water to the engine."""

SETTLE_S: Final = 60.0
SLOW_SETTLE_S: Final = 120.0
"""The start of the engine, the air of the cabin and a core behind a shut valve take longer."""


def moved_by(control: str) -> frozenset[str]:
    """Points that a control's move reaches."""
    return _REACHED.get(control, frozenset())


def settle_s(control: str, point: str) -> float:
    """How long after a control's move fast changes of a point are no wonder, s."""
    slow = control == "engine" or point in (*INDOORS, *HOSES)
    return SLOW_SETTLE_S if slow else SETTLE_S


def cooler_there(seconds: Seconds, point: str) -> Bools:
    """Bins before which some other air was colder than the point."""
    levels = _levels(seconds, point, AIRS)
    if levels is None:
        # a heated point without any air logged: the air about a car is colder than its heater
        return np.full(seconds.ends.size, point in (*OUTLETS, *HOSES))
    own = _before(seconds, point)
    return np.asarray(own - np.fmin.reduce(levels) >= APART_K)


def warmer_there(seconds: Seconds, point: str) -> Bools:
    """Bins before which something near was warmer than the point."""
    levels = _levels(seconds, point, (*HOSES, *OUTLETS, *INDOORS, "cold_junction"))
    if levels is None:
        return np.zeros(seconds.ends.size, dtype=bool)
    return np.asarray(np.fmax.reduce(levels) - _before(seconds, point) >= APART_K)


def _before(seconds: Seconds, point: str) -> Floats:
    """Reading of a point ten bins before."""
    means = seconds.tracks[point].means
    return np.concatenate((np.full(10, np.nan), means))[: means.size]


def _levels(seconds: Seconds, point: str, others: tuple[str, ...]) -> Floats | None:
    found = [_before(seconds, other) for other in others
             if other != point and other in seconds.tracks]  # fmt: skip
    if not found:
        return None
    return np.vstack(found)


def speed_factor(seconds: Seconds, point: str) -> Floats:
    """Times the usual change to ask for, by what the car's speed did before each bin."""
    factor = np.ones(seconds.ends.size)
    if point == RETURN:
        return _pump_factor(seconds, factor)
    track = seconds.tracks.get("road_speed")
    back = max(1, round(SPEED_S / seconds.width))
    if point in (*FRESH, *HOSES) or factor.size <= back:
        return factor
    if track is None:  # it may have changed at any time
        return factor * SPEED_TIMES if point in INDOORS else factor
    windows = np.lib.stride_tricks.sliding_window_view(track.means, back + 1)
    changed = np.fmax.reduce(windows, axis=1) - np.fmin.reduce(windows, axis=1)
    factor[back:][changed > SPEED_M_S] = SPEED_TIMES
    return factor


def _pump_factor(seconds: Seconds, factor: Floats) -> Floats:
    """The same for the return hose, by how much slower the engine, or the car, became."""
    back = max(1, round(PUMPED_S / seconds.width))
    slower = [
        (seconds.tracks[name].means, least)
        for name, least in (("engine_speed", PUMPED_RPM), ("road_speed", SPEED_M_S))
        if name in seconds.tracks
    ]
    if not slower:  # it may have slowed down at any time
        return factor * SPEED_TIMES
    for means, least in slower if factor.size > back else ():
        windows = np.lib.stride_tricks.sliding_window_view(means, back + 1)
        factor[back:][np.fmax.reduce(windows, axis=1) - means[back:] > least] = SPEED_TIMES
    return factor
