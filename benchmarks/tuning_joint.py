"""Limits tuned together where the truth is known: cost on new cars against the best there is.

    python benchmarks/tuning_joint.py [--cars 60 200 1000] [--repeats 20] [--seed 0]

Three normal figures, two causes that show in one figure each, a tenth of the cars bad, no limit in
force that anything reaches. The best is found by a dense search on 60,000 new cars; it knows what
the labelled cars cannot tell. Beside it a peer that knows as little: logistic regression with a
ridge chosen by cross-validation (scikit-learn) on the same cars, which passes, fails or sends back
by least expected cost.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from sklearn.impute import SimpleImputer
from sklearn.linear_model import LogisticRegressionCV
from sklearn.model_selection import StratifiedKFold
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

sys.path.insert(0, str(Path(__file__).parent.parent))

from analysis.limits import Limit, Limits
from analysis.tune.joint.fit import problem_of, sides_of
from analysis.tune.joint.table import FAIL, PASS, UNDECIDED, Table, verdicts_of
from analysis.tune.joint.together import tune_together
from analysis.tune.search.choice import Costs
from analysis.verdict import GUARD

NAMES = ("cold_end_rise", "coolant_drop", "vacuum_decay")
COSTS = Costs(3.0, 1.0, 0.1)
OUT_OF_REACH = 50.0


def draw(cars: int, rng: np.random.Generator, share: float) -> Table:
    """Labelled cars, measured once."""
    bad = np.arange(cars) < round(share * cars)
    cause = np.where(rng.random(cars) < 0.5, "a", "b")
    value = rng.normal(0.0, 1.0, (cars, 3))
    value[:, 0] += np.where(bad & (cause == "a"), rng.normal(4.0, 1.2, cars), 0.0)
    value[:, 1] += np.where(bad & (cause == "b"), rng.normal(3.5, 1.0, cars), 0.0)
    number = np.arange(cars)
    return Table(
        NAMES, number.astype(str), number, cars, np.zeros(cars, dtype=np.intp), ("",),
        np.full(cars, "blend-air"), bad, np.where(bad, cause, ""), np.full(cars, np.nan),
        value, np.full((cars, 3), 0.2), np.zeros(cars, dtype=bool),
    )  # fmt: skip


def cost(new: Table, high: np.ndarray) -> float:
    """Expected cost a new car under upper limits."""
    low = np.full(new.value.shape, -np.inf)
    return cost_of(new, verdicts_of(new, low, np.broadcast_to(high, new.value.shape)))


def cost_of(new: Table, found: np.ndarray) -> float:
    """Expected cost a new car from the verdicts."""
    good, bad = found[~new.bad], found[new.bad]
    of_bad = COSTS.missed * (bad == PASS).mean() + COSTS.again * (bad == UNDECIDED).mean()
    of_good = COSTS.needless * (good == FAIL).mean() + COSTS.again * (good == UNDECIDED).mean()
    return float(0.1 * of_bad + 0.9 * of_good)


def peer(table: Table, new: Table) -> np.ndarray:
    """Verdicts on new cars by logistic regression on the labelled ones."""
    folds = StratifiedKFold(min(5, int(table.bad.sum())), shuffle=True, random_state=0)
    model = make_pipeline(
        SimpleImputer(strategy="median", keep_empty_features=True),
        StandardScaler(),
        LogisticRegressionCV(
            Cs=np.logspace(-3.0, 3.0, 13), cv=folds, scoring="neg_log_loss",
            l1_ratios=(0.0,), use_legacy_attributes=False,
        ),
    )  # fmt: skip
    bad = model.fit(table.value, table.bad).predict_proba(new.value)[:, 1]
    costs = np.stack(
        [COSTS.missed * bad, np.full(bad.size, COSTS.again), COSTS.needless * (1.0 - bad)]
    )
    return np.array([PASS, UNDECIDED, FAIL])[costs.argmin(axis=0)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cars", type=int, nargs="*", default=[60, 200, 1000])
    parser.add_argument("--repeats", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0, help="other fleets for each seed")
    told = parser.parse_args()
    wide = Limits("a", "b", "c", "d", {name: Limit(None, OUT_OF_REACH, "x") for name in NAMES})
    new = draw(60_000, np.random.default_rng(99), 0.5)
    steps = np.arange(1.6, 3.4, 0.1)
    best, *at = min((cost(new, np.array([x, y, OUT_OF_REACH])), x, y) for x in steps for y in steps)
    print(f"best: cost {best:.4f} at {at[0]:.1f} and {at[1]:.1f}", flush=True)
    for cars in told.cars:
        excess, peers, taken, inside, limits = [], [], 0, 0, 0
        for turn in range(told.repeats):
            table = draw(cars, np.random.default_rng([cars, turn, told.seed]), 0.1)
            problem = problem_of(table, sides_of({}, NAMES), wide, COSTS, GUARD)
            found = tune_together(problem, turn, 0.05)
            high = np.full(3, OUT_OF_REACH)
            if found is not None:
                taken += found.taken
                for k, level in enumerate(found.fitted.levels):
                    if level is not None and found.fitted.tuned[k]:
                        high[k] = level.bounds(float(found.fitted.distance[k]))[0]
                        if k < 2:
                            limits += 1
                            inside += abs(high[k] - at[k]) <= found.half[k]
            excess.append(cost(new, high) / best - 1.0)
            peers.append(cost_of(new, peer(table, new)) / best - 1.0)
        print(
            f"{cars} cars: excess cost mean {100 * np.mean(excess):.1f} %, median "
            f"{100 * np.median(excess):.1f} % (logistic regression {100 * np.mean(peers):.1f} and "
            f"{100 * np.median(peers):.1f} %), taken {taken} of {told.repeats}; intervals hold the "
            f"best limit {inside} of {limits}",
            flush=True,
        )


if __name__ == "__main__":
    main()
