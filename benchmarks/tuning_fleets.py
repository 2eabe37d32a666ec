"""What tuned limits do to new cars of both simulators, beside the default limits.

    python benchmarks/tuning_fleets.py FOLDER [--cars 60 200 1000] [--repeats 5] [--wrong 0.0]
                                              [--bad 0.1] [--figures]

Fleets are drawn from the labelled cars in FOLDER (measured once by
`benchmarks/simulated_fleets.py`), a tenth of them bad unless `--bad` says otherwise; the new cars
are no part of them. What is to hold of each fleet is that no fewer new good cars pass, and no more
new bad ones, than by the default limits: how many fleets break that, and by how much at most, is
printed in the last line.
Costs 3 and 1, a test done again 0.3. With `--figures` the runs are judged by their figures alone:
what no limit changes (readings that point to a fault, causes that could not have been seen) is left
out, so that what is left is what limits do. Beside the tuned limits: logistic regression on the
same cars (scikit-learn), which knows no limits and no runs held up.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parent.parent))

from analysis.figures import all_figures
from analysis.limits import Limits, default_limits
from analysis.tune.joint.table import (
    FAIL,
    PASS,
    UNDECIDED,
    Table,
    bounds_of,
    fleet_table,
    verdicts_of,
)
from analysis.tune.labels import Label, Matched
from analysis.tune.run_ranks import held_up
from analysis.tune.search.choice import Costs
from analysis.tune.tuning import Options, Tuning, tune
from benchmarks.simulated_fleets import SIMULATORS, Part, part
from benchmarks.tuning_joint import peer

BAD_SHARE = 0.1
COSTS = Costs(3.0, 1.0, BAD_SHARE)
NAMES = tuple(each.name for each in all_figures() if each.bad is not None)


@dataclass(frozen=True)
class Fleet:
    """Labelled runs."""

    runs: pl.DataFrame
    figures: pl.DataFrame
    labels: Matched


def taken(of: Part, count: int, rng: np.random.Generator) -> pl.DataFrame:
    """So many runs of a part."""
    rows = np.sort(rng.choice(of.runs.height, count, replace=False))
    return of.runs[rows.tolist()]


def by_figures(of: Part) -> Part:
    """A part as if nothing but figures held its runs up."""
    plain = of.runs.with_columns(
        pl.lit("pass").alias("verdict"), pl.lit("healthy").alias("first_cause"),
        pl.lit(1.0).alias("first_probability"),
    )  # fmt: skip
    return Part(plain, of.figures)


def draw(
    good: Part, bad: Part, cars: int, wrong: float, seed: int, share: float = BAD_SHARE
) -> Fleet:
    """A labelled fleet, a share of it bad and a share of its labels wrong."""
    rng = np.random.default_rng(seed)
    n_bad = round(share * cars)
    runs = pl.concat([taken(good, cars - n_bad, rng), taken(bad, n_bad, rng)])
    figures = pl.concat([good.figures, bad.figures]).join(
        runs.select(pl.col("id").alias("run_id")), on="run_id", how="semi"
    )
    labels = {}
    for line, (run_id, cause) in enumerate(runs.select("id", "true_cause").iter_rows()):
        turned = bool(rng.random() < wrong)
        is_bad = (cause != "healthy") ^ turned
        known = cause if is_bad and cause != "healthy" else None
        labels[run_id] = Label(line, "run", run_id, is_bad, known, "benchmark", "2026-01-05")
    return Fleet(runs, figures, Matched(labels, (), 0))


def left(of: Part, fleet: Fleet) -> Part:
    """The cars of a part that are not in the fleet."""
    return Part(
        of.runs.join(fleet.runs, on="id", how="anti"),
        of.figures.join(fleet.runs.select(pl.col("id").alias("run_id")), on="run_id", how="anti"),
    )


def tuned(fleet: Fleet, seed: int) -> Tuning:
    """The command's work, without a store."""
    nothing = pl.DataFrame(schema={"run_id": pl.String, "cause": pl.String,
                                   "probability": pl.Float64})  # fmt: skip
    return tune(fleet.runs, fleet.figures, nothing, fleet.labels, default_limits(),
                Options(COSTS, seed=seed))  # fmt: skip


def laid_out(of: Part, bad: pl.Expr) -> Table:
    """Runs as arrays; `bad` says which count as bad."""
    about = of.runs.select(
        pl.col("id").alias("run_id"), "vehicle", pl.col("family").fill_null(""), "heater",
        "ambient_degC", bad.alias("bad"), pl.col("true_cause").alias("cause"),
    )  # fmt: skip
    about = about.join(held_up(of.runs, of.figures), on="run_id", how="left",
                       maintain_order="left")  # fmt: skip
    values = of.figures.filter(pl.col("value").is_finite() & pl.col("u").is_finite())
    return fleet_table(about, values, NAMES)


def counted(found: np.ndarray) -> np.ndarray:
    """Shares of runs that pass, stay undecided and fail."""
    return np.array([(found == rank).mean() for rank in (PASS, UNDECIDED, FAIL)])


def shares(new: Part, limits: Limits) -> np.ndarray:
    """Shares of new cars that pass, stay undecided and fail."""
    table = laid_out(new, pl.col("true_cause") != "healthy")
    return counted(verdicts_of(table, *bounds_of(table, limits)))


def by_peer(fleet: Fleet, new: Part) -> np.ndarray:
    """The same by logistic regression on the fleet (see `benchmarks/tuning_joint.py`)."""
    labels = {run_id: label.bad for run_id, label in fleet.labels.by_run.items()}
    known = Part(fleet.runs, fleet.figures)
    taught = laid_out(known, pl.col("id").replace_strict(labels, return_dtype=pl.Boolean))
    return counted(peer(taught, laid_out(new, pl.col("true_cause") != "healthy")))


def cost(good: np.ndarray, bad: np.ndarray) -> float:
    """Expected cost a car."""
    missed = BAD_SHARE * (COSTS.missed * bad[0] + COSTS.again * bad[1])
    return float(missed + (1.0 - BAD_SHARE) * (COSTS.needless * good[2] + COSTS.again * good[1]))


def line(name: str, good: np.ndarray, bad: np.ndarray, aside: str = "") -> None:
    """One line of the table."""
    print(
        f"  {name:24s} good: {100 * good[0]:5.1f} % pass {100 * good[1]:4.1f} undecided "
        f"{100 * good[2]:4.1f} fail   bad: {100 * bad[0]:5.1f} % missed {100 * bad[1]:4.1f} "
        f"undecided {100 * bad[2]:5.1f} found   cost {cost(good, bad):.4f}{aside}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cars", type=int, nargs="*", default=[60, 200, 1000])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--wrong", type=float, default=0.0, help="share of wrong labels")
    parser.add_argument("--bad", type=float, default=BAD_SHARE, help="share of bad labelled cars")
    parser.add_argument("--figures", action="store_true", help="by the figures alone")
    parser.add_argument("--only", choices=SIMULATORS)
    told = parser.parse_args()
    for simulator in SIMULATORS if told.only is None else (told.only,):
        one = {name: part(told.folder, simulator, name)
               for name in ("labelled-good", "labelled-bad", "new-good", "new-bad")}  # fmt: skip
        if told.figures:
            one = {name: by_figures(each) for name, each in one.items()}
        news = one["new-good"], one["new-bad"]
        print(f"{simulator}: {news[0].runs.height} new good cars, {news[1].runs.height} new bad")
        default = [shares(new, default_limits()) for new in news]
        line("default limits", *default)
        for cars in told.cars:
            found, spent, covered, peers = [], [], [], []
            for turn in range(told.repeats):
                fleet = draw(one["labelled-good"], one["labelled-bad"], cars, told.wrong, turn,
                             told.bad)  # fmt: skip
                start = time.perf_counter()
                result = tuned(fleet, turn)
                spent.append(time.perf_counter() - start)
                found.append([shares(new, result.limits) for new in news])
                peers.append([by_peer(fleet, new) for new in news])
                if result.together is not None and result.together.taken:
                    # new bad cars are moderate only, labelled ones up to severe
                    rest = [news[0], left(one["labelled-bad"], fleet)]
                    true = [shares(new, result.limits) for new in rest]
                    kinds = result.together.tuned.good, result.together.tuned.bad
                    covered.append([
                        each.low <= share <= each.high
                        for kind, new in zip(kinds, true, strict=True)
                        for each, share in zip(
                            (kind.passed, kind.undecided, kind.failed), new, strict=True)
                    ])  # fmt: skip
            mean = np.mean(found, axis=0)
            worst = np.min(np.array(found)[:, 0, 0]), np.max(np.array(found)[:, 0, 2])
            line(
                f"tuned on {cars} cars",
                *mean,
                f"   worst of {told.repeats}: "
                f"{100 * worst[0]:.1f} % pass {100 * worst[1]:.1f} fail; {np.mean(spent):.1f} s",
            )
            line(f"  logistic regression, {cars}", *np.mean(peers, axis=0))
            passes, missed = (np.array(found)[:, k, 0] - default[k][0] for k in (0, 1))
            fewer, more = int((passes < 0).sum()), int((missed > 0).sum())
            print(f"    fewer good cars pass than by the default limits in {fewer} of "
                  f"{told.repeats} fleets ({100 * passes.min():+.1f} % at worst), more bad ones in "
                  f"{more} ({100 * missed.max():+.1f} %)", flush=True)  # fmt: skip
            if covered:
                held = " ".join(f"{100 * each:.0f}" for each in np.mean(covered, axis=0))
                print("    intervals hold the shares of new good and undrawn bad cars (pass "
                      f"undecided fail, good then bad): {held} % of {len(covered)}")  # fmt: skip


if __name__ == "__main__":
    main()
