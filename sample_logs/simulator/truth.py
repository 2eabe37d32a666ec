"""True values of every figure of the contract, from the noise-free model.

Nothing here is shared with the analysis: levels are means of the noise-free traces, the travel
figures come from the closed-form settled curve, the vacuum's decay from the leak itself. A figure
the plan gives no chance to see (no sweep, no isolation, lever never hot) is None.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_logs.simulator.cable import door_travel
from sample_logs.simulator.car import Car
from sample_logs.simulator.mixing import full_flow
from sample_logs.simulator.schedule import STEP_S, Schedule
from sample_logs.simulator.settled import Conditions, settled_outlet
from sample_logs.simulator.signals import (
    DRIFT_K_S,
    Span,
    band_passed,
    first_crossing,
    spans,
    steady_part,
    strongest_period,
)
from sample_logs.simulator.thermal import Drive
from sample_logs.simulator.vacuum import decay_rate

Floats = NDArray[np.float64]

WARM_UP_SHARE = 0.90
WARM_UP_HOLD_S = 30.0
FIRST_MINUTE_S = 60.0
WARM_DEGC = 60.0
SMALLEST_STEP_PCT = 20.0
LAST_S = 60.0
COOLANT_STILL_K_S = 0.3 / 60.0
STEADY_FIGURES = (
    "steady_outlet_rise",
    "warm_up_time",
    "fluctuation_index",
    "fluctuation_period",
    "core_effectiveness",
    "coolant_drop",
    "footwell_deficit",
)
TRAVEL_FIGURES = ("effective_travel", "dead_travel_cold", "dead_travel_hot", "lever_hysteresis")
TRAVEL_SHARES = (0.025, 0.975)


@dataclass(frozen=True)
class Model:
    """The noise-free run on the simulation's clock.

    Parameters
    ----------
    car, schedule, drive
        What was simulated.
    traces
        Noise-free temperatures by measuring point, the reservoir's vacuum as `vacuum_source`,
        and the thermostat's `lift`.
    drawn
        Stroke of the actuators, 0 to 1.
    """

    car: Car
    schedule: Schedule
    drive: Drive
    traces: Mapping[str, Floats]
    drawn: Floats

    def hot_spans(self) -> list[Span]:
        """Stretches at the hot end with every control and the road speed unchanged."""
        return [span for span in self._still_spans() if self.schedule.lever[span[0]] > 99.5]

    def cold_spans(self) -> list[Span]:
        """Stretches at the cold end with the blower running and every control unchanged."""
        return [span for span in self._still_spans() if self.schedule.lever[span[0]] < 0.5]

    def _still_spans(self) -> list[Span]:
        plan = self.schedule
        keys = (plan.lever, plan.blower, plan.mode, plan.air_door, plan.defrost)
        found = spans(*keys, plan.running, plan.goal)
        return [span for span in found if plan.running[span[0]] and plan.blower[span[0]] > 0]


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
    figures |= _travel_figures(model)
    figures["cold_end_rise"] = _cold_end(model)
    figures["response_time"] = _response(model)
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
        if part and abs(_slope(model.traces["engine_coolant"], part)) < COOLANT_STILL_K_S
    ]
    return max(warm, key=lambda part: part[1] - part[0], default=None)


def _slope(signal: Floats, span: Span) -> float:
    part = signal[span[0] : span[1]]
    return float(np.polyfit(np.arange(part.size) * STEP_S, part, 1)[0])


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
        "fluctuation_period": strongest_period(outlet) if index > 0.8 else None,
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


def _travel_figures(model: Model) -> dict[str, float | None]:
    nothing: dict[str, float | None] = dict.fromkeys(TRAVEL_FIGURES)
    down, up = _swept(model)
    if model.car.cable.backwards or max(len(down), len(up)) < 4:
        return nothing
    lever = np.arange(0.0, 100.05, 0.1)
    loop = np.concatenate((lever, lever[::-1], lever))
    travel = door_travel(model.car.cable, loop)
    curve = settled_outlet(model.car, travel, _sweep_conditions(model))
    closing, opening = curve[lever.size : 2 * lever.size][::-1], curve[2 * lever.size :]
    least, span = float(closing[0]), float(opening[-1] - closing[0])
    if span < 3.0:
        return nothing

    def at(share: float, direction: Floats) -> float:
        return first_crossing(lever, direction, least + share * span)

    cold, hot = (0.5 * (at(share, closing) + at(share, opening)) for share in TRAVEL_SHARES)
    middle = np.linspace(0.25, 0.75, 11).tolist()
    play = float(np.mean([at(share, opening) - at(share, closing) for share in middle]))
    return {
        "effective_travel": hot - cold,
        "dead_travel_cold": cold,
        "dead_travel_hot": 100.0 - hot,
        "lever_hysteresis": play if min(len(down), len(up)) >= 4 else None,
    }


def _swept(model: Model) -> tuple[set[float], set[float]]:
    """Lever positions reached going down and going up, engine running and warm."""
    down: set[float] = set()
    up: set[float] = set()
    previous = float("nan")
    for time, control, position in model.schedule.events:
        if control != "temp_lever" or isinstance(position, str):
            continue
        at = min(int(time / STEP_S), model.schedule.time.size - 1)
        if model.traces["engine_coolant"][at] > WARM_DEGC and 0 < abs(position - previous) <= 30:
            (down if position < previous else up).update((position, previous))
        previous = position
    return down, up


def _sweep_conditions(model: Model) -> Conditions:
    """Means over all that the sweep was made under, the coolant as at its source."""
    moving = np.flatnonzero(np.diff(model.schedule.lever)) + 1
    warm = moving[model.traces["engine_coolant"][moving] > WARM_DEGC]
    part = slice(int(warm[0]), int(warm[-1]) + 1)
    drive = model.drive

    def mean(values: Floats) -> float:
        return float(values[part].mean())

    return Conditions(
        coolant=mean(model.traces["engine_coolant"]),
        inlet_air=mean(model.traces["inlet_air"]),
        cabin=mean(model.traces["cabin"]),
        air=mean(drive.air),
        full_flow=mean(full_flow(model.car, drive.rpm)),
        leak=mean(drive.leak),
        floor=mean(drive.floor),
        drawn=mean(model.drawn),
    )


def _cold_end(model: Model) -> float | None:
    """The rise at the end of the longest hold; None where it was still falling then."""
    rise = model.traces["outlet"] - model.traces["inlet_air"]
    warm = [
        span for span in model.cold_spans() if model.traces["engine_coolant"][span[0]] > WARM_DEGC
    ]
    start, stop = max(warm, key=lambda span: span[1] - span[0], default=(0, 0))
    last = (stop - int(LAST_S / STEP_S), stop)
    if last[0] <= start or abs(_slope(rise, last)) > DRIFT_K_S:
        return None
    return float(rise[last[0] : last[1]].mean())


def _response(model: Model) -> float | None:
    times = sorted({event[0] for event in model.schedule.events})
    ends = dict(zip(times, [*times[1:], float(model.schedule.time[-1])], strict=True))
    previous: float | None = None
    found: list[float] = []
    for time, control, position in model.schedule.events:
        if control != "temp_lever" or isinstance(position, str):
            continue
        if previous is not None and abs(position - previous) >= SMALLEST_STEP_PCT:
            answer = _answer(model, int(time / STEP_S), int(ends[time] / STEP_S))
            if answer is not None:
                found.append(answer)
        previous = position
    return float(np.median(found)) if found else None


def _answer(model: Model, start: int, stop: int) -> float | None:
    """63 % of one step's answer, s; None where it did not settle or hardly moved."""
    outlet = model.traces["outlet"]
    if model.traces["engine_coolant"][start] < WARM_DEGC or start < 30 or stop - start < 50:
        return None
    before = float(outlet[start - 25 : start].mean())
    tenth = max(5, (stop - start) // 10)
    after = float(outlet[stop - tenth : stop].mean())
    earlier = float(outlet[stop - 3 * tenth : stop - 2 * tenth].mean())
    if abs(after - before) < 5.0 or abs(after - earlier) > 0.05 * abs(after - before):
        return None
    share = (outlet[start:stop] - before) / (after - before)
    return first_crossing(
        np.arange(stop - start, dtype=np.float64) * STEP_S, share, 1.0 - float(np.exp(-1.0))
    )


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
    opened = np.flatnonzero(lift > 0.005)
    if not opened.size or opened[0] == 0:
        return None
    return float(model.traces["engine_coolant"][opened[0]])


def _speed_sensitivity(model: Model, logged: frozenset[str]) -> float | None:
    """Slope of the settled rise against speed, with time as second regressor."""
    point = "footwell" if "footwell" in logged or "outlet" not in logged else "outlet"
    rise = model.traces[point] - model.traces["ambient"]
    coolant = model.traces["engine_coolant"]
    rows, speeds = [], []
    for start, stop in model.hot_spans():
        settled = slice(start + 2 * (stop - start) // 3, stop)
        if (stop - start) * STEP_S < 90 or abs(_slope(coolant, (start, stop))) > 3.0 / 60.0:
            continue
        if coolant[start] < WARM_DEGC:
            continue
        speed = float(model.schedule.speed[settled].mean())
        speeds.append(speed)
        rows.append((1.0, speed, float(model.schedule.time[settled].mean()), rise[settled].mean()))
    if len(rows) < 4 or np.ptp(speeds) < 8.0:
        return None
    table = np.array(rows)
    table[:, 2] -= table[:, 2].mean()
    return float(10.0 * np.linalg.lstsq(table[:, :3], table[:, 3], rcond=None)[0][1])


def _vacuum_figures(model: Model) -> dict[str, float | None]:
    plan, stored = model.schedule, model.traces["vacuum_source"]
    isolated = np.flatnonzero(plan.isolated)
    decay = None
    if isolated.size:
        decay = decay_rate(model.car.vacuum, float(stored[isolated[0]]))
    counted = plan.running & ~plan.isolated & (plan.time > plan.engine_start + FIRST_MINUTE_S)
    low = float(np.percentile(stored[counted], 5)) if counted.any() else None
    return {"vacuum_decay": decay, "vacuum_source_low": low}
