"""True values of the figures the lever shows: travel, play, answer, cold end."""

from __future__ import annotations

import numpy as np

from ingest.arrays import Floats
from sample_logs.simulator.cable import door_travel
from sample_logs.simulator.model import Model
from sample_logs.simulator.schedule import STEP_S
from sample_logs.simulator.settled import settled_outlet
from sample_logs.simulator.signals import DRIFT_K_S, Span, first_crossing

WARM_DEGC = 60.0
SMALLEST_STEP_PCT = 20.0
SMALLEST_ANSWER_K = 5.0
LARGEST_SWEEP_STEP_PCT = 30.0
MIN_POSITIONS = 4
LAST_S = 60.0
TRAVEL_FIGURES = ("effective_travel", "dead_travel_cold", "dead_travel_hot", "lever_hysteresis")
TRAVEL_SHARES = (0.025, 0.975)


def travel_figures(model: Model) -> dict[str, float | None]:
    """Ends and play of the settled curve, the mean of both directions of the lever.

    None without a sweep of at least `MIN_POSITIONS` positions, for a lever that works
    backwards, and where the outlet hardly answers at all.
    """
    nothing: dict[str, float | None] = dict.fromkeys(TRAVEL_FIGURES)
    down, up = _swept(model)
    if model.car.cable.backwards or max(len(down), len(up)) < MIN_POSITIONS:
        return nothing
    lever = np.arange(0.0, 100.05, 0.1)
    loop = np.concatenate((lever, lever[::-1], lever))
    travel = door_travel(model.car.cable, loop)
    curve = settled_outlet(model.car, travel, model.conditions(_swept_span(model)))
    closing, opening = curve[lever.size : 2 * lever.size][::-1], curve[2 * lever.size :]
    least, span = float(closing[0]), float(opening[-1] - closing[0])
    if span < SMALLEST_ANSWER_K:
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
        "lever_hysteresis": play if min(len(down), len(up)) >= MIN_POSITIONS else None,
    }


def _swept(model: Model) -> tuple[set[float], set[float]]:
    """Lever positions reached going down and going up, engine running and warm."""
    down: set[float] = set()
    up: set[float] = set()
    for start, _, previous, position in _lever_moves(model):
        warm = model.traces["engine_coolant"][start] > WARM_DEGC
        if warm and abs(position - previous) <= LARGEST_SWEEP_STEP_PCT:
            (down if position < previous else up).update((position, previous))
    return down, up


def _lever_moves(model: Model) -> list[tuple[int, int, float, float]]:
    """Every move of the lever: start, next change of any control, from, to."""
    events = model.schedule.events
    last = model.schedule.time.size - 1
    times = sorted({time for time, _, _ in events})
    following = dict(zip(times, [*times[1:], model.schedule.time[-1]], strict=True))
    moves = []
    previous: float | None = None
    for time, control, position in events:
        if control != "temp_lever" or isinstance(position, str):
            continue
        if previous is not None and position != previous:
            start, stop = round(time / STEP_S), round(float(following[time]) / STEP_S)
            moves.append((min(start, last), min(stop, last), previous, position))
        previous = position
    return moves


def _swept_span(model: Model) -> Span:
    """From the first to the last move of the lever with the engine warm."""
    moving = np.flatnonzero(np.diff(model.schedule.lever)) + 1
    warm = moving[model.traces["engine_coolant"][moving] > WARM_DEGC]
    return int(warm[0]), int(warm[-1]) + 1


def cold_end_rise(model: Model) -> float | None:
    """The rise at the end of the longest hold; None where it was still falling then."""
    rise = model.traces["outlet"] - model.traces["inlet_air"]
    warm = [
        span for span in model.cold_spans() if model.traces["engine_coolant"][span[0]] > WARM_DEGC
    ]
    start, stop = max(warm, key=lambda span: span[1] - span[0], default=(0, 0))
    begin = stop - int(LAST_S / STEP_S)
    if begin <= start:
        return None
    last = rise[begin:stop]
    drift = float(np.polyfit(np.arange(last.size) * STEP_S, last, 1)[0])
    return float(last.mean()) if abs(drift) <= DRIFT_K_S else None


def response_time(model: Model) -> float | None:
    """Median over the steps of the time to 63 % of the way to the settled outlet, s.

    Both directions and every dwell count: a step whose dwell was too short to get that far lies
    above the median, and where that is so for half of the steps there is no value.
    """
    found = []
    for start, stop, previous, position in _lever_moves(model):
        if abs(position - previous) >= SMALLEST_STEP_PCT:
            answer = _answer(model, start, stop)
            if answer is not None:
                found.append(answer)
    median = float(np.median(found)) if found else np.inf
    return median if np.isfinite(median) else None


def _answer(model: Model, start: int, stop: int) -> float | None:
    """63 % of one step's answer, s; infinite where the dwell ended before, None where too small."""
    outlet = model.traces["outlet"]
    if model.traces["engine_coolant"][start] < WARM_DEGC or start < 30 or stop - start < 50:
        return None
    before = float(outlet[start - 25 : start].mean())
    conditions = model.conditions((start + 2 * (stop - start) // 3, stop))
    after = float(settled_outlet(model.car, model.travel[stop - 1 : stop], conditions)[0])
    if abs(after - before) < SMALLEST_ANSWER_K:
        return None
    share = (outlet[start:stop] - before) / (after - before)
    level = 1.0 - float(np.exp(-1.0))
    if not np.any(share >= level):
        return np.inf
    return first_crossing(np.arange(stop - start, dtype=np.float64) * STEP_S, share, level)
