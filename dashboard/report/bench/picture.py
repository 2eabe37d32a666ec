"""The picture of a bench run: a switch's output over its lever, other parts over time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.bench.switch import switch_travel
from analysis.lever.path import NotMeasurable
from dashboard.report.axes import Curve
from dashboard.report.blocks import short
from dashboard.report.chart import chart
from dashboard.text.shown import conversion, words
from ingest.points import PRESSURE, TEMPERATURE

if TYPE_CHECKING:
    from dashboard.report.blocks import Picture
    from ingest.run import Run

STYLES: Final = ((2.2, ()), (1.6, (6.0, 3.0)), (1.4, (2.0, 2.0)))
LOG: Final = "Minutes from the start of the log"


def bench_picture(run: Run, units: str) -> Picture | None:
    """What a part did; None where there is nothing to draw."""
    bench = run.setup.bench
    if bench is not None and bench.part == "vacuum switch":
        return _switch(run, units)
    for quantity in (TEMPERATURE, PRESSURE):
        points = [
            point
            for point, sensor in run.sensors.items()
            if sensor.quantity == quantity and run.has(point) and sensor.point != "cold_junction"
        ]
        if points:
            return _over_time(run, points, quantity.unit, units)
    return None


def _over_time(run: Run, points: list[str], unit: str, units: str) -> Picture:
    shown = conversion(unit, units)
    start = float(run.readings["time_s"][0])
    lines = []
    for point, (width, dash) in zip(points, STYLES, strict=False):
        time, value = run.series(point)
        lines.append(
            Curve(
                short(words(point), 16),
                (time - start) / 60.0,
                np.asarray(value * shown.factor + shown.offset),
                width,
                dash,
            )
        )
    left = len(points) - len(lines)
    more = f" ({left} more were logged)" if left else ""
    return chart(lines, None, shown.unit, f"What was logged on the bench{more}.", LOG)


def _switch(run: Run, units: str) -> Picture | None:
    try:
        travel = switch_travel(run)
    except NotMeasurable:
        return None
    shown = conversion("kPa", units)
    factor, unit = (100.0, "%") if travel.of_supply else (shown.factor, shown.unit)
    lines = []
    for up, name, (width, dash) in (
        (True, "lever up", STYLES[0]),
        (False, "lever down", STYLES[1]),
    ):
        way = next((each for each in travel.ways if each.up is up), None)
        if way is not None:
            lines.append(Curve(name, way.position, way.level * factor, width, dash))
    what = "The switch's output" + (", % of its supply," if travel.of_supply else "")
    says = f"{what} at each position of the lever, on the way up and on the way down."
    return chart(lines, None, unit, says, "Lever, % of travel")
