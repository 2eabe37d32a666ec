"""Settled levels of points, and of sums and differences of them, in the windows of a hold.

The scatter is taken from the combined series itself, bin by bin, so that what two points do
together (a thermostat that cycles, seen by coolant and outlet) is not counted twice; the sensors'
own errors are combined by source (see `analysis.measurement`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.measurement import Measurement
from analysis.signal.steady import Level, mean_level
from analysis.timeline.timeline import Timeline
from analysis.timeline.windows import Window, Windows
from analysis.uncertainty import mean_random, shared_parts
from ingest.arrays import Floats
from ingest.saying import joined

MIN_SHARE: Final = 0.3
"""A point serves in a window where it has readings for at least this share of it."""

DEFINITION_SHARE: Final = 0.005
"""What counts as steady is not sharper than this share of the heater's rise (k = 1): the
definitional uncertainty of JCGM 200:2012, 2.27. Half a percent: common practice, no source."""

COLD_CAR: Final = "cold car"
"""Kind of an `ambient` that nobody logged: the cold car's first readings stand for it."""

COLD_CAR_NOTE: Final = "the first readings of the cold car stand for the air, which was not logged"

MAX_COMPARED: Final = 4
"""Other windows looked at for how well a level repeats."""


def level_of(
    timeline: Timeline,
    windows: Windows,
    terms: Mapping[str, float],
    *,
    compare: bool = True,
) -> Measurement:
    """Level of a sum of temperatures, each times its factor, in the chosen window, K.

    The window was found by the outlet's rise; for the rise itself the level is the one it settles
    to. Anything else is averaged over the window, and what it drifts there widens its uncertainty.

    Parameters
    ----------
    timeline
        The run.
    windows
        Where to look: the hot or the cold end's.
    terms
        Factor of every point, e.g. ``{"outlet": 1.0, "ambient": -1.0}``.
    compare
        Whether the scatter between windows counts; not for what is bound to differ between them.

    Returns
    -------
    Measurement
        Without a value, and with the reason, where it cannot be had.
    """
    if windows.chosen is None:
        return Measurement.missing("K", windows.why or "no steady window")
    missing = [point for point in terms if not timeline.has(point)]
    if missing:
        verb = "was" if len(missing) == 1 else "were"
        return Measurement.missing("K", f"{' and '.join(map(spoken, missing))} {verb} not logged")
    series = sum(
        (factor * timeline.values(point) for point, factor in terms.items()),
        np.zeros(timeline.grid.time.size),
    )
    candidates = (windows.chosen, *windows.others)
    window = next((each for each in candidates if _served(series, each)), None)
    if window is None:
        return Measurement.missing(
            "K", f"too few readings of {' and '.join(map(spoken, terms))} in the steady window"
        )
    level = _level_in(timeline, series, window, terms)
    if level is None:
        return Measurement.missing("K", "the steady window has too few readings")
    start, stop = window.start, window.stop
    rest = [each for each in candidates if each is not window][:MAX_COMPARED] if compare else []
    repeat = _repeatability(series, level, rest)
    hot = timeline.hot.chosen
    definition = DEFINITION_SHARE * abs(hot.level.value if hot else level.value)
    return Measurement(
        level.value,
        "K",
        math.hypot(level.random, repeat, definition),
        _shared(timeline, terms, start, stop),
        note=describe(timeline, start, stop, len(rest)),
        window=timeline.span(start, stop),
    )


def inlet_for(timeline: Timeline, windows: Windows) -> tuple[str | None, str]:
    """The air entering the heater: `inlet_air`, else `ambient` unless cabin air recirculates.

    Returns
    -------
    tuple
        The point and what to note about it; or None and why there is none.
    """
    if windows.chosen is None:
        return None, windows.why or "no steady window"
    point = timeline.reference_air(prefer="inlet_air")
    if point is None:
        return None, "neither inlet air nor ambient was logged"
    if point == "inlet_air":
        return point, ""
    if windows.chosen.recirculating:
        return None, "inlet air was not logged, and outside air does not enter while recirculating"
    if timeline.run.sensors[point].kind == COLD_CAR:
        return point, COLD_CAR_NOTE
    return point, "from ambient, because inlet air was not logged"


def with_note(measurement: Measurement, *more: str) -> Measurement:
    """Copy with further sentences in its note."""
    return replace(measurement, note=joined("; ", (measurement.note, *more)) or None)


def describe(timeline: Timeline, start: int, stop: int, others: int = 0) -> str:
    """Say which window was used."""
    begin, end = timeline.span(start, stop)
    text = f"steady from {begin:.0f} to {end:.0f} s"
    if others:
        text += f", compared with {others} other window{'s' if others > 1 else ''}"
    return text


def spoken(point: str) -> str:
    """A measuring point's name as it is said: ``coolant_in`` is `coolant in`."""
    return point.replace("_", " ")


def _served(series: Floats, window: Window) -> bool:
    part = series[window.start : window.stop]
    return int(np.count_nonzero(~np.isnan(part))) >= max(4.0, MIN_SHARE * part.size)


def _level_in(
    timeline: Timeline, series: Floats, window: Window, terms: Mapping[str, float]
) -> Level | None:
    part = series[window.start : window.stop]
    if _is_rise(terms):
        # the outlet settles; what it is counted from only shifts that level
        shift = part - timeline.rise[window.start : window.stop]
        shift = shift[~np.isnan(shift)]
        if shift.size < 4:
            return None
        return replace(
            window.level,
            value=window.level.value + float(shift.sum()) / shift.size,
            random=math.hypot(window.level.random, mean_random(shift)),
        )
    steps = [
        (factor * timeline.run.sensors[point].resolution) ** 2 for point, factor in terms.items()
    ]
    return mean_level(part, timeline.grid.step, resolution=math.sqrt(sum(steps)))


def _is_rise(terms: Mapping[str, float]) -> bool:
    air = [point for point in terms if point in ("ambient", "inlet_air")]
    return len(terms) == 2 and len(air) == 1 and terms.get("outlet") == 1.0 == -terms[air[0]]


def _repeatability(series: Floats, level: Level, others: list[Window]) -> float:
    """Scatter between windows beyond what the scatter within them explains (k = 1)."""
    excess = []
    for other in others:
        part = series[other.start : other.stop]
        part = part[~np.isnan(part)]
        if part.size < 4:
            continue
        own = math.hypot(mean_random(part), other.level.ahead / 2.0)
        mean = float(part.sum()) / part.size
        excess.append((mean - level.value) ** 2 - own**2 - level.random**2)
    # a difference of two windows has twice the variance of one
    return math.sqrt(max(0.0, sum(excess) / len(excess) / 2.0)) if excess else 0.0


def _shared(
    timeline: Timeline, terms: Mapping[str, float], start: int, stop: int
) -> dict[str, float]:
    total: dict[str, float] = {}
    for point, factor in terms.items():
        readings = timeline.values(point)[start:stop]
        readings = readings[~np.isnan(readings)]
        mean = float(readings.sum()) / readings.size
        for source, part in shared_parts(timeline.run.sensors[point], mean).items():
            total[source] = total.get(source, 0.0) + factor * part
    return total
