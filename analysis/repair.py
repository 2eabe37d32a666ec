"""Before and after a repair: what changed, with its uncertainty, and one sentence of verdict.

The day's weather is allowed for: figures that grow with the difference between coolant and outside
air are scaled to the later run's difference. Where both runs were logged with the same logger, the
sensors' systematic errors are the same in both and cancel in the change.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from analysis.figures import Figure, all_figures
from analysis.measurement import Measurement, combine

if TYPE_CHECKING:
    from analysis.pipeline import Analysis

Outcome = Literal["repaired", "improved", "unchanged", "worse", "cannot tell"]

SIGNIFICANT: Final = 2.0
"""A change counts where it is larger than this many of its standard uncertainties (95 %)."""

NOTABLE_SHARE: Final = 0.10
"""A change smaller than this share of the figure would not be felt; `unchanged` needs that the
uncertainty excludes a larger one. Common practice, no source."""

SPAN_FIGURES: Final = frozenset(
    {
        "steady_outlet_rise",
        "cold_end_rise",
        "coolant_drop",
        "footwell_deficit",
        "speed_sensitivity",
    }
)
"""Figures in K that grow with coolant minus outside air."""

BETTER: Final[Mapping[str, int]] = {
    "steady_outlet_rise": 1,
    "warm_up_time": -1,
    "fluctuation_index": -1,
    "effective_travel": 1,
    "dead_travel_cold": -1,
    "dead_travel_hot": -1,
    "lever_hysteresis": -1,
    "cold_end_rise": -1,
    "coolant_plateau": 1,
    "thermostat_opening": 1,
    "core_effectiveness": 1,
    "footwell_deficit": -1,
    "speed_sensitivity": 1,
    "vacuum_decay": -1,
    "vacuum_source_low": 1,
}
"""Which way is better; figures that have no better way (a drop, a time of answer) are left out."""

KEY: Final = "steady_outlet_rise"
"""The figure an owner feels."""


@dataclass(frozen=True)
class Change:
    """One figure before and after.

    Parameters
    ----------
    name, label, unit
        Of the figure.
    before, after
        As measured.
    change
        After minus before, the weather allowed for; without value where either is missing.
    scale
        Factor the earlier value was multiplied with for the weather (1 where not applicable).
    significant
        Whether the change is larger than its uncertainty (95 %).
    better
        +1 better, -1 worse, 0 neither or not significant.
    failed_before, failed_after
        Against the limits in force.
    """

    name: str
    label: str
    unit: str
    before: Measurement
    after: Measurement
    change: Measurement
    scale: float
    significant: bool
    better: int
    failed_before: bool
    failed_after: bool


@dataclass(frozen=True)
class Repair:
    """The comparison of two runs of one car.

    Parameters
    ----------
    outcome
        One of the five words.
    sentence
        The same with the figure that decided it.
    changes
        Every figure, in order.
    same_sensors
        Whether the sensors' systematic errors were taken as common to both runs.
    """

    outcome: Outcome
    sentence: str
    changes: tuple[Change, ...]
    same_sensors: bool


def compare_repair(before: Analysis, after: Analysis) -> Repair:
    """Compare a car's runs before and after a repair."""
    same = _same_sensors(before, after)
    scale = _weather(before, after)
    changes = tuple(_change(each, before, after, scale, same=same) for each in all_figures())
    outcome, sentence = _verdict(changes, before, after)
    return Repair(outcome, sentence, changes, same)


def _same_sensors(before: Analysis, after: Analysis) -> bool:
    one, other = before.run.setup, after.run.setup
    named = one.run.logger is not None and one.run.logger == other.run.logger
    return named and one.channels == other.channels


def _weather(before: Analysis, after: Analysis) -> float:
    """Coolant minus outside air of the later run over that of the earlier; 1 where not known."""
    spans = [_span(each) for each in (before, after)]
    if any(math.isnan(span) or span < 20.0 for span in spans):
        return 1.0
    return spans[1] / spans[0]


def _span(analysis: Analysis) -> float:
    plateau = analysis.figures.get("coolant_plateau")
    air = math.nan
    for point in ("ambient", "inlet_air"):
        if analysis.context.has(point):
            air = float(np.nanmean(analysis.context.values(point)))
            break
    coolant = plateau.value if plateau is not None and plateau.value is not None else math.nan
    # a thermostat that was part of the fault must not be scaled away: only the air counts then
    return (85.0 if math.isnan(coolant) or coolant < 78.0 else coolant) - air


def _change(
    figure: Figure, before: Analysis, after: Analysis, weather: float, *, same: bool
) -> Change:
    one, other = before.figures[figure.name], after.figures[figure.name]
    failed = [each.judged[figure.name].verdict == "fail" for each in (before, after)]
    scale = weather if figure.name in SPAN_FIGURES else 1.0
    if one.value is None or other.value is None:
        which = "before" if one.value is None else "after"
        gone = Measurement.missing(figure.unit, f"not measured {which} the repair")
        return Change(
            figure.name, figure.label, figure.unit, one, other, gone, scale, False, 0, *failed
        )
    earlier = one.scaled(scale)
    if same:
        difference = other.minus(earlier)
    else:
        difference = combine(
            other.value - earlier.known(),
            figure.unit,
            ((1.0, _independent(other)), (-1.0, _independent(earlier))),
        )
    size, u = difference.known(), difference.u or 0.0
    significant = abs(size) > SIGNIFICANT * u
    direction = BETTER.get(figure.name, 0) * (1 if size > 0 else -1)
    return Change(
        figure.name,
        figure.label,
        figure.unit,
        one,
        other,
        difference,
        scale,
        significant,
        direction if significant else 0,
        *failed,
    )


def _independent(measurement: Measurement) -> Measurement:
    """The same value with all of its uncertainty its own, shared with nothing."""
    return Measurement(measurement.known(), measurement.unit, measurement.u or 0.0)


def _verdict(changes: tuple[Change, ...], before: Analysis, after: Analysis) -> tuple[Outcome, str]:
    known = [change for change in changes if change.change.value is not None]
    if not known:
        return "cannot tell", "No figure was measured in both runs, so nothing can be compared."
    complaint = [change for change in known if change.failed_before]
    better = [change for change in known if change.better > 0]
    worse = [change for change in known if change.better < 0 and _felt(change)]
    lead = max(
        better or known, key=lambda each: (each.name == KEY, each.failed_before, _strength(each))
    )
    if worse and not [change for change in complaint if change.better > 0]:
        bad = max(worse, key=_strength)
        return "worse", f"Worse: {_say(bad)}."
    cured = [change for change in complaint if not change.failed_after and change.better > 0]
    if complaint and len(cured) == len(complaint) and after.verdict == "pass":
        lead = max(cured, key=lambda each: (each.name == KEY, _strength(each)))
        return "repaired", f"Repaired: {_say(lead)}; every figure is now within its limits."
    if better and any(_felt(change) for change in better):
        rest = [change.label for change in changes if change.failed_after]
        tail = f"; still outside its limits: {', '.join(rest)}" if rest else ""
        return "improved", f"Improved: {_say(lead)}{tail}."
    if all(_excludes_felt(change) for change in known if change.name in BETTER):
        return "unchanged", f"Unchanged: {_say(lead)}."
    if any(change.name == KEY and _excludes_felt(change) for change in known):
        return "unchanged", f"Unchanged: {_say(next(c for c in known if c.name == KEY))}."
    return (
        "cannot tell",
        f"Cannot tell: {_say(lead)}, and the uncertainty leaves room for a change that would be "
        "felt. Measure again, with the same sensors and a longer hold.",
    )


def _size(change: Change) -> float:
    return max(abs(change.before.known()), abs(change.after.known()), 1e-9)


def _felt(change: Change) -> bool:
    return abs(change.change.known()) > NOTABLE_SHARE * _size(change)


def _excludes_felt(change: Change) -> bool:
    reach = abs(change.change.known()) + SIGNIFICANT * (change.change.u or 0.0)
    return reach <= NOTABLE_SHARE * _size(change)


def _strength(change: Change) -> float:
    u = change.change.u or 0.0
    return abs(change.change.known()) / u if u > 0 else 0.0


def _say(change: Change) -> str:
    unit = "" if change.unit in {"–", "-"} else f" {change.unit}"
    digits = 2 if not unit else 1
    before = change.before.known() * change.scale
    weather = " (for today's weather)" if change.scale != 1.0 else ""
    return (
        f"{change.label} {before:.{digits}f}{unit} before{weather}, "
        f"{change.after.known():.{digits}f}{unit} after "
        f"(change {change.change.known():+.{digits}f} ± {2 * (change.change.u or 0.0):.{digits}f})"
    )
