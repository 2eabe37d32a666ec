"""How true the figures and causes are on cars whose truth is known.

Make a set with ``python -m tests.other_cars --out DIR`` and judge it with
``python benchmarks/judge.py DIR [--only PART] [--worst N] [--no-baseline]``. Prints for every
figure how many were measured, how often value ± 2u covers the truth, errors and uncertainties; then
how the causes rank against the truth.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.baseline import Baseline
from analysis.measured import Measured
from analysis.pipeline import Analysis, analyze, measure
from ingest.errors import LukewarmError
from ingest.load.load import load_run
from tests.other_cars.trips import DT
from tests.other_cars.truth import fluctuation


@dataclass
class Tally:
    """One figure over all cars: (car, value, u, truth)."""

    judged: list[tuple[str, float, float, float]] = field(default_factory=list)
    missed: list[tuple[str, str]] = field(default_factory=list)
    without_truth: int = 0


def load_baseline(folder: Path) -> Baseline:
    """Figures of the good cars."""
    good: list[Measured] = [measure(load_run(place)) for place in sorted(folder.iterdir())]
    return Baseline.of(good)


def judge_figures(analyses: dict[str, Analysis], truth: dict[str, Any]) -> dict[str, Tally]:
    """Compare every figure with its truth; cars with a faulty sensor are left out."""
    tallies: dict[str, Tally] = {}
    for name, analysis in analyses.items():
        if truth[name]["causes"][0] == "sensor_fault":
            continue
        for figure, true in truth[name]["figures"].items():
            tally = tallies.setdefault(figure, Tally())
            found = analysis.figures.get(figure)
            if found is None or found.value is None:
                if true is not None:
                    tally.missed.append((name, (found and found.note) or "no such figure"))
            elif true is None:
                tally.without_truth += 1
            else:
                tally.judged.append((name, found.value, found.u or 0.0, true))
    return tallies


def own_window(analyses: dict[str, Analysis], truth: dict[str, Any], signals: Path) -> Tally:
    """The fluctuation index against the truth of the very window it was measured in."""
    tally = Tally()
    for name, analysis in analyses.items():
        found = analysis.figures["fluctuation_index"]
        rise = analysis.figures["steady_outlet_rise"].value
        if found.value is None or found.window is None or not rise:
            continue
        outlet = np.load(signals / f"{name}.npy").astype(float)
        start, stop = (round((edge + truth[name]["start_s"]) / DT) for edge in found.window)
        deviation = fluctuation(outlet[max(start, 0) : stop])
        tally.judged.append((name, found.value, found.u or 0.0, 100 * deviation / rise))
    return tally


def print_figures(tallies: dict[str, Tally], truth: dict[str, Any], worst: int) -> None:
    print(
        f"{'figure':22s} {'n':>4s} {'missed':>6s} {'extra':>5s} {'cover':>6s} "
        f"{'med err':>9s} {'med|err|':>9s} {'med u':>8s} {'rms z':>6s} {'med|z|':>6s}"
    )
    for figure, tally in tallies.items():
        head = f"{figure:22s} {len(tally.judged):4d} {len(tally.missed):6d}"
        if not tally.judged:
            print(f"{head} {tally.without_truth:5d}      -")
            continue
        values = np.array([row[1:] for row in tally.judged])
        error = values[:, 0] - values[:, 2]
        u = np.maximum(values[:, 1], 1e-12)
        z = error / u
        print(
            f"{head} {tally.without_truth:5d} {np.mean(np.abs(z) <= 2):6.1%} "
            f"{np.median(error):9.3f} {np.median(np.abs(error)):9.3f} {np.median(u):8.3f} "
            f"{math.sqrt(np.mean(np.minimum(z**2, 1e6))):6.2f} {np.median(np.abs(z)):6.2f}"
        )
        for i in np.argsort(-np.abs(z))[:worst]:
            if abs(z[i]) > 2:
                name = tally.judged[i][0]
                about = truth[name]
                print(
                    f"    {name} {values[i, 0]:9.3f} ± {u[i]:.3f}, true {values[i, 2]:9.3f} "
                    f"({about['heater']}, {'+'.join(about['causes'])}, {about['trip']})"
                )
        if worst:
            for note, count in Counter(why for _, why in tally.missed).most_common(worst):
                print(f"    missed {count}: {note}")


def print_causes(analyses: dict[str, Analysis], truth: dict[str, Any]) -> None:
    """Accuracy, log loss and confusion over all cars and over those whose cause can be seen."""
    for title, names in (
        ("all cars", list(analyses)),
        ("cause visible in what was logged", [n for n in analyses if truth[n]["shown"]]),
    ):
        first = second = 0
        loss = 0.0
        healthy = accused = 0
        for name in names:
            ranked = [cause.cause for cause in analyses[name].causes]
            true = truth[name]["causes"]
            first += ranked[0] in true
            second += bool(set(ranked[:2]) & set(true))
            given = {cause.cause: cause.probability for cause in analyses[name].causes}
            loss -= math.log(max(max(given.get(cause, 0.0) for cause in true), 1e-9))
            if true[0] == "healthy":
                healthy += 1
                accused += ranked[0] != "healthy"
        if not names:
            continue
        print(f"\n{title}: {len(names)}")
        print(f"  first cause right      {first / len(names):6.1%}")
        print(f"  right among first two  {second / len(names):6.1%}")
        print(f"  healthy accused        {accused / max(healthy, 1):6.1%} of {healthy}")
        print(f"  log loss               {loss / len(names):6.3f} nat")
    print("\nconfusion (truth: what came first instead)")
    wrong: dict[str, Counter[str]] = {}
    for name, analysis in analyses.items():
        true = truth[name]["causes"]
        given = analysis.causes[0].cause
        wrong.setdefault(true[0], Counter())["right" if given in true else given] += 1
    for cause in sorted(wrong):
        counts = ", ".join(f"{given} {count}" for given, count in wrong[cause].most_common())
        print(f"  {cause:24s} {counts}")


def print_cable(analyses: dict[str, Analysis], truth: dict[str, Any]) -> None:
    """Cable offset against the linkage's true one, where the cable is the cause."""
    rows = []
    for name, analysis in analyses.items():
        if not truth[name]["causes"][0].startswith("lever_short"):
            continue
        if analysis.cable is not None:
            offset = analysis.cable.offset
            rows.append((offset.known(), offset.u or 0.0, truth[name]["cable_offset"]))
    if rows:
        values = np.array(rows)
        error = np.abs(values[:, 0] - values[:, 2])
        covered = np.mean(error <= 2 * values[:, 1])
        print(f"\ncable offset: {len(rows)}, median |error| {np.median(error):.2f} % of travel, "
              f"covered {covered:.1%}")  # fmt: skip


def print_verdicts(analyses: dict[str, Analysis], truth: dict[str, Any]) -> None:
    """Verdicts of good cars and of the others."""
    for title, good in (("good cars", True), ("cars with a cause", False)):
        picked = [n for n in analyses if (truth[n]["causes"][0] == "healthy") == good]
        verdicts = Counter(analyses[n].verdict for n in picked)
        print(f"\nverdicts, {title}: " + ", ".join(f"{v} {c}" for v, c in verdicts.most_common()))
        if good:
            failing = Counter(
                figure
                for n in picked
                for figure, judged in analyses[n].judged.items()
                if judged.verdict == "fail"
            )
            print("  failing figures: " + ", ".join(f"{f} {c}" for f, c in failing.most_common()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--worst", type=int, default=0, help="show the worst N of each figure")
    parser.add_argument("--no-baseline", action="store_true", help="judge by default limits")
    parser.add_argument("--only", default="", help="cars of this cause only")
    wanted = parser.parse_args()
    truth = json.loads((wanted.folder / "truth.json").read_text(encoding="utf-8"))["cars"]
    begin = time.perf_counter()
    baseline = None if wanted.no_baseline else load_baseline(wanted.folder / "baseline")
    analyses: dict[str, Analysis] = {}
    spent = 0.0
    for name, about in truth.items():
        if wanted.only and wanted.only not in about["causes"]:
            continue
        try:
            run = load_run(wanted.folder / "cars" / name)
        except LukewarmError as error:
            print(f"{name} ({about['causes'][0]} {about['detail']}) cannot be used: {error}")
            continue
        started = time.perf_counter()
        analyses[name] = analyze(run, baseline=baseline)
        spent += time.perf_counter() - started
    print(f"{len(analyses)} cars, {time.perf_counter() - begin:.1f} s in all, "
          f"{1000 * spent / max(len(analyses), 1):.0f} ms a car without loading\n")  # fmt: skip
    tallies = judge_figures(analyses, truth)
    tallies["fluct. in own window"] = own_window(analyses, truth, wanted.folder / "signals")
    print_figures(tallies, truth, wanted.worst)
    print_verdicts(analyses, truth)
    print_causes(analyses, truth)
    print_cable(analyses, truth)


if __name__ == "__main__":
    main()
