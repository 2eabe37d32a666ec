"""Cars of both simulators, measured once and kept as tables in a folder.

    python benchmarks/simulated_fleets.py FOLDER [--share 1.0] [--seed 0]

Full tests with all channels. For each simulator (``own``: sample_logs/simulator, ``other``:
tests/other_cars) four parts: ``labelled-good`` and ``labelled-bad`` (moderate to severe) to tune
with, ``new-good`` and ``new-bad`` (moderate) to judge by. Each part is two Parquet files, its runs
and their figures, as a store gives them. What is there already is not measured again.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parent.parent))

from analysis.limits import default_limits
from analysis.pipeline import Analysis, analyze
from ingest.load.load import load_run
from ingest.run import Run
from ingest.store.rows import ambient as mean_ambient

SIMULATORS = ("own", "other")
MODERATE = {"own": 0.6, "other": 0.5}
"""Severity that each simulator calls moderate; 1 is severe."""

PARTS = {"labelled-good": 1000, "labelled-bad": 300, "new-good": 500, "new-bad": 240}
NOT_IN_THE_CAR = ("healthy", "control_use", "sensor_fault")
BATCH = 40


@dataclass(frozen=True)
class Part:
    """Runs and figures of one kind of cars.

    Parameters
    ----------
    runs, figures
        As `ingest.store.read` gives them; `runs` also says the true ``cause``.
    """

    runs: pl.DataFrame
    figures: pl.DataFrame


def part(folder: Path, simulator: str, name: str, share: float = 1.0, seed: int = 0) -> Part:
    """One part, measured if it is not yet there; each seed has other cars."""
    place = folder / f"{simulator}-{name}"
    runs, figures = place.with_suffix(".runs.parquet"), place.with_suffix(".figures.parquet")
    if not figures.exists():
        folder.mkdir(parents=True, exist_ok=True)
        count = max(20, round(share * PARTS[name]))
        made = _tables(MAKERS[simulator](name, count, seed), simulator, name)
        made.runs.write_parquet(runs)
        made.figures.write_parquet(figures)
    return Part(pl.read_parquet(runs), pl.read_parquet(figures))


def _severity(simulator: str, name: str, rng: np.random.Generator) -> float:
    moderate = MODERATE[simulator]
    return moderate if name == "new-bad" else float(rng.uniform(moderate, 1.0))


def _own_cars(name: str, count: int, seed: int) -> Iterator[tuple[str, float, Run]]:
    from sample_logs.simulator.families import FAMILIES, draw_car
    from sample_logs.simulator.faults import FAULTS, with_fault
    from sample_logs.simulator.memory import as_run
    from sample_logs.simulator.protocol import full_test
    from sample_logs.simulator.sensors import standard_sensors
    from sample_logs.simulator.simulate import simulate

    causes = [cause for cause in FAULTS if cause not in NOT_IN_THE_CAR]
    first = 10_000 * (1 + list(PARTS).index(name) + len(PARTS) * seed)
    for number in range(first, first + count):
        rng = np.random.default_rng([number, 23])
        family = str(rng.choice(list(FAMILIES)))
        ambient = float(rng.uniform(-15.0, 8.0))
        cause = str(rng.choice(causes)) if name.endswith("bad") else "healthy"
        severity = _severity("own", name, rng)
        car = draw_car(family, f"SC-{number}", number)
        plan = full_test(FAMILIES[family].heater, ambient=ambient)
        case = with_fault(car, plan, standard_sensors(), cause, severity, seed=number)
        yield cause, severity, as_run(simulate(case.car, case.protocol, case.sensors, number))


def _other_cars(name: str, count: int, seed: int) -> Iterator[tuple[str, float, Run]]:
    from tests.other_cars.__main__ import Case, write_all
    from tests.other_cars.cars import FAMILIES, draw_car
    from tests.other_cars.faults import CAUSES, break_car
    from tests.other_cars.trips import draw_trip

    rng = np.random.default_rng([10_000 * (1 + list(PARTS).index(name) + len(PARTS) * seed), 29])
    causes = [cause for cause in CAUSES if cause not in NOT_IN_THE_CAR]
    for start in range(0, count, BATCH):
        cases = []
        for number in range(start, min(start + BATCH, count)):
            cause = str(rng.choice(causes)) if name.endswith("bad") else "healthy"
            severity = _severity("other", name, rng)
            car = draw_car(rng, str(rng.choice(list(FAMILIES))))
            car = break_car(car, cause, severity, rng)
            trip = draw_trip(rng, car, good_habits=True)
            label = f"{name[:1]}{name[-1:]}{number:05d}"
            cases.append(Case(label, f"SC-{label}", (cause,), severity, car, trip))
        with tempfile.TemporaryDirectory() as place:
            root = Path(place) / "cars"
            write_all(rng, root, cases, missing=0.0, purpose="road-test")
            for case in cases:
                yield case.causes[0], case.severity, load_run(root / case.name)


MAKERS: dict[str, Callable[[str, int, int], Iterator[tuple[str, float, Run]]]] = {
    "own": _own_cars,
    "other": _other_cars,
}


def _tables(cars: Iterator[tuple[str, float, Run]], simulator: str, name: str) -> Part:
    runs, figures = [], []
    limits = default_limits()
    for number, (cause, severity, run) in enumerate(cars):
        found = analyze(run, limits=limits)
        run_id = f"{simulator}{name}{number:05d}".replace("-", "")
        runs.append(_run_row(run_id, number, cause, severity, found))
        figures += [
            {
                "run_id": run_id, "figure": figure, "value": each.measurement.value,
                "u": each.measurement.u, "random": each.measurement.random,
                "unit": each.measurement.unit, "verdict": each.verdict,
                "low": each.limit.low if each.limit else None,
                "high": each.limit.high if each.limit else None,
            }
            for figure, each in found.judged.items()
        ]  # fmt: skip
    return Part(
        pl.DataFrame(runs, infer_schema_length=None).with_columns(
            *(pl.lit(None, pl.String).alias(column) for column in ("plant", "operator", "logger"))
        ),
        pl.DataFrame(figures, infer_schema_length=None),
    )


def _run_row(
    run_id: str, number: int, cause: str, severity: float, found: Analysis
) -> dict[str, object]:
    about = found.run.setup.run
    return {
        "id": run_id, "name": run_id, "vehicle": f"car of {run_id}",
        "family": about.family, "heater": about.heater,
        "purpose": "complaint" if cause != "healthy" else "road-test",
        "started": datetime(2026, 1, 5, tzinfo=UTC), "duration_s": 0.0,
        "ambient_degC": mean_ambient(found.run),
        "verdict": found.verdict, "first_cause": found.causes[0].cause,
        "first_probability": found.causes[0].probability,
        "true_cause": cause, "severity": severity,
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--share", type=float, default=1.0, help="of the cars of each part")
    parser.add_argument("--seed", type=int, default=0, help="other cars for each seed")
    parser.add_argument("--only", choices=SIMULATORS)
    told = parser.parse_args()
    for simulator in SIMULATORS if told.only is None else (told.only,):
        for name in PARTS:
            made = part(told.folder, simulator, name, told.share, told.seed)
            counts = dict(made.runs["verdict"].value_counts().iter_rows())
            print(f"{simulator:6s}{name:15s}{made.runs.height:5d} runs, default limits: {counts}",
                  flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
