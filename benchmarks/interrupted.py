"""Tests that are interrupted: is a step counted without its data, and do the figures stay.

``python benchmarks/interrupted.py [--times 2] [--seed 1] [--places yard road]``

In simulated time: `ingest.record.test_progress.PlanRun` leads a person, who moves a control half a
second to three seconds after being told and says so at that moment, through the plan that comes
with the tool, in a simulated car of each layout. Once the port is away for 40 s, once the recorder
is killed and resumed 40 s later, once the outlet's sensor is gone for a minute, at a moment drawn
by chance. Beside it the same car and person undisturbed. The log then has the gap that the
interruption made.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.pipeline import measure
from ingest.load.load import load_run
from ingest.record.test_plan import Plan, Until
from ingest.record.test_progress import GO, Move, PlanRun
from ingest.setup.model import Heater
from sample_logs.simulator.dialects import PLAIN
from sample_logs.simulator.families import FAMILIES, draw_car
from sample_logs.simulator.protocol import Protocol, Step
from sample_logs.simulator.sensors import standard_sensors
from sample_logs.simulator.simulate import Simulated, simulate
from sample_logs.simulator.writer import write_run
from tests.support.loggers import usual_plan

TICK_S = 0.5
AWAY_S = {"port gone": 40.0, "killed": 40.0, "sensor gone": 60.0}
STALE_S = 5.0
"""A sensor that gives nothing is missed after so long; a port at once."""

WARM_S = 780.0
"""From then on the readings count as steady."""

POINTS = frozenset({"outlet", "ambient", "coolant_in", "coolant_out", "engine_coolant", "footwell",
                    "vacuum_source", "road_speed"})  # fmt: skip
PLACES = ("yard", "road")
HEATERS: tuple[Heater, ...] = ("blend-air", "water-valve", "combined")


@dataclass
class Led:
    """What a plan and a person did.

    Parameters
    ----------
    moves
        Controls in order of time.
    counted
        Step names with when they began and were over.
    end
        s.
    short
        Steps that were over with less data than they ask for, with how much they lacked, s.
    """

    moves: list[Move] = field(default_factory=list)
    counted: list[tuple[str, float, float]] = field(default_factory=list)
    end: float = 0.0
    short: list[tuple[str, float]] = field(default_factory=list)


def least_s(until: Until | None) -> float:
    """Seconds of data that a step asks for at least."""
    if until is None:
        return 0.0
    return max([until.time_s or 0.0, *(least_s(each) for each in until.all)])


def lead(plan: Plan, rng: np.random.Generator, how: str | None, away: float) -> Led:
    """Lead a person through a plan; `how` it is interrupted at `away`."""
    run, led, now = PlanRun(plan, POINTS), Led(), 0.0
    stands: dict[str, str] = {}
    gone = (away, away + AWAY_S[how]) if how else (np.inf, np.inf)
    press_at: float | None = None
    step, began = None, 0.0
    state = run.state()
    while now < 7200.0:
        out = gone[0] <= now < gone[1]
        if how == "killed" and out:
            now = gone[1]
            run = PlanRun(plan, POINTS)
            run.restore(state)
            press_at = None
            continue
        lost: tuple[str, ...] = ()
        if out and (how == "port gone" or now - gone[0] >= STALE_S):
            lost = ("no readings",)
        level = 60.0 if now > WARM_S else 20.0 + now / 10.0
        readings = {} if lost else dict.fromkeys(POINTS, level)
        keys = [GO] if press_at is not None and now >= press_at else []
        told = run.advance(now, readings, {"steady_outlet_rise": (50.0, 0.3)}, keys,
                           stands=stands, lost=lost)  # fmt: skip
        if keys:
            press_at = None
        for move in told.moves:
            stands[move.control] = move.position
            led.moves.append(move)
        here = None if told.finished or told.waits_for_key else (told.number, told.name)
        if here != step:
            if step is not None and not told.waits_for_key and step[0] <= len(plan.steps):
                led.counted.append((step[1], began, now))
            step, began = here, now
        if told.waits_for_key and press_at is None and not lost:
            press_at = now + float(rng.uniform(0.5, 3.0))
        if told.finished:
            break
        state = run.state()
        now += TICK_S
    led.end = now + 5.0
    return led


def data_in(begin: float, end: float, how: str | None, away: float) -> float:
    """Seconds with all readings between two times."""
    if how is None:
        return end - begin
    return end - begin - max(0.0, min(end, away + AWAY_S[how]) - max(begin, away))


def protocol(led: Led, place: str, ambient: float) -> Protocol:
    """The simulator's plan that makes these moves; on the road the car drives while it is warm."""
    times = sorted({0.0, *(move.when for move in led.moves), led.end})
    halt = next((each.when for each in led.moves if each.control == "vacuum_isolated"), led.end)
    steps, running = [], False
    for begin, end in itertools.pairwise(times):
        step = Step(end - begin, "hold", speed=0.0)
        if begin == 0.0:
            step = replace(step, lever=100.0, blower=0, mode="floor", running=False)
        for move in (each for each in led.moves if each.when == begin):
            name, at = move.control, move.position
            if name == "temp_lever":
                step = replace(step, lever=float(at))
            elif name == "blower":
                step = replace(step, blower=int(at))
            elif name == "mode":
                step = replace(step, mode=at)
            elif name == "engine":
                running = at == "start"
                step = replace(step, running=running)
            elif name == "vacuum_isolated":
                step = replace(step, isolated=at == "1")
        speed = 14.0 if place == "road" and running and begin < halt else 0.0
        steps.append(replace(step, speed=speed))
    return Protocol("led", tuple(steps), ambient, note_jitter=0.3)


def figures(
    run: Simulated, folder: Path, how: str | None, away: float
) -> dict[str, tuple[float, float]]:
    if how is not None:
        out = (run.time >= away) & (run.time < away + AWAY_S[how])
        if how == "sensor gone":
            run.channels["outlet"][out] = np.nan  # type: ignore[index]
        else:
            channels = {point: values[~out] for point, values in run.channels.items()}
            run = replace(run, time=run.time[~out], channels=channels,
                          logged=replace(run.logged, time=run.logged.time[~out],
                                         channels=channels))  # fmt: skip
    write_run(run, folder, PLAIN)
    found = measure(load_run(folder)).figures
    return {name: (each.value, each.u or 0.0) for name, each in found.items()
            if each.value is not None}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--places", nargs="*", default=list(PLACES))
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    apart: dict[str, list[float]] = defaultdict(list)
    missing: dict[str, int] = defaultdict(int)
    short, runs = [], 0
    truth: list[tuple[float, float]] = []
    with tempfile.TemporaryDirectory() as folder:
        for place in given.places:
            for heater in HEATERS:
                family = next(name for name, each in FAMILIES.items() if each.heater == heater)
                plan = usual_plan(heater, place)
                for number in range(given.times):
                    seed = int(rng.integers(1 << 30))
                    car = draw_car(family, "SC-900", seed)
                    ambient = float(rng.uniform(-15.0, 5.0))
                    alone = lead(plan, np.random.default_rng(seed), None, 0.0)
                    for how in (None, *AWAY_S):
                        away = float(rng.uniform(60.0, alone.end - 60.0)) if how else 0.0
                        led = lead(plan, np.random.default_rng(seed), how, away)
                        short += [
                            (place, heater, how, name, need)
                            for name, begin, end in led.counted
                            if (need := needed(plan, name) - data_in(begin, end, how, away)) > 1.0
                        ]
                        run = simulate(car, protocol(led, place, ambient),
                                       standard_sensors(rate_hz=2.0), seed)  # fmt: skip
                        at = Path(folder) / f"{place}-{heater}-{number}-{how}"
                        got = figures(run, at, how, away)
                        runs += 1
                        real = run.truth.get("response_time")
                        if real is not None and "response_time" in got:
                            value, u = got["response_time"]
                            truth.append((value - real, u))
                        if how is None:
                            whole = got
                            continue
                        for name, (value, u) in whole.items():
                            if name in got:
                                off_by = (got[name][0] - value) / max(u, 1e-9)
                                apart[name].append(off_by)
                                if abs(off_by) > 3.0:
                                    print(f"  {place} {heater} {how} at {away:.0f} s of "
                                          f"{alone.end:.0f}: {name} {off_by:+.1f} u")  # fmt: skip
                            else:
                                missing[name] += 1
    told(runs, short, apart, missing)
    off = np.array(truth)
    print(f"response time of all {len(off)} runs, the lever moved 0.5 to 3 s after being told: "
          f"within u {np.mean(abs(off[:, 0]) <= off[:, 1]):.0%}, within 2u "
          f"{np.mean(abs(off[:, 0]) <= 2 * off[:, 1]):.0%}, median error "
          f"{np.median(off[:, 0]):+.2f} s, median u {np.median(off[:, 1]):.2f} s")  # fmt: skip


def needed(plan: Plan, name: str) -> float:
    return least_s(next(step.until for step in plan.steps if step.name == name))


def told(
    runs: int,
    short: list[tuple[str, str, str | None, str, float]],
    apart: dict[str, list[float]],
    missing: dict[str, int],
) -> None:
    print(f"{runs} runs; steps counted with too little data: {len(short)}")
    print(*(f"  {each}" for each in short[:20]), sep="\n", end="\n" if short else "")
    print("figures of an interrupted run against the same car's undisturbed one")
    for name, found in sorted(apart.items()):
        off = np.abs(found)
        print(f"  {name:22s} {off.size:3d}  within u {np.mean(off <= 1):4.0%}  within 2u "
              f"{np.mean(off <= 2):4.0%}  largest {off.max():.1f} u  "
              f"missing {missing[name]}")  # fmt: skip
    every = np.abs(np.concatenate([np.array(each) for each in apart.values()]))
    print(f"  all {every.size}: within u {np.mean(every <= 1):.1%}, within 2u "
          f"{np.mean(every <= 2):.1%}")  # fmt: skip


if __name__ == "__main__":
    main()
