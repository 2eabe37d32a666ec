"""How well causes, verdicts and figures hold over structures nobody simulated before.

``python benchmarks/ensemble.py --part calibrate|judge [--count 150] [--seed 1] [--baseline 6]
--cache DIR [--jobs 2] [--anew] [--no-baseline] [--json OUT]``

Cars come from `tests.other_cars.ensemble`: each family draws its laws. Every car is seen with
everything logged, without notes, with outlet and outside air only, with its hoses only, and with a
random subset. What was measured is kept in the cache, so that ranking alone takes seconds; after a
change to figures or ingest measure ``--anew``. Run folders of the same cars:
``python -m tests.other_cars.ensemble --out DIR --part PART --count N --seed N``.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.baseline import Baseline
from analysis.pipeline import judge_measured
from benchmarks.ensemble_cache import SUBSETS, Car, Seen, cars_in, fill, good_in
from benchmarks.ensemble_scores import (
    Answer,
    by,
    cable_scores,
    cause_scores,
    cover,
    largest_gap,
    passes,
    recall,
    reliability,
)
from tests.other_cars.ensemble.car import PARTS


def answer(car: Car, seen: Seen, baseline: Baseline | None) -> Answer | None:
    """Rank one car; None where its fault lies in a sensor that the subset does not hold."""
    if seen.measured is None:
        return None
    if car.truth["causes"][0] == "sensor_fault":
        point = car.truth["form"].split(" / ")[1]
        if point not in seen.points or not car.truth["shown"]:
            return None
    started = time.perf_counter()
    found = judge_measured(seen.measured, baseline=baseline)
    spent = time.perf_counter() - started
    cable = None
    if found.cable is not None and found.cable.offset.value is not None:
        cable = (found.cable.offset.value, found.cable.offset.u or 0.0)
    return Answer(
        car.name, seen.subset, car.truth, seen.noted, found.verdict,
        {each.cause: each.probability for each in found.causes},
        {name: (each.value, each.u or 0.0) for name, each in found.figures.items()
         if each.value is not None},
        seen.figures, cable, spent,
    )  # fmt: skip


def table(scores: dict[str, dict[str, tuple[float | None, int]]]) -> Iterator[str]:
    """One line a group, one column a score with its count."""
    names = list(next(iter(scores.values())))
    yield "| | " + " | ".join(names) + " |"
    yield "|---|" + "---|" * len(names)
    for group, row in scores.items():
        cells = []
        for name in names:
            value, n = row[name]
            plain = f"{value:.2f}" if name == "log loss" and value is not None else None
            cells.append("-" if value is None else f"{plain or f'{value:.1%}'} ({n})")
        yield f"| {group} | " + " | ".join(cells) + " |"


def lines(answers: list[Answer]) -> Iterator[str]:
    """The whole report as Markdown."""
    subsets = {name: [a for a in answers if a.subset == name] for name in SUBSETS}
    everything = subsets["everything"]
    yield from table({name: cause_scores(each) for name, each in subsets.items()})
    yield "\n**Broken heaters that passed**, by cause\n"
    for name, each in subsets.items():
        found = ", ".join(f"{cause} {n}" for cause, n in passes(each).most_common())
        yield f"- {name}: {found or 'none'}"
    yield "\n**Everything logged, by severity, layout and plan**\n"
    yield from table(by(everything, lambda a: a.truth["severity"] or a.causes[0]))
    yield ""
    yield from table(by(everything, lambda a: a.truth["heater"]))
    yield ""
    yield from table(by(everything, lambda a: a.truth["plan"]))
    yield "\n**Reliability**: said, found, how many\n"
    for title, chosen, first in (
        ("first cause, everything logged", everything, True),
        ("first cause, all subsets", answers, True),
        ("every cause, all subsets", answers, False),
    ):
        rows = reliability(chosen, first_only=first)
        gap = largest_gap(rows)
        yield f"{title}; largest gap {'-' if gap is None else f'{gap:.2f}'}\n"
        yield "| said | found | n |"
        yield "|---|---|---|"
        yield from (f"| {said:.2f} | {found:.2f} | {n} |" for said, found, n in rows)
        yield ""
    yield from _figures(everything, answers)
    for name, each in subsets.items():
        yield f"\n**What came first, {name}**\n"
        yield "| true cause | came first |"
        yield "|---|---|"
        for cause, counts in recall(each).items():
            said = ", ".join(f"{word} {count}" for word, count in counts.most_common())
            yield f"| {cause} | {said} |"


def _figures(everything: list[Answer], answers: list[Answer]) -> Iterator[str]:
    for title, chosen in (("everything logged", everything), ("all subsets", answers)):
        yield f"**Figures inside 2u, {title}**\n"
        yield "| figure | n | inside 2u | median error | median u | rms z | no truth |"
        yield "|---|---|---|---|---|---|---|"
        for name, row in cover(chosen).items():
            yield (
                f"| {name} | {row.n} | {row.inside:.1%} | {row.median_error:.3g} "
                f"| {row.median_u:.3g} | {row.rms_z:.2f} | {row.without_truth} |"
            )
        yield ""
    yield "**Cable**\n"
    yield from table({"everything": cable_scores(everything), "all subsets": cable_scores(answers)})


def as_json(answers: list[Answer]) -> dict[str, Any]:
    """The same in numbers, and every answer."""
    subsets = {name: [a for a in answers if a.subset == name] for name in SUBSETS}
    return {
        "scores": {name: cause_scores(each) for name, each in subsets.items()},
        "passes": {name: passes(each) for name, each in subsets.items()},
        "recall": {name: recall(each) for name, each in subsets.items()},
        "reliability": {name: reliability(each, first_only=True) for name, each in subsets.items()},
        "figures": {name: asdict(row) for name, row in cover(subsets["everything"]).items()},
        "cable": cable_scores(subsets["everything"]),
        "answers": [asdict(a) for a in answers],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=PARTS, required=True)
    parser.add_argument("--count", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--baseline", type=int, default=6, help="good cars a family")
    parser.add_argument("--cache", type=Path, required=True, help="folder for what was measured")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--anew", action="store_true", help="make and measure all again")
    parser.add_argument("--no-baseline", action="store_true", help="rank by the defaults")
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    started = time.perf_counter()
    places, good = fill(
        given.cache, part=given.part, seed=given.seed, count=given.count,
        baseline=given.baseline, jobs=given.jobs, anew=given.anew,
    )  # fmt: skip
    ready = time.perf_counter()
    baseline = None if given.no_baseline else Baseline.of(good_in(good))
    answers: list[Answer] = []
    errors: list[str] = []
    for car in cars_in(places):
        for seen in car.seen:
            errors += [f"{car.name}, {seen.subset}: {seen.error}"] if seen.error else []
            found = answer(car, seen, baseline)
            answers += [] if found is None else [found]
    print(f"{given.part}, {given.count} cars, seed {given.seed}, "
          f"{'no baseline' if baseline is None else f'{given.baseline} good cars a family'}: "
          f"made in {ready - started:.0f} s, ranked in {time.perf_counter() - ready:.0f} s; "
          f"{len(errors)} runs gave no answer\n")  # fmt: skip
    print("\n".join([*errors, "", *lines(answers)]))
    if given.json:
        given.json.write_text(json.dumps(as_json(answers), indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
