"""How soon a sensor at fault is told, and how often a good one is accused.

``python benchmarks/watch.py [--pulls 200] [--runs 40] [--seed 1] [--good FOLDER...]`` simulates
good runs (all families, loggers of 1 to 10 readings a second, whole tests with lever, blower and
speed changes), counts the alarms of each, and then spoils them: a sensor comes off and takes on the
air beside it at its own time constant, its wire opens, its channel sticks or goes on with the
voltage it had while the cold junction moves. ``--good`` counts alarms in run folders too.

The moment of a fault lies in the warm-up or in the steady hold (``--parts cold``: before the engine
is started), no control moved within a minute before. What is told is judged with the readings up to
that moment alone.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import ndtr

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.watch.bins import Junction, make_seconds, width_for
from analysis.watch.judge import judge
from analysis.watch.still import BY_CHANCE
from ingest.arrays import Floats
from ingest.load.load import load_run
from ingest.sensors.thermocouple import emf, temperature
from sample_logs.simulator.families import FAMILIES, draw_car
from sample_logs.simulator.protocol import full_test, road_test, short_test
from sample_logs.simulator.sensors import lagged, standard_sensors
from sample_logs.simulator.simulate import Simulated, simulate

RATES = (1.0, 2.0, 5.0, 10.0)
SOON_S = 10.0
QUIET_S = 70.0
BAY_SHARE = 0.35
"""Air of the engine bay: this share of the way from the air outside to the engine's coolant."""

PARTS = {"warm-up": (150.0, 500.0), "steady": (600.0, 1500.0), "cold": (-45.0, -13.0)}
"""Parts of a test, s from the engine's start; a cold car stands with its engine off."""

FALLS = (
    "outlet", "outlet_defrost", "coolant_in", "coolant_out", "footwell", "ambient", "inlet_air",
)  # fmt: skip
"""Points whose sensor is clipped on or hung up, so that it can come off."""

PLUGGED = ("engine_coolant", "vacuum_source", "road_speed", "engine_speed")
COARSE = ("engine_coolant", "road_speed")
"""Points logged in whole degrees and whole km/h: steps five times the sensor's noise and more."""

TOO_LITTLE_K = 6.0
"""Other air nearer than this is not counted: nobody could tell."""


@dataclass
class Log:
    """Readings of a run with its control moves."""

    time: Floats
    values: dict[str, Floats]
    moves: list[tuple[float, str]]
    junctions: dict[str, Junction]

    def alarms(self, until: float = np.inf) -> list[tuple[str, str, float]]:
        """Point, kind and time told of every alarm, with the readings until a moment."""
        rows = self.time <= until
        at = self.time[rows]
        width = width_for(at)
        assert width is not None
        seen = {point: values[rows] for point, values in self.values.items()}
        moves = [move for move in self.moves if move[0] <= until]
        found = judge(make_seconds(at, seen, moves, self.junctions, width))
        return [(each.point, each.kind, each.told_s) for each in found]


def good_log(run: Simulated) -> Log:
    moves = [(at, control) for at, control, _ in run.events]
    return Log(run.time, dict(run.channels), moves, {})


def draw_runs(count: int, seed: int) -> Iterator[Simulated]:
    rng = np.random.default_rng(seed)
    families = list(FAMILIES)
    for number in range(count):
        car = draw_car(families[number % len(families)], f"SC-{number:03d}", seed + number)
        test = (full_test, short_test)[number % 2]
        plan = test(car.heater, ambient=float(rng.uniform(-18, 8)))
        if number % 5 == 4:
            plan = road_test(ambient=float(rng.uniform(-18, 8)))
        sensors = standard_sensors(rate_hz=RATES[number % len(RATES)])
        yield simulate(car, plan, sensors, seed + number)


def quiet_moments(run: Simulated, part: str, rng: np.random.Generator) -> float | None:
    """A moment of a part of the test with no control moved in the minute before."""
    low, high = PARTS[part]
    moved = np.array([at for at, _, _ in run.events])
    for _ in range(200):
        at = run.engine_start + float(rng.uniform(low, high))
        near = (
            (moved > at - QUIET_S) & (moved < at + (12.0 if part == "cold" else 40.0)) & (moved > 0)
        )
        if at > run.time[0] + 20.0 and at + 40.0 < run.time[-1] and not np.any(near):
            return at
    return None


def other_air(run: Simulated, point: str) -> Floats:
    traces, axis = run.model.traces, run.model.schedule.time
    ambient = np.interp(run.time, axis, traces["ambient"])
    if point in ("coolant_in", "coolant_out", "ambient", "inlet_air"):
        coolant = np.interp(run.time, axis, traces["engine_coolant"])
        return np.asarray(ambient + BAY_SHARE * (coolant - ambient))
    if point == "footwell":
        return ambient  # hangs out of the door's gap
    return np.asarray(np.interp(run.time, axis, traces["cabin"]))


def spoil(run: Simulated, point: str, how: str, at: float, rng: np.random.Generator) -> Log | None:
    """A log with one sensor at fault from a moment on; None where nobody could see it."""
    log = good_log(run)
    reading = log.values[point].copy()
    after = run.time >= at
    first = int(np.argmax(after))
    since = run.time[after] - at
    if how == "off":
        air = other_air(run, point)[after]
        if abs(air[0] - reading[first]) < TOO_LITTLE_K:
            return None
        spec = next(each for each in run.sensors.specs if each.point == point)
        lag = spec.lag * float(rng.uniform(1.0, 1.6))  # slower in still air
        fallen = air + (reading[first] - air) * np.exp(-since / lag)
        fallen += rng.normal(0.0, spec.noise, fallen.size)
        reading[after] = np.round(fallen / spec.resolution) * spec.resolution
    elif how == "open":
        reading[after] = np.nan
    elif how == "stuck":
        reading[after] = reading[first]
    elif how == "nothing":
        reading[after] = 0.0
    else:  # the raw voltage sticks while the cold junction moves; microvolts to one decimal
        junction = log.values["cold_junction"]
        volts = emf("K", run.logged.junctions[point]) - emf("K", run.logged.cold_junction)
        volts[after] = volts[first]
        reading = temperature("K", np.round(volts, 4), junction)
        log.junctions[point] = Junction("K", "cold_junction")
    log.values[point] = reading
    return log


def knowable(run: Simulated, point: str, at: float) -> bool:
    """Whether anybody could tell within `SOON_S` that a channel sticks.

    Somebody who knew the true level at every moment, how noisy the sensor is and how its numbers
    are rounded would have nothing but this: how likely a good channel gives the same number all
    the time. It must be as rare as what the watch itself calls no chance (Neyman and Pearson: no
    other test of so few false alarms finds more).
    """
    spec = next(each for each in run.sensors.specs if each.point == point)
    level = np.interp(run.time, run.model.schedule.time, lagged(run.model.traces[point], spec.lag))
    good = run.channels[point]
    # the sensor's own error of offset and gain, as far as the whole run shows it
    known = np.isfinite(good)
    if np.ptp(level[known]) > spec.resolution:
        gain, offset = np.polyfit(level[known], good[known], 1)
    else:
        gain, offset = 1.0, float(np.mean(good[known] - level[known]))
    first = int(np.argmax(run.time >= at))
    later = (run.time > run.time[first]) & (run.time <= at + SOON_S)
    off = good[first] - (gain * level[later] + offset)
    half = 0.5 * spec.resolution
    same = ndtr((off + half) / spec.noise) - ndtr((off - half) / spec.noise)
    every_s = min(1.0, 1.0 / run.sensors.rate_hz)
    return bool(np.sum(np.log(np.maximum(same, 1e-300))) <= np.log(BY_CHANCE * every_s))


def pulls(runs: list[Simulated], count: int, seed: int, parts: list[str]) -> None:
    rng = np.random.default_rng(seed)
    told: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    bound: dict[str, list[tuple[bool, bool]]] = defaultdict(list)
    done, tries = 0, 0
    while done < count and tries < 20 * count:
        tries += 1
        run = runs[int(rng.integers(len(runs)))]
        part = parts[tries % len(parts)]
        how = str(rng.choice(["off", "off", "off", "open", "stuck", "copy", "nothing"]))
        points = {"off": FALLS, "copy": FALLS, "nothing": ("vacuum_source",)}.get(
            how, (*FALLS, *PLUGGED)
        )
        point = str(rng.choice(points))
        at = quiet_moments(run, part, rng)
        log = None if at is None else spoil(run, point, how, at, rng)
        if at is None or log is None:
            continue
        if how == "nothing" and part == "cold":
            continue  # with the engine off there is nothing to lose
        if point == "road_speed" and how == "stuck" and log.values[point][run.time >= at][0] < 1:
            continue
        done += 1
        mine = [when - at for name, _, when in log.alarms(at + 60.0) if name == point and when > at]
        delay = min(mine, default=np.inf)
        rate = f"{run.sensors.rate_hz:g}/s"
        for key in (
            (how, "all", "all"),
            (how, part, "all"),
            (how, "all", rate),
            (how, point, "all"),
            ("all",) * 3,
        ):
            told[key].append(delay)
        if how == "stuck":
            coarse = "coarse" if point in COARSE else "fine"
            for of in (rate, coarse, "all"):
                bound[of].append((delay <= SOON_S, knowable(run, point, at)))
    print(f"{done} faults; share told within {SOON_S:g} s, median and longest delay")
    for key, delays in sorted(told.items()):
        known = np.array(delays)
        share = float(np.mean(known <= SOON_S))
        middle, longest = np.median(known), known.max()
        print(f"  {' '.join(key):36s} {known.size:4d} {share:6.0%} {middle:6.1f} {longest:6.1f} s")

    if bound:
        print("stuck: share told, and share that anybody could tell who knew the true level")
    for of, both in sorted(bound.items()):
        found, could = np.mean(np.array(both), axis=0)
        print(f"  {of:36s} {len(both):4d} {found:6.0%} {could:6.0%}")


def false_alarms(runs: list[Simulated], folders: list[Path]) -> None:
    hours, found, spent = 0.0, [], 0.0
    for run in runs:
        log = good_log(run)
        start = time.perf_counter()
        alarms = log.alarms()
        spent += time.perf_counter() - start
        found += [(run.car.vehicle, *each) for each in alarms]
        hours += float(log.time[-1] - log.time[0]) / 3600.0
    print(f"simulated: {len(found)} alarms in {hours:.1f} h of {len(runs)} good runs; "
          f"{1000 * spent / len(runs):.0f} ms a run")  # fmt: skip
    print(*(f"  {each}" for each in found), sep="\n", end="\n" if found else "")
    hours, found = 0.0, []
    for folder in folders:
        stored = load_run(folder)
        at = stored.readings["time_s"].to_numpy()
        values = {
            point: stored.readings[sensor.column].to_numpy()
            for point, sensor in stored.sensors.items()
        }
        controls = stored.controls
        moves = list(zip(controls["time_s"].to_list(), controls["control"].to_list(), strict=True))
        if width_for(at) is None:
            continue
        found += [(folder.name, *each) for each in Log(at, values, moves, {}).alarms()]
        hours += float(at[-1] - at[0]) / 3600.0
    if folders:
        print(f"folders: {len(found)} alarms in {hours:.1f} h of {len(folders)} runs")
        print(*(f"  {each}" for each in found), sep="\n", end="\n" if found else "")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pulls", type=int, default=200)
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--parts", nargs="*", choices=PARTS, default=["warm-up", "steady"])
    parser.add_argument("--good", type=Path, nargs="*", default=[])
    asked = parser.parse_args()
    runs = list(draw_runs(asked.runs, asked.seed))
    false_alarms(runs, asked.good)
    pulls(runs, asked.pulls, asked.seed, asked.parts)


if __name__ == "__main__":
    main()
