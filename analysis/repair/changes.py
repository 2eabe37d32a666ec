"""Before and after a repair: what changed, with its uncertainty, and one sentence of verdict.

The day is allowed for: figures that grow with the difference between coolant and outside air are
carried over to the later run's difference, and what that leaves open is in the uncertainty. Where
both runs were logged with the same logger, its sensors' own errors are common to both and cancel
in the change; what was found anew in each run (the corrections of the cold soak) does not.
"""

from __future__ import annotations

import math
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from analysis.causes.knowledge import knowledge
from analysis.figures import Figure, all_figures, figures_by_name
from analysis.limits import default_limits
from analysis.measurement import Measurement, combine
from analysis.repair.verdict import Change, Outcome, lead_cause, verdict
from analysis.repair.weather import Weather, weather_of
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.pipeline import Analysis

BETTER: Final = MappingProxyType({"higher": 1, "lower": -1, None: 0})
"""Sign of a change for the better; a figure may have no better way (a drop, a response time)."""

NOTABLE_SHARE: Final = 0.10
"""A change below this share of a figure would not be felt. Common practice, no source."""

SHARED_BY_RUNS: Final = ("tolerance of ", "gain of ", "cold junction ", "barometer")
"""How the names of error sources begin that stay with a logger and its sensors from run to run."""


@dataclass(frozen=True)
class Repair:
    """The comparison of two runs of one car.

    Parameters
    ----------
    outcome
        One of the five words.
    sentence
        The same with the figure that decided it, in SI.
    changes
        Every figure, in order.
    same_sensors
        Whether the sensors' own errors were taken as common to both runs.
    weather
        What was allowed for.
    """

    outcome: Outcome
    sentence: str
    changes: tuple[Change, ...]
    same_sensors: bool
    weather: Weather


def compare_repair(before: Analysis, after: Analysis) -> Repair:
    """Compare a car's runs before and after a repair."""
    same = _same_sensors(before, after)
    weather = weather_of(before, after)
    changes = tuple(_change(each, before, after, weather, same=same) for each in all_figures())
    outcome, sentence = verdict(changes, before, after)
    return Repair(outcome, sentence, changes, same, weather)


def _same_sensors(before: Analysis, after: Analysis) -> bool:
    one, other = before.run.setup, after.run.setup
    named = one.run.logger is not None and one.run.logger == other.run.logger
    return named and one.channels == other.channels


def _change(
    figure: Figure, before: Analysis, after: Analysis, weather: Weather, *, same: bool
) -> Change:
    name = figure.name
    one, other = before.figures[name], after.figures[name]
    failed = [each.judged[name].verdict == "fail" for each in (before, after)]
    scale = weather.scale(name)
    if one.value is None or other.value is None:
        which = "before" if one.value is None else "after"
        gone = Measurement.missing(figure.unit, f"not measured {which} the repair")
        return Change(name, figure.label, figure.unit, one, other, gone, scale, 0.0, 0, *failed)
    earlier = one.scaled(scale)
    u = weather.uncertainty(name) * abs(one.known())
    u = math.hypot(u, figure.driven_u * abs(other.value))
    # 3 °C more is a difference of 3 K: a reader of °F must not be shown 37 °F
    unit = "K" if figure.unit == "°C" else figure.unit
    difference = combine(
        other.value - earlier.known(),
        unit,
        (
            (1.0, _across_runs(other, same=same)),
            (-1.0, _across_runs(earlier, same=same)),
            (1.0, Measurement(0.0, unit, u)),
        ),
    )
    return Change(
        name,
        figure.label,
        figure.unit,
        one,
        other,
        difference,
        scale,
        _notable(name, max(abs(earlier.known()), abs(other.value)), after),
        _direction(name, difference.known(), before, after),
        *failed,
    )


def _across_runs(measurement: Measurement, *, same: bool) -> Measurement:
    """The measurement as another run sees it: only what stays with the sensors is still shared."""
    stays = {
        source: part
        for source, part in measurement.shared.items()
        if same and source.startswith(SHARED_BY_RUNS)
    }
    own = [part for source, part in measurement.shared.items() if source not in stays]
    return Measurement(
        measurement.known(), measurement.unit, math.hypot(measurement.random, *own), stays
    )


def _notable(name: str, size: float, after: Analysis) -> float:
    """Smallest change that matters.

    What the limits call harmless, or a share of the figure; where neither says anything, the
    spread of the figure from car to car.
    """
    limit = after.judged[name].limit
    default = default_limits().figures.get(name)
    harmless = limit.harmless if limit is not None else 0.0
    if harmless == 0.0 and default is not None:
        harmless = default.harmless
    scale = knowledge().figures.get(name)
    if scale is not None and scale.scale == "absolute":
        # a share of a temperature or of a percentage of travel would mean nothing
        return harmless or scale.spread
    return max(harmless, NOTABLE_SHARE * size)


def _direction(name: str, size: float, before: Analysis, after: Analysis) -> int:
    """+1 where a change of this sign is for the better, -1 for the worse, 0 for neither.

    Into the limits is better and out of them is worse, whatever the figure. What undoes the
    earlier run's fault is never for the worse, and what a new fault does is never for the better:
    air that comes hotter because a blower is weak is no gain.
    """
    sign = (size > 0) - (size < 0)
    then, now = (each.judged[name].verdict for each in (before, after))
    if {then, now} == {"fail", "pass"}:
        return 1 if now == "pass" else -1
    natural = BETTER[figures_by_name()[name].better] * sign
    if _moved_by(lead_cause(before), name) * sign < 0:
        return 1 if natural == 0 else max(natural, 0)
    if _moved_by(lead_cause(after), name) * sign > 0:
        return -1 if natural == 0 else min(natural, 0)
    return natural


def _moved_by(cause: str | None, name: str) -> int:
    """Sign of the move a cause gives a figure; 0 where it does not move it."""
    if cause is None:
        return 0
    moderate = knowledge().row(cause).moves.get(name, (0.0, 0.0, 0.0))[1]
    return (moderate > 0) - (moderate < 0)
