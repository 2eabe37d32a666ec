"""How often the causes are right on the project's own simulated cars.

``python benchmarks/causes.py [--count 300] [--seed 1] [--baseline 10] [--write docs/causes.md]``
draws families, faults, severities (moderate to severe), test plans and missing channels at random,
ranks the causes against each family's baseline, and prints the scores and the confusion table.
The analysis knows nothing of the simulator; all it knows is `analysis/causes/knowledge.toml`.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from analysis.causes.diagnose import Diagnosis, diagnose
from analysis.causes.evidence import Evidence, evidence_of
from analysis.pipeline import measure
from sample_logs.simulator.families import FAMILIES, draw_car
from sample_logs.simulator.faults import FAULTS, with_fault
from sample_logs.simulator.memory import as_run
from sample_logs.simulator.protocol import Protocol, full_test, road_test, short_test
from sample_logs.simulator.sensors import SensorSet, standard_sensors
from sample_logs.simulator.simulate import simulate

OPTIONAL = ("inlet_air", "coolant_in", "coolant_out", "engine_coolant", "footwell", "cabin")
OPTIONAL += ("vacuum_source", "vacuum_actuator", "road_speed", "engine_speed", "blower_voltage")
MISSING_SHARE = 0.12
HEALTHY_SHARE = 0.2


@dataclass(frozen=True)
class Outcome:
    """One car: the truth and what came out."""

    cause: str
    probability: dict[str, float]
    cable: tuple[float, float, float] | None
    reasons_missing: int


ROAD_SHOWS = frozenset(
    {
        "healthy",
        "thermostat_opens_low",
        "thermostat_stuck_open",
        "low_core_flow",
        "hoses_reversed",
        "cold_leak_in_case",
        "cold_leak_in_body",
        "weak_airflow",
    }
)
"""Causes that a road test without lever sweep and leak-down can show."""


def conditions(
    family: str, rng: np.random.Generator, cause: str = "healthy", *, drop: bool
) -> tuple[Protocol, SensorSet]:
    """A plan that can show the cause, in some weather, and sensors of which some are missing."""
    ambient = float(rng.uniform(-15.0, 8.0))
    heater = FAMILIES[family].heater
    plan = rng.choice(["full", "full", "short", "road" if cause in ROAD_SHOWS else "full"])
    if plan == "full":
        protocol = full_test(heater, ambient=ambient)
    elif plan == "short":
        protocol = short_test(heater, ambient=ambient)
    else:
        protocol = road_test(ambient=ambient)
    sensors = standard_sensors()
    gone = [point for point in OPTIONAL if drop and rng.random() < MISSING_SHARE]
    return protocol, sensors.without(*gone)


def good_car(job: tuple[str, int]) -> tuple[str, Evidence]:
    """Evidence of one baseline car."""
    family, seed = job
    rng = np.random.default_rng([seed, 5])
    protocol, sensors = conditions(family, rng, drop=False)
    car = draw_car(family, "SC-900", seed)
    return family, evidence_of(measure(as_run(simulate(car, protocol, sensors, seed))))


def one_car(job: tuple[int, dict[str, list[Evidence]]]) -> Outcome:
    """Draw a car, break it, rank its causes."""
    seed, baselines = job
    rng = np.random.default_rng([seed, 9])
    family = str(rng.choice(list(FAMILIES)))
    faults = [cause for cause in FAULTS if cause != "healthy"]
    cause = "healthy" if rng.random() < HEALTHY_SHARE else str(rng.choice(faults))
    severity = 0.0 if cause == "healthy" else float(rng.uniform(0.55, 1.0))
    protocol, sensors = conditions(family, rng, cause, drop=True)
    car = draw_car(family, "SC-500", seed)
    case = with_fault(car, protocol, sensors, cause, severity, seed=seed)
    simulated = simulate(case.car, case.protocol, case.sensors, seed)
    measured = measure(as_run(simulated))
    diagnosis = diagnose(measured, evidence_of(measured), {}, baselines[family])
    silent = sum(1 for each in diagnosis.causes if each.probability > 0.10 and not each.evidence)
    probability = {each.cause: each.probability for each in diagnosis.causes}
    return Outcome(cause, probability, _cable(diagnosis, simulated.cable_offset), silent)


def _cable(diagnosis: Diagnosis, true: float) -> tuple[float, float, float] | None:
    if diagnosis.cable is None:
        return None
    offset = diagnosis.cable.offset
    return offset.known(), offset.u or 0.0, true


def report(outcomes: list[Outcome]) -> Iterator[str]:
    """The scores and the confusion table, as Markdown."""
    first = second = accused = healthy = 0
    loss = 0.0
    confusion: dict[str, Counter[str]] = {}
    for each in outcomes:
        order = list(each.probability)
        first += order[0] == each.cause
        second += each.cause in order[:2]
        loss -= math.log(max(each.probability.get(each.cause, 0.0), 1e-9))
        healthy += each.cause == "healthy"
        accused += each.cause == "healthy" and order[0] != "healthy"
        confusion.setdefault(each.cause, Counter())[order[0]] += 1
    n = len(outcomes)
    yield "| what | result |"
    yield "|---|---|"
    yield f"| cars | {n}, of which {healthy} healthy |"
    yield f"| first cause right | {first / n:.1%} |"
    yield f"| right among the first two | {second / n:.1%} |"
    yield f"| healthy cars accused | {accused / max(healthy, 1):.1%} |"
    yield f"| log loss | {loss / n:.2f} nat |"
    silent = sum(each.reasons_missing for each in outcomes)
    yield f"| probabilities above 10 % without a reason | {silent} |"
    cables = np.array([each.cable for each in outcomes if each.cable is not None])
    if cables.size:
        error = np.abs(cables[:, 0] - cables[:, 2])
        inside = float(np.mean(error <= 2.0 * cables[:, 1]))
        yield f"| cable offset, median error | {np.median(error):.1f} % of travel |"
        yield f"| cable offset within ± 2u | {inside:.1%} of {len(cables)} |"
    yield ""
    yield "| true cause | came first |"
    yield "|---|---|"
    for cause in sorted(confusion):
        said = ", ".join(f"{name} {count}" for name, count in confusion[cause].most_common())
        yield f"| {cause} | {said} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--baseline", type=int, default=10)
    parser.add_argument("--write", type=Path)
    given = parser.parse_args()
    jobs = [(family, 10_000 + k) for family in FAMILIES for k in range(given.baseline)]
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        baselines: dict[str, list[Evidence]] = {family: [] for family in FAMILIES}
        for family, evidence in pool.map(good_car, jobs, chunksize=5):
            baselines[family].append(evidence)
        cars = [(given.seed * 100_000 + k, baselines) for k in range(given.count)]
        outcomes = list(pool.map(one_car, cars, chunksize=10))
    lines = list(report(outcomes))
    print("\n".join(lines))
    if given.write:
        command = f"python benchmarks/causes.py --count {given.count} --seed {given.seed}"
        head = ["# How often the causes are right", "", f"Printed by `{command}`.", ""]
        given.write.write_text("\n".join([*head, *lines, ""]), encoding="utf-8")


if __name__ == "__main__":
    main()
