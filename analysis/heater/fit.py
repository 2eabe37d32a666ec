"""The heater's few numbers, fitted to everything a run shows at full hot.

The outlet follows the coolant's lead over the entering air a little late, times a share `E` that
hangs a little on engine speed, road speed and warmth. The coolant's drop follows the outlet's rise,
times `R`, the flow ratio. Both are stated for the engine speed and the warmth of the steady window,
or, where there is none, of the last minutes at full hot. See `analysis.heater.model` for what the
two numbers mean.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from analysis.heater.model import DELIVERED, air_effectiveness, air_ntu
from analysis.heater.setting import Setting, setting_of
from analysis.heater.stretch import Stretch, held_over, hot_stretch
from analysis.measurement import Measurement, combine
from analysis.signal.blocks import block_means
from analysis.signal.regression import Posterior, fit_lags
from analysis.timeline.levels import DEFINITION_SHARE, with_note
from analysis.uncertainty import shared_parts
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.timeline.timeline import Timeline
    from ingest.arrays import Floats

LAGS_S: Final = np.array([0.0, 3.0, 7.0, 12.0, 18.0, 26.0, 36.0, 50.0, 70.0])
"""Lags that are tried, s."""

OUTLET_LAG_S: Final = (20.0, 15.0)
DROP_LAG_S: Final = (10.0, 10.0)
"""Usual lag of the outlet behind the supply hose, and of the drop behind the outlet, s, and
spread. Common practice, no source; a run that warms up shows it better."""

BLOCK_S: Final = 4.0
"""Bins are averaged over this; nothing at full hot is faster than that and matters."""

MIN_BLOCKS: Final = 12
MIN_RISE_K: Final = 4.0

STAND_IN_K: Final = 1.0
"""The air entering the heater is as warm as the outside air within this (k = 1): it passes a warm
engine. Common practice, no source."""

SLOPE_STEP: Final = 1e-4

MODEL_K: Final = 0.05
"""No temperature follows the model closer than this, K."""


@dataclass(frozen=True)
class HeaterFit:
    """A heater's numbers at full hot.

    Parameters
    ----------
    effectiveness
        Outlet's rise over the coolant's lead, both over the entering air, [-].
    flow_ratio
        Coolant's drop over the outlet's rise: heat capacity rate of all the air over that of the
        coolant, [-].
    core_ntu
        UA over the air's heat capacity rate, all the air taken to cross the core, [-].
    lag
        How late the outlet follows the coolant, the sensors' own lags taken out where they are
        known, s.
    scatter
        Standard deviation of the outlet about the fitted curve, K.
    coolant
        Coolant in the supply hose in the steady window, °C.
    air
        Entering air in the steady window, °C.
    engine_speed
        Mean engine speed the numbers are stated for, rpm; None where it was not logged.
    told_for
        From and to of the window whose engine speed and warmth the numbers are stated for, s from
        engine start; None without effectiveness.
    settled
        Whether that is a steady window.
    curve
        What the model makes of the coolant, for a picture; None without effectiveness.
    """

    effectiveness: Measurement
    flow_ratio: Measurement
    core_ntu: Measurement
    lag: Measurement
    scatter: Measurement
    coolant: Measurement
    air: Measurement
    engine_speed: float | None = None
    told_for: tuple[float, float] | None = None
    settled: bool = False
    curve: FittedCurve | None = None


class FittedCurve(NamedTuple):
    """The fitted outlet over time, for a picture.

    Parameters
    ----------
    time
        s from engine start.
    measured, fitted
        The outlet, °C; NaN where there is none.
    coolant, air
        What it was fitted from: supply hose and entering air, °C.
    used
        Where the fit was made.
    """

    time: Floats
    measured: Floats
    fitted: Floats
    coolant: Floats
    air: Floats
    used: np.ndarray[tuple[int], np.dtype[np.bool_]]


def fit_heater(timeline: Timeline) -> HeaterFit:
    """Fit the heater of a run.

    Parameters
    ----------
    timeline
        The run.

    Returns
    -------
    HeaterFit
        Each number without value, and with the reason, where the channels do not allow it.
    """
    stretch = hot_stretch(timeline)
    if isinstance(stretch, str):
        return _nothing(stretch)
    setting = setting_of(timeline, stretch)
    air = held_over(timeline.values(stretch.air))
    lead = held_over(timeline.values("coolant_in")) - air
    rise = timeline.values("outlet") - air
    outlet = _answer(timeline, stretch, setting, "effectiveness", rise, lead)
    if outlet is None:
        return _nothing("too few readings of outlet and coolant together at full hot")
    share = float(outlet.parameters[0])
    effectiveness = _with_budget(
        timeline, stretch, outlet, {"outlet": 1.0, "coolant_in": -share, stretch.air: share - 1.0}
    )
    ratio = _flow_ratio(timeline, stretch, setting, rise)
    used = ~np.isnan(rise) & stretch.used
    return HeaterFit(
        effectiveness,
        ratio,
        _core_ntu(effectiveness, ratio),
        _own_lag(timeline, outlet),
        Measurement(outlet.scatter, "K", outlet.scatter / math.sqrt(2.0 * MIN_BLOCKS)),
        _level(timeline, "coolant_in", stretch),
        _level(timeline, stretch.air, stretch),
        _speed(timeline, stretch),
        timeline.span(stretch.level.start, stretch.level.stop),
        stretch.settled,
        FittedCurve(
            timeline.grid.time,
            timeline.values("outlet"),
            air + _predicted(outlet, setting, lead, timeline.grid.step),
            timeline.values("coolant_in"),
            timeline.values(stretch.air),
            used,
        ),
    )


def _nothing(why: str) -> HeaterFit:
    none, kelvin = Measurement.missing("–", why), Measurement.missing("K", why)
    degrees = Measurement.missing("degC", why)
    return HeaterFit(none, none, none, Measurement.missing("s", why), kelvin, degrees, degrees)


def _answer(
    timeline: Timeline,
    stretch: Stretch,
    setting: Setting,
    name: str,
    answer: Floats,
    cause: Floats,
) -> Posterior | None:
    """Fit ``answer = share * (1 + setting) * lagged cause``; None with too few readings."""
    width = max(1, round(BLOCK_S / timeline.grid.step))
    usable = stretch.used & ~np.isnan(answer)
    count = block_means(usable.astype(float), width)
    kept = count > 0.5
    if int(kept.sum()) < MIN_BLOCKS:
        return None
    inside = np.where(usable, np.stack([answer, *setting.columns]), 0.0)
    y, *factors = block_means(inside, width)[:, kept] / count[kept]
    late = late_by(block_means(cause, width), LAGS_S, width * timeline.grid.step)[:, kept]
    rough = float(late[0] @ y) / float(late[0] @ late[0])
    means = np.array([0.0, *(rough * prior[name][0] for prior in setting.priors)])
    spread = np.array([np.inf, *(abs(rough) * prior[name][1] for prior in setting.priors)])
    shape = np.stack([np.ones(y.size), *factors], axis=1)
    floor = math.hypot(MODEL_K, timeline.run.sensors["outlet"].resolution / math.sqrt(12.0))
    return fit_lags(
        y,
        late[:, :, None] * shape,
        LAGS_S,
        OUTLET_LAG_S if name == "effectiveness" else DROP_LAG_S,
        (means, np.maximum(spread, 1e-6)),
        floor,
    )


def late_by(values: Floats, lags: Floats, step: float) -> Floats:
    """Values behind first-order lags, one row a lag, starting settled.

    Stepped implicitly (backward Euler), which keeps the mean lag right at any step.
    """
    from scipy.signal import lfilter

    start = float(values[0])
    rows = np.empty((lags.size, values.size))
    for row, lag in zip(rows, lags.tolist(), strict=True):
        keep = lag / (lag + step)
        row[:] = start + lfilter([1.0 - keep], [1.0, -keep], values - start)
    return rows


def _with_budget(
    timeline: Timeline, stretch: Stretch, fit: Posterior, terms: Mapping[str, float]
) -> Measurement:
    """The share with its budget: scatter, definition, and each sensor's own errors."""
    value, gain = float(fit.parameters[0]), float(fit.gain[0])
    shared: dict[str, float] = {}
    for point, factor in terms.items():
        reading = float(np.nanmean(timeline.values(point)[stretch.used]))
        for source, part in shared_parts(timeline.run.sensors[point], reading).items():
            shared[source] = shared.get(source, 0.0) + gain * factor * part
    random = math.sqrt(max(float(fit.covariance[0, 0]), 0.0))
    if stretch.air == "ambient":
        random = math.hypot(random, gain * terms["ambient"] * STAND_IN_K)
    place = np.flatnonzero(stretch.used)
    begin, end = timeline.span(int(place[0]), int(place[-1]) + 1)
    seconds = stretch.used.sum() * timeline.grid.step
    found = Measurement(
        value,
        "–",
        math.hypot(random, DEFINITION_SHARE * value),
        shared,
        note=f"fitted to {seconds:.0f} s at full hot between {begin:.0f} and {end:.0f} s",
        window=(begin, end),
    )
    late = "" if stretch.settled else "no steady window: stated for the last minutes at full hot"
    return with_note(found, stretch.note, late)


def _flow_ratio(
    timeline: Timeline, stretch: Stretch, setting: Setting, rise: Floats
) -> Measurement:
    if not timeline.has("coolant_out"):
        return Measurement.missing("–", "coolant out was not logged")
    if float(np.nanmean(rise[stretch.level])) < MIN_RISE_K:
        return Measurement.missing("–", "the outlet rose too little to count the coolant's drop on")
    drop = timeline.values("coolant_in") - timeline.values("coolant_out")
    fit = _answer(timeline, stretch, setting, "flow_ratio", drop, held_over(rise))
    if fit is None:
        return Measurement.missing("–", "too few readings of both coolant hoses at full hot")
    ratio = float(fit.parameters[0])
    terms = {"coolant_in": 1.0, "coolant_out": -1.0, "outlet": -ratio, stretch.air: ratio}
    found = _with_budget(timeline, stretch, fit, terms)
    if found.known() < -2.0 * (found.u or 0.0):
        why = "the return hose is the warmer one, so that this is no ratio of flows"
        return Measurement.missing("–", why)
    if found.known() < 2.0 * (found.u or 0.0):
        return Measurement.missing("–", "the coolant's drop is lost in the sensors' errors")
    return found


def _core_ntu(effectiveness: Measurement, ratio: Measurement) -> Measurement:
    """UA over the air's rate. Its assumption, how much the ducts leave, is in the budget."""
    if ratio.value is None:
        return Measurement.missing("–", ratio.note or "the flow ratio is not known")
    share, flows = effectiveness.known(), ratio.known()
    delivered, u = DELIVERED
    value = float(air_ntu(share / delivered, flows))
    if math.isnan(value):
        return Measurement.missing("–", "no core of this flow ratio warms its air so far")
    # the slopes of the inverse are the curve's own, turned over
    ntus, ratios = value + SLOPE_STEP * np.eye(3)[0], flows + SLOPE_STEP * np.eye(3)[1]
    *moved, there = air_effectiveness(ntus, ratios).tolist()
    by_share = SLOPE_STEP / ((moved[0] - there) * delivered)
    by_ratio = (there - moved[1]) / (moved[0] - there)
    assumed = Measurement(delivered, "–", u)
    found = combine(
        value,
        "–",
        ((by_share, effectiveness), (by_ratio, ratio), (-by_share * share / delivered, assumed)),
    )
    note = (
        f"taking all the air to cross the core and the ducts to leave {100 * delivered:.0f} ± "
        f"{200 * u:.0f} % of the rise"
    )
    return with_note(found, note)


def _own_lag(timeline: Timeline, fit: Posterior) -> Measurement:
    """Lag of core and duct. Lags of the sensors are taken out as first-order ones are: added."""
    constants = [timeline.run.sensors[point].time_constant for point in ("coolant_in", "outlet")]
    supply, outlet = constants
    if supply is None or outlet is None:
        note = "with the sensors' own lags, which are not known"
        return Measurement(fit.lag, "s", fit.u_lag, note=note)
    return Measurement(fit.lag + supply - outlet, "s", fit.u_lag)


def _level(timeline: Timeline, point: str, stretch: Stretch) -> Measurement:
    from analysis.uncertainty import level

    part = stretch.level
    return level(
        timeline.run.sensors[point],
        timeline.values(point)[part],
        timeline.span(part.start, part.stop),
    )


def _speed(timeline: Timeline, stretch: Stretch) -> float | None:
    if not timeline.has("engine_speed"):
        return None
    mean = float(np.nanmean(timeline.values("engine_speed")[stretch.level]))
    return None if math.isnan(mean) else mean


def _predicted(fit: Posterior, setting: Setting, lead: Floats, step: float) -> Floats:
    late = late_by(lead, np.array([fit.lag]), step)[0]
    share = fit.parameters[0] + sum(
        parameter * column
        for parameter, column in zip(fit.parameters[1:], setting.columns, strict=True)
    )
    return np.asarray(share * late)
