"""Labelled fleets whose best limit is known, as the tables a store gives."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import stats

from analysis.figures import all_figures, bad_side
from ingest.arrays import Floats

FAMILIES = ("Plover", "Dunlin", "Curlew", "Avocet", "Knot", "Turnstone")
FIGURES = tuple(each.name for each in all_figures() if each.bad in ("low", "high"))[:15]


@dataclass(frozen=True)
class Class:
    """Distribution of one class of cars, a mixture of scipy distributions."""

    parts: tuple[stats.rv_continuous, ...]
    weights: tuple[float, ...] = (1.0,)

    def cdf(self, at: Floats) -> Floats:
        return sum(w * part.cdf(at) for w, part in zip(self.weights, self.parts, strict=True))

    def draw(self, n: int, rng: np.random.Generator) -> Floats:
        which = rng.choice(len(self.parts), n, p=self.weights)
        drawn = [part.rvs(size=n, random_state=rng) for part in self.parts]
        return np.choose(which, drawn)


def one(part: stats.rv_continuous) -> Class:
    return Class((part,))


SHAPES: dict[str, tuple[Class, Class]] = {
    "normal": (one(stats.norm(0, 1)), one(stats.norm(2.5, 1))),
    "unequal variances": (one(stats.norm(0, 1)), one(stats.norm(3, 2))),
    "lognormal": (one(stats.lognorm(0.5)), one(stats.lognorm(0.5, scale=3.5))),
    "skewed bad": (one(stats.norm(0, 1)), one(stats.gamma(2, loc=0.5, scale=1.4))),
    "skewed good": (one(stats.gamma(2, scale=0.7)), one(stats.norm(4, 1.2))),
    "heavy tails": (one(stats.t(4)), one(stats.norm(3, 1))),
    "a fifth of the bad look good": (
        one(stats.norm(0, 1)),
        Class((stats.norm(0, 1), stats.norm(3.5, 1)), (0.2, 0.8)),
    ),
    "slight and severe": (
        one(stats.norm(0, 1)),
        Class((stats.norm(2, 0.7), stats.norm(5, 1.5)), (0.5, 0.5)),
    ),
    "weak": (one(stats.norm(0, 1)), one(stats.norm(1.2, 1.2))),
}
"""Good and bad, larger is worse."""


def best_limit(
    shape: tuple[Class, Class], bad_share: float, missed: float, needless: float
) -> tuple[float, Callable[[float], float]]:
    """The true optimum by a dense search, and the true expected cost of any limit."""
    good, bad = shape

    def cost(limit: Floats) -> Floats:
        return bad_share * missed * bad.cdf(limit) + (1 - bad_share) * needless * (
            1 - good.cdf(limit)
        )

    limits = np.linspace(-5.0, 12.0, 8501)
    return float(limits[cost(limits).argmin()]), lambda limit: float(cost(np.array(limit)))


def draw_cars(
    shape: tuple[Class, Class], n: int, bad_share: float, rng: np.random.Generator
) -> tuple[Floats, NDArray[np.bool_]]:
    """Scores and labels of n cars, at least three of a kind."""
    bad = min(max(3, int(rng.binomial(n, bad_share))), n - 3)
    score = np.concatenate([shape[0].draw(n - bad, rng), shape[1].draw(bad, rng)])
    return score, np.arange(n) >= n - bad


@dataclass(frozen=True)
class Fleet:
    """Tables of a store, and labels."""

    runs: pl.DataFrame
    figures: pl.DataFrame
    causes: pl.DataFrame
    labels: str


def draw_fleet(
    cars: int,
    seed: int,
    *,
    runs_a_car: int = 1,
    names: tuple[str, ...] = FIGURES,
    bad_share: float = 0.25,
    labelled: float = 1.0,
    distance: float = 3.0,
    family_sd: float = 1.0,
) -> Fleet:
    """Cars of six families, bad ones worse by `distance` standard deviations in every figure."""
    rng = np.random.default_rng(seed)
    is_bad = rng.random(cars) < bad_share
    family = rng.integers(0, len(FAMILIES), cars)
    car = np.repeat(np.arange(cars), runs_a_car)
    n = car.size
    ids = [hashlib.sha256(f"{seed} {each}".encode()).hexdigest() for each in range(n)]
    runs = pl.DataFrame(
        {
            "id": ids,
            "name": [f"run-{each:05d}" for each in range(n)],
            "vehicle": [f"SC-{each:05d}" for each in car],
            "family": [FAMILIES[family[each]] for each in car],
            "heater": ["blend-air"] * n,
            "purpose": ["complaint" if is_bad[each] else "road-test" for each in car],
            "plant": [None] * n,
            "operator": [f"operator {each % 3}" for each in range(n)],
            "logger": [f"set {each % 2}" for each in range(n)],
            "started": [datetime(2026, 1, 14, tzinfo=UTC)] * n,
            "duration_s": [1500.0] * n,
            "ambient_degC": rng.normal(-5.0, 6.0, n),
            "verdict": ["pass"] * n,
            "first_cause": ["healthy"] * n,
            "first_probability": [0.9] * n,
        },
        schema_overrides={"plant": pl.String},
    )
    tables = []
    for name in names:
        sign = -1.0 if bad_side(name) == "low" else 1.0
        level = rng.normal(0.0, family_sd, len(FAMILIES))[family]
        true = 50.0 + sign * 5.0 * (level + rng.normal(0, 1, cars) + distance * is_bad)
        tables.append(
            pl.DataFrame(
                {
                    "run_id": ids,
                    "figure": [name] * n,
                    "value": true[car] + rng.normal(0.0, 0.8, n),
                    "u": [1.0] * n,
                    "random": [0.8] * n,
                    "unit": ["K"] * n,
                    "verdict": ["pass"] * n,
                    "low": [None] * n,
                    "high": [None] * n,
                },
                schema_overrides={"low": pl.Float64, "high": pl.Float64},
            )
        )
    likely = 1.0 / (1.0 + np.exp(-rng.normal(np.where(is_bad[car], 1.5, -1.5), 1.0)))
    causes = pl.concat(
        [
            pl.DataFrame({"run_id": ids, "cause": ["low_core_flow"] * n, "probability": likely}),
            pl.DataFrame({"run_id": ids, "cause": ["healthy"] * n, "probability": 1.0 - likely}),
        ]
    )
    lines = ["car,label,cause,source,date"]
    for each in range(round(labelled * cars)):
        word = "bad,low_core_flow" if is_bad[each] else "good,"
        lines.append(f"SC-{each:05d},{word},workshop 12,2026-02-{1 + each % 28:02d}")
    return Fleet(runs, pl.concat(tables), causes, "\n".join(lines) + "\n")


def fill_store(fleet: Fleet, folder: Path) -> None:
    """Put a fleet's tables into a new store, without raw files."""
    from sqlalchemy.orm import Session

    from ingest.store.catalog import FigureRow, ResultRow, RunRow
    from ingest.store.store import Store

    store = Store.open(folder)
    now = datetime(2026, 3, 1, tzinfo=UTC)
    likely: dict[str, list[dict[str, object]]] = {}
    for run_id, cause, probability in fleet.causes.iter_rows():
        likely.setdefault(run_id, []).append({"cause": cause, "probability": probability})
    with Session(store.engine) as session, session.begin():
        for row in fleet.runs.iter_rows(named=True):
            told = ("verdict", "first_cause", "first_probability")
            result = {name: row.pop(name) for name in told}
            session.add(RunRow(**row, readings=0, readings_sha256="0" * 64, added=now))
            session.flush()
            session.add(
                ResultRow(
                    run_id=row["id"],
                    code_version="1", definitions_version="1", limits_version="1",
                    document={"causes": likely.get(row["id"], [])}, kept=None, computed=now,
                    **result,
                )
            )  # fmt: skip
        session.flush()
        session.add_all(
            FigureRow(**row, place=place)
            for place, row in enumerate(fleet.figures.iter_rows(named=True))
        )
    store.close()
