"""True values of every figure of the contract, from the noise-free model.

Nothing here is shared with the analysis: levels are means of the noise-free traces, the travel
figures come from the closed-form settled curve, the vacuum's decay from the leak itself. A figure
the plan gives no chance to see (no sweep, no isolation, lever never hot) is None.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ingest.arrays import Floats
from sample_logs.simulator.cable import door_travel
from sample_logs.simulator.model import Model
from sample_logs.simulator.schedule import STEP_S
from sample_logs.simulator.settled import settled_footwell, settled_outlet
from sample_logs.simulator.signals import Span, band_passed, steady_part, strongest_period
from sample_logs.simulator.truth_lever import cold_end_rise, response_time, travel_figures
from sample_logs.simulator.vacuum import decay_rate

WARM_UP_SHARE = 0.90
WARM_UP_HOLD_S = 30.0
FIRST_MINUTE_S = 60.0
COOLANT_STILL_K_S = 0.3 / 60.0
MIN_INDEX_PCT = 0.8
OPENED = 0.005
SPEED_HOLD_S = 90.0
MIN_SPEEDS = 3
MIN_SPREAD_M_S = 8.0
COOLANT_NEAR_K_S = 1.0 / 60.0
STEADY_FIGURES = (
    "steady_outlet_rise",
    "warm_up_time",
    "fluctuation_index",
    "fluctuation_period",
    "core_effectiveness",
    "coolant_drop",
    "footwell_deficit",
)


def true_figures(model: Model, logged: frozenset[str]) -> dict[str, float | None]:
    """Every figure of the contract by name.

    Parameters
    ----------
    model
        The noise-free run.
    logged
        Measuring points of the log; they decide which point stands in for another where the
        contract says so.
    """
    steady = _longest_steady(model, model.hot_spans())
    figures: dict[str, float | None] = {}
    figures |= _steady_figures(model, steady, logged)
    figures |= travel_figures(model)
    figures["cold_end_rise"] = cold_end_rise(model)
    figures["response_time"] = response_time(model)
    figures["coolant_plateau"] = _plateau(model, steady, logged)
    figures["thermostat_opening"] = _opening(model)
    figures["speed_sensitivity"] = _speed_sensitivity(model, logged)
    figures |= _vacuum_figures(model)
    return figures


def _longest_steady(model: Model, candidates: list[Span]) -> Span | None:
    parts = [steady_part(model.traces["outlet"], span) for span in candidates]
    # only once the coolant has stopped climbing is a flat outlet the steady state
    warm = [
        part
        for part in parts
        if part and abs(model.slope("engine_coolant", part)) < COOLANT_STILL_K_S
    ]
    return max(warm, key=lambda part: part[1] - part[0], default=None)


def _steady_figures(
    model: Model, steady: Span | None, logged: frozenset[str]
) -> dict[str, float | None]:
    if steady is None:
        return dict.fromkeys(STEADY_FIGURES)
    mean = {
        point: float(trace[steady[0] : steady[1]].mean()) for point, trace in model.traces.items()
    }
    outside = "ambient" if "ambient" in logged or "inlet_air" not in logged else "inlet_air"
    inside = "inlet_air" if "inlet_air" in logged or "ambient" not in logged else "ambient"
    rise = mean["outlet"] - mean[outside]
    outlet = model.traces["outlet"][steady[0] : steady[1]]
    index = 100.0 * float(band_passed(outlet).std()) / rise
    return {
        "steady_outlet_rise": rise,
        "warm_up_time": _warm_up(model, model.traces["outlet"] - model.traces[outside], rise),
        "fluctuation_index": index,
        "fluctuation_period": strongest_period(outlet) if index > MIN_INDEX_PCT else None,
        "core_effectiveness": (mean["outlet"] - mean[inside]) / (mean["coolant_in"] - mean[inside]),
        "coolant_drop": mean["coolant_in"] - mean["coolant_out"],
        "footwell_deficit": mean["outlet"] - mean["footwell"],
    }


def _warm_up(model: Model, rise: Floats, steady: float) -> float | None:
    start = int(np.argmax(model.schedule.running))
    above = (rise[start:] >= WARM_UP_SHARE * steady).astype(np.int64)
    need = int(WARM_UP_HOLD_S / STEP_S)
    counted = np.convolve(above, np.ones(need, dtype=np.int64))[need - 1 :]
    held = np.flatnonzero(counted[: above.size] == need)
    return float(held[0]) * STEP_S if held.size else None


def _plateau(model: Model, steady: Span | None, logged: frozenset[str]) -> float | None:
    point = "engine_coolant"
    if "engine_coolant" not in logged and "coolant_in" in logged:
        point = "coolant_in"
    trace = model.traces[point]
    if steady is not None:
        return float(trace[steady[0] : steady[1]].mean())
    part = trace[model.schedule.running]
    last = part[-part.size // 4 :]
    return float(last.mean()) if np.ptp(last) < 4.0 else None


def _opening(model: Model) -> float | None:
    lift = model.traces["lift"]
    opened = np.flatnonzero(lift > OPENED)
    if not opened.size or opened[0] == 0:
        return None
    return float(model.traces["engine_coolant"][opened[0]])


def _speed_sensitivity(model: Model, logged: frozenset[str]) -> float | None:
    """Slope of the settled rise against the speeds driven: coolant, cabin, weather at their means.

    A straight line through one point for every constant speed of `SPEED_HOLD_S` or more with the
    engine warm and before the lever is first moved. Pump, blower ram and drafts are those of the
    speed.
    """
    moved = np.flatnonzero(model.schedule.lever < 99.5)
    before = int(moved[0]) if moved.size else model.schedule.time.size
    held = [
        (start + (stop - start) // 2, stop)
        for start, stop in model.hot_spans()
        if (stop - start) * STEP_S >= SPEED_HOLD_S and stop <= before
        if abs(model.slope("engine_coolant", (start, stop))) < COOLANT_NEAR_K_S
    ]
    points = [model.conditions(span) for span in held]
    speeds = np.array([at.speed for at in points])
    if speeds.size < MIN_SPEEDS or np.ptp(speeds) < MIN_SPREAD_M_S:
        return None
    cabin = float(np.mean([at.cabin for at in points]))
    ambient = float(np.mean([at.ambient for at in points]))
    coolant = float(np.mean([at.coolant for at in points]))
    hot = np.array([_travel_at_hot(model)])
    footwell = "footwell" in logged or "outlet" not in logged
    rises = []
    for point in points:
        inlet_air = ambient + point.inlet_air - point.ambient
        at = replace(point, coolant=coolant, cabin=cabin, ambient=ambient, inlet_air=inlet_air)
        settled = float(settled_outlet(model.car, hot, at)[0])
        if footwell:
            settled = settled_footwell(model.car, settled, at)
        rises.append(settled - ambient)
    return float(10.0 * np.polyfit(speeds, rises, 1)[0])


def _travel_at_hot(model: Model) -> float:
    """Travel the door or valve reaches with the lever brought to the hot end."""
    return float(door_travel(model.car.cable, np.array([0.0, 100.0]))[-1])


def _vacuum_figures(model: Model) -> dict[str, float | None]:
    plan, stored = model.schedule, model.traces["vacuum_source"]
    isolated = np.flatnonzero(plan.isolated)
    decay = None
    if isolated.size:
        decay = decay_rate(model.car.vacuum, float(stored[isolated[0]]))
    counted = plan.running & ~plan.isolated & (plan.time > plan.engine_start + FIRST_MINUTE_S)
    low = float(np.percentile(stored[counted], 5)) if counted.any() else None
    return {"vacuum_decay": decay, "vacuum_source_low": low}
