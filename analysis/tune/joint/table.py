"""Labelled runs as arrays: one row a run, one column a figure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.limits import Limits, limits_for
from analysis.verdict import CONFORMANCE, GUARD
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

Indices = NDArray[np.intp]

KEY: Final = "steady_outlet_rise"
"""What the complaint is about: undecided here, the run is undecided."""

NOT_MEASURED, PASS, UNDECIDED, FAIL = range(4)
"""Verdicts by rank, as `analysis.tune.run_ranks.VERDICTS`."""


@dataclass(frozen=True)
class Table:
    """Labelled runs.

    Parameters
    ----------
    names
        The figures, length J.
    run_id
        Shape (n,).
    car, cars
        Number of the vehicle of each run, shape (n,), and how many vehicles there are.
    family, families
        Number of the family of each run, shape (n,), and the names.
    heater
        Layout of each run, shape (n,).
    bad
        Labels, shape (n,).
    cause
        Confirmed cause, empty where there is none, shape (n,).
    ambient
        Outside temperature, °C, NaN where not logged, shape (n,).
    value, u
        Figures and their standard uncertainties, NaN where not measured, shape (n, J).
    held
        Runs that no limit lets pass (see `analysis.tune.run_ranks`), shape (n,).
    """

    names: tuple[str, ...]
    run_id: NDArray[np.str_]
    car: Indices
    cars: int
    family: Indices
    families: tuple[str, ...]
    heater: NDArray[np.str_]
    bad: Bools
    cause: NDArray[np.str_]
    ambient: Floats
    value: Floats
    u: Floats
    held: Bools

    @property
    def weight(self) -> Floats:
        """Each car and label counts once however often it was measured; sums to 1 in a class."""
        case = self.car * 2 + self.bad
        share = 1.0 / np.bincount(case)[case]
        bad = float(share[self.bad].sum())
        return np.where(self.bad, share / max(bad, 1.0), share / max(float(share.sum()) - bad, 1.0))


def fleet_table(about: pl.DataFrame, values: pl.DataFrame, names: tuple[str, ...]) -> Table:
    """Lay labelled runs out.

    Parameters
    ----------
    about
        One row a labelled run: ``run_id, vehicle, family, heater, ambient_degC, bad, cause,
        held``.
    values
        ``run_id, figure, value, u``, finite, of these runs.
    names
        The figures wanted.
    """
    import polars as pl

    run_id = about["run_id"].to_numpy().astype(np.str_)
    row = {name: at for at, name in enumerate(run_id.tolist())}
    column = {name: at for at, name in enumerate(names)}
    kept = values.filter(pl.col("figure").is_in(names))
    at = (
        np.array([row[each] for each in kept["run_id"].to_list()], dtype=np.intp),
        np.array([column[each] for each in kept["figure"].to_list()], dtype=np.intp),
    )
    value = np.full((run_id.size, len(names)), np.nan)
    u = np.full_like(value, np.nan)
    value[at] = kept["value"].to_numpy()
    u[at] = kept["u"].fill_null(0.0).to_numpy()
    vehicles, car = np.unique(about["vehicle"].to_numpy().astype(np.str_), return_inverse=True)
    families, family = np.unique(about["family"].to_numpy().astype(np.str_), return_inverse=True)
    return Table(
        names, run_id, car, vehicles.size, family, tuple(families.tolist()),
        about["heater"].to_numpy().astype(np.str_), about["bad"].to_numpy(),
        about["cause"].to_numpy().astype(np.str_),
        about["ambient_degC"].cast(pl.Float64).fill_null(np.nan).to_numpy(), value, u,
        about["held"].to_numpy(),
    )  # fmt: skip


def bounds_of(table: Table, limits: Limits) -> tuple[Floats, Floats]:
    """Low and high bound of every run and figure, infinite where open, shape (n, J) each."""
    low = np.full(table.value.shape, -np.inf)
    high = np.full(table.value.shape, np.inf)
    for family, name in enumerate(table.families):
        for heater in np.unique(table.heater[table.family == family]):
            rows = (table.family == family) & (table.heater == heater)
            for figure, limit in limits_for(limits, name or None, str(heater)).items():
                if figure in table.names:
                    at = table.names.index(figure)
                    low[rows, at] = -np.inf if limit.low is None else limit.low
                    high[rows, at] = np.inf if limit.high is None else limit.high
    return low, high


def figure_ranks(value: Floats, u: Floats, low: Floats, high: Floats) -> tuple[Indices, Bools]:
    """Verdict of every figure by the rule of `analysis.verdict.judge_one`.

    Parameters
    ----------
    value, u
        NaN where not measured, any shape.
    low, high
        Bounds, infinite where open, same shape.

    Returns
    -------
    ndarray
        Ranks; a figure without a limit or a value is not measured.
    ndarray
        Whether it more likely lies beyond its limits than within.
    """
    from scipy.special import ndtr

    known = np.isfinite(value) & np.isfinite(u) & (np.isfinite(low) | np.isfinite(high))
    with np.errstate(invalid="ignore", divide="ignore"):
        beyond = np.maximum(low - value, value - high)
        inside = np.where(
            u > 0.0, ndtr((high - value) / u) - ndtr((low - value) / u), beyond <= 0.0
        )
        fails = (beyond > 0.0) & (beyond >= GUARD * u)
    rank = np.where(fails, FAIL, np.where(inside >= CONFORMANCE, PASS, UNDECIDED))
    rank = np.where(known, rank, NOT_MEASURED)
    return np.asarray(rank, dtype=np.intp), np.asarray(known & (inside < 0.5))


def run_ranks(ranks: Indices, outside: Bools, key: int | None, held: Bools) -> Indices:
    """Verdict of every run from those of its figures (`analysis.verdict.overall`).

    Parameters
    ----------
    ranks, outside
        From `figure_ranks`, shape (n, J).
    key
        Column of the figure the complaint is about; None where it is not among them.
    held
        Runs that no limit lets pass, shape (n,).
    """
    holds_up = outside.copy()
    if key is not None:
        holds_up[:, key] = True
    fails = (ranks == FAIL).any(axis=1)
    measured = (ranks > NOT_MEASURED).any(axis=1)
    undecided = ((ranks == UNDECIDED) & holds_up).any(axis=1) | (measured & held)
    return np.select([fails, undecided, measured], [FAIL, UNDECIDED, PASS], NOT_MEASURED)


def verdicts_of(table: Table, low: Floats, high: Floats) -> Indices:
    """Verdict of every run of a table under bounds."""
    key = table.names.index(KEY) if KEY in table.names else None
    return run_ranks(*figure_ranks(table.value, table.u, low, high), key, table.held)
