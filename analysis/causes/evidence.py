"""What a run has to say to the cause engine: comparable figures, and signs seen or not seen."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.causes.knowledge import FigureScale, SignRow, knowledge
from analysis.causes.running import NOT_KNOWN, USUAL_RPM, Running, running_of
from analysis.causes.signs.coolant_late import late_level, warmed_standing
from analysis.causes.signs.signs import STARVED_SHARE, signs_seen
from analysis.quality.on_hoses import NAME as CLIPS
from analysis.signal.order_statistics import quantiles
from analysis.uncertainty import shared_parts
from ingest.arrays import Floats
from ingest.setup.model import has_no_thermostat
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.measured import Measured
    from analysis.timeline.timeline import Timeline

LARGEST_LOG: Final = 500.0
"""A figure hardly known at all may be drawn beyond what a number holds."""

SPAN_K: Final = 80.0
"""Coolant minus outside air that span figures are scaled to, K."""


@dataclass(frozen=True)
class Evidence:
    """One run's figures and signs.

    Parameters
    ----------
    figures
        Value and standard uncertainty by name, as measured.
    signs
        True seen, False not seen, None where these channels cannot tell.
    air_degC
        Mean temperature of the air that enters, °C; None where it is not known.
    running
        How blower, engine and car ran while the outlet was judged.
    idled
        Whether the car is known to have hardly moved while its engine had to warm up.
    alike
        By figure, the part of its uncertainty that good cars' figures are off by as well.
    """

    figures: Mapping[str, tuple[float, float]]
    signs: Mapping[str, bool | None]
    air_degC: float | None  # noqa: N815 - unit in the name
    running: Running = NOT_KNOWN
    idled: bool = False
    alike: Mapping[str, float] = field(default_factory=dict)


def evidence_of(measured: Measured) -> Evidence:
    """Collect the evidence of a run."""
    table = knowledge()
    found: dict[str, tuple[float, float]] = {}
    alike: dict[str, float] = {}
    for name in table.figures:
        measurement = measured.figures.get(name)
        if measurement is not None and measurement.value is not None:
            found[name] = (measurement.value, measurement.u or 0.0)
            if CLIPS in measurement.shared:
                alike[name] = abs(measurement.shared[CLIPS])
    signs = signs_seen(measured)
    if signs["supply_cooler_than_return"] and "steady_outlet_rise" in found:
        # the hose named supply is what the core has left over: no measure of what it could give
        found.pop("core_effectiveness", None)
    ratio = _flow_ratio(found)
    if ratio is not None:
        # the same two hoses: counted once, as the ratio that weather and thermostat leave alone
        found["flow_ratio"] = ratio
        if "coolant_drop" in alike:
            alike["flow_ratio"] = alike.pop("coolant_drop") / found["steady_outlet_rise"][0]
        found.pop("coolant_drop")
    if "core_effectiveness" in found:
        # the same outlet reading: counted once, and best where the coolant is known
        found.pop("steady_outlet_rise", None)
    if not measured.context.has("footwell"):
        # at the outlet road speed tells of the pump, not of drafts: not the same evidence
        found.pop("speed_sensitivity", None)
    if "coolant_plateau" not in found:
        late = late_level(measured)
        if late is not None:
            found["coolant_reached"] = late
    swing = _coolant_swing(measured) if _held(measured) else None
    if swing is not None:
        found["coolant_swing"] = swing
    best = _vacuum_best(measured)
    if best is not None and "vacuum_source_low" in found:
        # the level at light load tells a weak source, the fall under load a check valve; the low
        # end alone mixes them with how the car was driven
        low, u_low = found.pop("vacuum_source_low")
        found["vacuum_best"] = best
        found["vacuum_sag"] = (best[0] - low, u_low)
    return Evidence(
        found,
        signs,
        _outside_air(measured.context),
        running_of(measured),
        warmed_standing(measured),
        alike,
    )


def _held(measured: Measured) -> bool:
    """Whether there is a level to swing about: a plateau, or no thermostat at work."""
    coolant = measured.context.coolant
    return coolant.held is not None or coolant.had_to_show


def against_good(evidence: Evidence, good: Sequence[Evidence]) -> Evidence:
    """The evidence, the blower's voltage held against that of good cars at the same step.

    How many steps a blower has is not noted; good cars show what each of them gets.
    """
    step, volts = evidence.running.step, evidence.running.volts
    alike = [car.running.volts for car in good if car.running.step == step and car.running.volts]
    if step is None or volts is None or len(alike) < MIN_ALIKE:
        return evidence
    starved = bool(volts < STARVED_SHARE * float(np.median(alike)))
    return replace(evidence, signs={**evidence.signs, "blower_starved": starved})


MIN_ALIKE: Final = 2

REVERSED_RATIO: Final = -0.3
"""A supply cooler than the return by more than this share of the outlet's rise says no more than
that it is: the flow through reversed hoses may be anything."""


def _flow_ratio(found: Mapping[str, tuple[float, float]]) -> tuple[float, float] | None:
    """Coolant's drop over the outlet's rise: heat balance makes it air over coolant flow.

    ``C_coolant * drop = C_air * rise`` whatever the coolant's temperature and the core's
    effectiveness, and cold air that joins behind the core changes both sides alike.
    """
    if "coolant_drop" not in found or "steady_outlet_rise" not in found:
        return None
    drop, u_drop = found["coolant_drop"]
    rise, u_rise = found["steady_outlet_rise"]
    if rise < 4.0 * u_rise or rise <= 0.0:
        return None
    ratio = max(drop / rise, REVERSED_RATIO)
    return ratio, math.hypot(u_drop, ratio * u_rise) / rise


def _outside_air(timeline: Timeline) -> float | None:
    """Mean temperature of the air that enters, °C; None where it is not known."""
    for point in ("ambient", "inlet_air"):
        if timeline.has(point):
            values = timeline.values(point)
            values = values[~np.isnan(values)]
            return float(values.sum()) / values.size
    return None


NEARLY_WARM_K: Final = 6.0
"""The coolant counts as warm from when it first came this near to its highest, K."""

MIN_WARM_S: Final = 300.0


def _coolant_swing(measured: Measured) -> tuple[float, float] | None:
    """Range of the coolant (5th to 95th percentile) once warm: a thermostat that works holds it.

    A thermostat that only opens too low holds it too; one that is stuck open lets it go with load
    and speed.
    """
    context = measured.context
    point = next((each for each in ("engine_coolant", "coolant_in") if context.has(each)), None)
    if point is None or has_no_thermostat(context.run.setup.run):
        return None
    values = np.where(context.engine_on, context.values(point), np.nan)
    highest = np.fmax.reduce(values)
    if np.isnan(highest):
        return None
    first = int(np.argmax(values > highest - NEARLY_WARM_K))
    warm = values[first:]
    at_hot = context.at_hot[first:]
    if at_hot.sum() * context.grid.step >= MIN_WARM_S:
        # moving the lever moves the coolant, too: like is compared with like
        warm = warm[at_hot]
    warm = warm[~np.isnan(warm)]
    if warm.size * context.grid.step < MIN_WARM_S:
        return None
    low, high = quantiles(warm, 0.05, 0.95)
    resolution = measured.run.sensors[point].resolution
    return high - low, math.hypot(0.3, resolution / math.sqrt(6.0))


def _vacuum_best(measured: Measured) -> tuple[float, float] | None:
    """95th percentile of the source vacuum with the engine running and nothing shut off."""
    context = measured.context
    if not context.has("vacuum_source"):
        return None
    time = context.grid.time
    open_ = context.engine_on & (time > 60.0)
    open_ &= context.grid.control("vacuum_isolated") != 1.0
    values = context.values("vacuum_source")[open_]
    values = values[~np.isnan(values)]
    if values.size * context.grid.step < 60.0:
        return None
    sensor = measured.run.sensors["vacuum_source"]
    (level,) = quantiles(values, 0.95)
    return level, math.sqrt(sum(part**2 for part in shared_parts(sensor, level).values()))


@dataclass(frozen=True)
class Usual:
    """What is usual for a family: a value and a spread for each figure.

    Parameters
    ----------
    center, spread
        By figure, on the figure's own scale before a move is counted (span figures at `SPAN_K`).
    count
        Good cars behind each; 0 where the default stands in.
    plateau_degC
        Coolant temperature span figures are scaled with, °C.
    signs
        How often each sign is seen among the good cars, blended with the table's number.
    running
        Of the good cars' tests, which all figures are brought to.
    idled
        Share of the good cars that hardly moved while their engines had to warm up.
    """

    center: Mapping[str, float]
    spread: Mapping[str, float]
    count: Mapping[str, int]
    plateau_degC: float  # noqa: N815 - unit in the name
    signs: Mapping[str, float]
    running: Running = NOT_KNOWN
    idled: float = 0.0

    @classmethod
    def of(cls, cars: Sequence[Evidence], heater: str = "blend-air") -> Usual:
        """Learn from good cars; with none, the table's defaults for a layout of heater."""
        return cls.learned(cars, heater) if cars else _default_usual(heater)

    @classmethod
    def learned(cls, cars: Sequence[Evidence], heater: str = "blend-air") -> Usual:
        """The same, from however many cars."""
        table = knowledge()
        plateaus = [car.figures["coolant_plateau"][0] for car in cars if _has_plateau(car)]
        default_plateau = table.figures["coolant_plateau"].usual
        plateau = float(np.median(plateaus)) if plateaus else default_plateau
        running = Running.mean([car.running for car in cars]) if cars else Running(rpm=USUAL_RPM)
        center, spread, count = {}, {}, {}
        for name, scale in table.figures.items():
            known = [
                (
                    on_scale(
                        car.figures[name][0],
                        scale,
                        car.air_degC,
                        plateau,
                        car.running.times(running, scale),
                    ),
                    car.figures[name][1],
                )
                for car in cars
                if name in car.figures
            ]
            center[name], spread[name] = _blend(scale, known, scale.common(heater))
            count[name] = len(known)
        if count["coolant_reached"] == 0 and count["coolant_plateau"] > 0:
            center["coolant_reached"] = center["coolant_plateau"]
        signs = {
            name: _sign_rate(row, [car.signs.get(name) for car in cars])
            for name, row in table.signs.items()
        }
        idled = sum(car.idled for car in cars) / max(len(cars), 1)
        return cls(center, spread, count, plateau, signs, running, idled)


@cache
def _default_usual(heater: str) -> Usual:
    """What the table says is usual (worked out once)."""
    return Usual.learned((), heater)


def _has_plateau(car: Evidence) -> bool:
    return "coolant_plateau" in car.figures


def on_scale(
    value: float, scale: FigureScale, air: float | None, plateau: float, times: float = 1.0
) -> float:
    """A figure made comparable between cars and days: span figures scaled, logs taken.

    `times` is what blower and engine speed multiply it by in a sound heater (`Running.times`).
    """
    value = value / times
    if scale.span and air is not None and plateau - air > 20.0:
        value = value * SPAN_K / (plateau - air)
    if scale.scale == "log":
        return math.log(max(value, 0.0) + max(scale.offset, 1e-3))
    return value


def slope_on_scale(
    value: float, scale: FigureScale, air: float | None, plateau: float, times: float = 1.0
) -> float:
    """Sensitivity of `on_scale` to the value, for its uncertainty."""
    factor = 1.0 / times
    if scale.span and air is not None and plateau - air > 20.0:
        factor *= SPAN_K / (plateau - air)
    if scale.scale == "log":
        return factor / (max(value * factor, 0.0) + max(scale.offset, 1e-3))
    return factor


PRIOR_CARS: Final = 3.0
"""The default spread counts as much as this many good cars."""


def _blend(
    scale: FigureScale, known: list[tuple[float, float]], common: tuple[float, float]
) -> tuple[float, float]:
    """Center and predictive spread of a family on the figure's scale.

    The spread of a few good cars is itself uncertain: it is blended with a cautious share of the
    default's (a scaled inverse chi-square prior worth `PRIOR_CARS`), and widened for the
    uncertainty of the center (the next car's predictive distribution).
    """
    default, wide = common
    base = abs(default) if scale.scale == "relative" else 1.0
    if scale.scale == "log":
        default = math.log(default + max(scale.offset, 1e-3))
    wide, floor = wide * base, scale.floor * base
    if not known:
        return default, wide
    values = np.array([value for value, _ in known])
    n = values.size
    center = float(np.median(values)) if n >= 3 else float(values.mean())
    # a typo or one faulty car among the good ones must not widen the family: MAD, not variance
    scatter = 1.4826 * float(np.median(np.abs(values - center))) if n >= 5 else 0.0
    scatter = max(scatter, 0.7 * float(values.std(ddof=1)) if n >= 2 else 0.0)
    prior = min(wide, 2.0 * floor)
    pooled = math.sqrt((PRIOR_CARS * prior**2 + (n - 1) * scatter**2) / (PRIOR_CARS + n - 1))
    return center, max(floor, pooled) * math.sqrt(1.0 + 1.0 / n)


def _sign_rate(row: SignRow, seen: list[bool | None]) -> float:
    told = [each for each in seen if each is not None]
    return min(0.9, (row.usual * row.weight + sum(told)) / (row.weight + len(told)))


def compare(evidence: Evidence, usual: Usual, name: str) -> tuple[float, float] | None:
    """How far a figure lies from usual, and its standard uncertainty with the family's spread.

    Both on the scale of the knowledge table's moves; None where it was not measured.
    """
    if name not in evidence.figures:
        return None
    scale = knowledge().figures[name]
    value, u = evidence.figures[name]
    times = evidence.running.times(usual.running, scale)
    here = on_scale(value, scale, evidence.air_degC, usual.plateau_degC, times)
    slope = slope_on_scale(value, scale, evidence.air_degC, usual.plateau_degC, times)
    center = usual.center[name]
    away = here - center
    share = evidence.running.unsure(usual.running, scale)
    apart = evidence.running.apart(usual.running, scale)
    if usual.count[name]:
        # on the same hoses under the same pads
        u = math.sqrt(max(u**2 - evidence.alike.get(name, 0.0) ** 2, 0.0))
    told_twice = usual.count[name] == 0 and scale.twin in evidence.figures
    sd = math.hypot(
        abs(slope) * math.hypot(u, value * share, apart),
        scale.idle_u * abs(evidence.idled - usual.idled),
        usual.spread[name] * (math.sqrt(2.0) if told_twice else 1.0),
    )
    if scale.scale == "relative":
        base = max(abs(center), 1e-9)
        return away / base, sd / base
    return away, sd


def usual_value(
    usual: Usual, name: str, air: float | None, times: float = 1.0
) -> tuple[float, float]:
    """What is usual of a figure in this run's air and setting, with its spread, in its own unit."""
    scale = knowledge().figures[name]
    center, spread = usual.center[name], usual.spread[name]
    factor = times
    if scale.scale == "log":
        value = math.exp(center) - max(scale.offset, 1e-3)
        return max(value * factor, 0.0), math.exp(center) * spread * factor
    if scale.span and air is not None and usual.plateau_degC - air > 20.0:
        factor *= (usual.plateau_degC - air) / SPAN_K
    return center * factor, spread * factor


def value_at(
    usual: Usual, name: str, away: Floats, air: float | None, times: float = 1.0
) -> Floats:
    """Figures that lie `away` from usual (as `compare` counts it), in the figure's own unit."""
    scale = knowledge().figures[name]
    center = usual.center[name]
    if scale.scale == "log":
        here = np.exp(np.minimum(center + away, LARGEST_LOG)) - max(scale.offset, 1e-3)
        return np.asarray(here * times)
    here = center + away * (max(abs(center), 1e-9) if scale.scale == "relative" else 1.0)
    if scale.span and air is not None and usual.plateau_degC - air > 20.0:
        here = here * (usual.plateau_degC - air) / SPAN_K
    return np.asarray(here * times)
