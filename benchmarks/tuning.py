"""How good tuned limits are where the truth is known, and how fast.

    python benchmarks/tuning.py                     everything
    python benchmarks/tuning.py truth --cars 200    one part

truth   fleets of known distributions: excess of the expected cost over the true optimum's, coverage
        of the stated intervals (limit, detection, false alarm, cost, area), and what 5 % of wrong
        labels do to the limit
shares  how often the intervals of the joint shares hold the truth, 5 % of the labels wrong
speed   10,000 runs and 15 figures, cross-validation and intervals included; the sliders
same    the same store, labels and seed twice: the limits files' bytes
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from analysis.limits import default_limits
from analysis.statistics.roc import roc
from analysis.tune.joint.shares import Counted, span
from analysis.tune.joint.together import FEWEST_BAD
from analysis.tune.labels import match, parse_labels
from analysis.tune.limits_file import limits_text
from analysis.tune.search.choice import WRONG_SHARE, Cases, Costs, choose, least_cost_limit
from analysis.tune.search.held_out import held_out
from analysis.tune.search.trial import attempt
from analysis.tune.stored import tune_store
from analysis.tune.tuning import tune
from dashboard.pages.tuning import Tried, answers, trial_of
from ingest.store.store import Store
from tests.support.tune_fleet import SHAPES, best_limit, draw_cars, draw_fleet, fill_store

MISSED, NEEDLESS, BAD_SHARE = 3.0, 1.0, 0.25


def true_area(good, bad) -> float:
    at = np.linspace(-30.0, 60.0, 40001)
    return float(np.sum(np.diff(bad.cdf(at)) * 0.5 * (good.cdf(at[1:]) + good.cdf(at[:-1]))))


def truth(cars: int, repeats: int, wrong_share: float) -> None:
    head = (
        "excess cost: mean   90 %   intervals cover: limit  finds  fails  cost   area   "
        "wrong labels: beyond width"
    )
    print(f"{cars} labelled cars, {100 * wrong_share:g} % of labels wrong, {repeats} fleets a "
          f"shape\n{'':30s}{head}")  # fmt: skip
    means, totals = [], []
    for number, (name, shape) in enumerate(SHAPES.items()):
        good, bad = shape
        best, cost = best_limit(shape, BAD_SHARE, MISSED, NEEDLESS)
        area = true_area(good, bad)
        excess, inside, wild = [], np.zeros(5), 0
        for turn in range(repeats):
            rng = np.random.default_rng([number, cars, turn])
            score, label = draw_cars(shape, cars, BAD_SHARE, rng)
            label[rng.choice(cars, round(wrong_share * cars), replace=False)] ^= True
            cases = Cases(score, np.zeros(cars), label, np.arange(cars))
            costs = Costs(MISSED, NEEDLESS)
            choice = choose(cases, costs, seed=turn)
            held = held_out(score, label, choice, costs)
            curve = roc(score[~label], score[label])
            limit = choice.limit
            excess.append(cost(limit) / cost(best) - 1.0)
            share = BAD_SHARE if wrong_share else choice.bad_share
            finds, fails = 1.0 - float(bad.cdf(limit)), 1.0 - float(good.cdf(limit))
            paid = share * MISSED * (1.0 - finds) + (1.0 - share) * NEEDLESS * fails
            inside += (
                choice.interval[0] <= best <= choice.interval[1],
                held.detection.low <= finds <= held.detection.high,
                held.false_alarm.low <= fails <= held.false_alarm.high,
                held.cost_low <= paid <= held.cost_high,
                curve.auc_low <= area <= curve.auc_high,
            )
            wrong = label.copy()
            wrong[rng.choice(cars, round(0.05 * cars), replace=False)] ^= True
            if min(wrong.sum(), (~wrong).sum()) >= 2:
                again = least_cost_limit(Cases(score, cases.noise, wrong, cases.car), costs)
                wild += abs(again - limit) > choice.interval[1] - choice.interval[0]
        covers = " ".join(f"{100 * each / repeats:5.1f}%" for each in inside)
        print(
            f"{name:30s}{100 * np.mean(excess):17.1f}% {100 * np.quantile(excess, 0.9):5.1f}%"
            f"{'':16s}{covers}{'':10s}{100 * wild / repeats:.1f}%",
            flush=True,
        )
        means.append(np.mean(excess))
        totals.append(inside / repeats)
    every = " ".join(f"{100 * each:5.1f}%" for each in np.mean(totals, axis=0))
    print(f"{'all':30s}{100 * np.mean(means):17.1f}%{'':23s}{every}", flush=True)


def shares(repeats: int, wrong: float) -> None:
    """Two tests, one that finds most bad cars and one that finds half, on labelled cars."""
    print(f"joint shares, {100 * wrong:g} % of labels wrong, {repeats} fleets each")
    for cars, bad_share in ((60, 0.1), (200, 0.1), (200, 0.2), (1000, 0.1)):
        held, drawn = np.zeros((2, 2)), 0
        for turn in range(repeats):
            rng = np.random.default_rng([cars, int(100 * bad_share), turn])
            bad = rng.random(cars) < bad_share
            label = bad ^ (rng.random(cars) < wrong)
            if label.sum() < FEWEST_BAD:
                continue
            drawn += 1
            for at, true in enumerate(((0.03, 0.85), (0.15, 0.5))):
                fails = rng.random(cars) < np.where(bad, true[1], true[0])
                counts = [Counted(float(fails[of].sum()), int(of.sum())) for of in (~label, label)]
                for kind, share in enumerate(span(*counts, wrong)):
                    held[at, kind] += share.low <= true[kind] <= share.high
        covers = " ".join(f"{100 * each:.1f} %" for each in (held / drawn).ravel())
        print(f"{cars} cars, {100 * bad_share:g} % bad: intervals of good and bad cars hold the "
              f"shares failed, 3 and 85 %, then 15 and 50 %, in {covers}", flush=True)  # fmt: skip


def speed() -> None:
    fleet = draw_fleet(10_000, 1)
    labels = match(parse_labels(fleet.labels, ("low_core_flow",)), fleet.runs)
    start, used = time.perf_counter(), time.process_time()
    tune(fleet.runs, fleet.figures, fleet.causes, labels, default_limits())
    print(
        f"10,000 runs, 15 figures, 1 cause, study: {time.perf_counter() - start:.1f} s "
        f"({time.process_time() - used:.1f} s of processor time)"
    )

    class Source:
        store = None

        def runs(self):
            return fleet.runs

        def figures(self, names=None):
            return fleet.figures

    class Board:
        source = Source()

    trial, told = trial_of(Board(), "steady_outlet_rise", "any")  # type: ignore[arg-type]
    times = []
    for limit in np.linspace(trial.low, trial.high, 50):
        start = time.perf_counter()
        answers(Tried(trial, attempt(trial, float(limit), 3.0, 1.0, 0.1), 3.0, told), "si")
        times.append(time.perf_counter() - start)
    print(
        f"a slider's answer on 10,000 runs: {1000 * np.median(times):.0f} ms in the median, "
        f"{1000 * max(times):.0f} ms at the most"
    )


def same() -> None:
    fleet = draw_fleet(60, 2, runs_a_car=2)
    texts = []
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(2):
            place = Path(folder) / str(turn)
            fill_store(fleet, place)
            store = Store.open(place)
            texts.append(limits_text(tune_store(store, fleet.labels)[0].limits))
            store.close()
    print("two stores, two tunings, the same bytes:", texts[0].encode() == texts[1].encode())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", nargs="?", choices=["truth", "shares", "speed", "same"])
    parser.add_argument("--cars", type=int, nargs="*", default=[200, 40])
    parser.add_argument("--repeats", type=int, default=200)
    parser.add_argument("--wrong", type=float, default=0.0, help="share of wrong labels")
    told = parser.parse_args()
    if told.part in (None, "same"):
        same()
    if told.part in (None, "shares"):
        shares(told.repeats, WRONG_SHARE)
    if told.part in (None, "speed"):
        speed()
    if told.part in (None, "truth"):
        for cars in told.cars:
            truth(cars, told.repeats, told.wrong)


if __name__ == "__main__":
    main()
