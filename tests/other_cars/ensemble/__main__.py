"""Command line: writes the ensemble's run folders with their truth."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from tests.other_cars.ensemble.car import PARTS
from tests.other_cars.ensemble.case import CARS_A_FAMILY, Case, draw_case, good_case
from tests.other_cars.ensemble.logger.folder import write_run
from tests.other_cars.ensemble.make import make, record


def write_all(root: Path, cases: list[Case]) -> dict[str, object]:
    """Write the cases' folders; their records by name."""
    records: dict[str, object] = {}
    for made in make(cases):
        write_run(
            root / made.case.name, made.drive, made.times, made.columns, made.notes,
            vehicle=made.case.vehicle, purpose=made.case.purpose,
        )  # fmt: skip
        records[made.case.name] = record(made)
    return dict(sorted(records.items()))


def generate(out: Path, *, part: str, count: int, seed: int, baseline: int) -> None:
    """Write `count` cars and `baseline` good cars a family below `out`."""
    families = range((count + CARS_A_FAMILY - 1) // CARS_A_FAMILY)
    cases = [draw_case(part, seed, number) for number in range(count)]
    good = [good_case(part, seed, family, k) for family in families for k in range(baseline)]
    truth = {
        "part": part,
        "seed": seed,
        "cars": write_all(out / "cars", cases),
        "baseline": write_all(out / "baseline", good),
    }
    (out / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.other_cars.ensemble")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--part", choices=PARTS, required=True)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--baseline", type=int, default=6, help="good cars a family")
    wanted = parser.parse_args()
    generate(
        wanted.out, part=wanted.part, count=wanted.count, seed=wanted.seed,
        baseline=wanted.baseline,
    )  # fmt: skip


if __name__ == "__main__":
    main()
