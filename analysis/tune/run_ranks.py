"""Verdicts of stored runs under other limits, and what no limit changes of them.

A run passes only where, besides all its figures, the readings do not point to a fault and no
moderate case of one could have stayed unseen (`analysis.run_verdict`). Neither follows from
limits, so that a run held up by them stays undecided under limits that all its figures keep.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.causes.engine import FAILS_SOUND
from analysis.causes.knowledge import NO_FAULT
from analysis.tune.joint.table import (
    FAIL,
    KEY,
    NOT_MEASURED,
    PASS,
    UNDECIDED,
    Indices,
    figure_ranks,
)
from analysis.verdict import SOUND
from ingest.arrays import Bools

if TYPE_CHECKING:
    import polars as pl


VERDICTS: Final = ("not measured", "pass", "undecided", "fail")
"""By rank."""


def ranks_under(rows: pl.DataFrame, bounds: pl.DataFrame) -> tuple[Indices, Bools]:
    """Verdict of every row as a rank in `VERDICTS`, and whether it likelier lies outside.

    Parameters
    ----------
    rows
        With ``value`` and ``u``, one row a run and figure.
    bounds
        ``low`` and ``high``, null where open, of the same height.
    """
    return figure_ranks(
        rows["value"].fill_null(np.nan).to_numpy(),
        rows["u"].fill_null(np.nan).to_numpy(),
        bounds["low"].fill_null(-np.inf).to_numpy(),
        bounds["high"].fill_null(np.inf).to_numpy(),
    )


def rank_of_run(which: str) -> pl.Expr:
    """Verdict of a row's run from those of its figures and from what else holds it up.

    Parameters
    ----------
    which
        Column of the figures' ranks; ``{which}_outside`` says which likelier lie outside and
        ``held`` which runs no limit lets pass.
    """
    import polars as pl

    rank = pl.col(which)
    holds_up = (rank == UNDECIDED) & (pl.col(f"{which}_outside") | (pl.col("figure") == KEY))
    measured = (rank > NOT_MEASURED).any()
    return (
        pl.when((rank == FAIL).any())
        .then(FAIL)
        .when(holds_up.any() | (measured & pl.col("held").any()))
        .then(UNDECIDED)
        .when(measured)
        .then(PASS)
        .otherwise(NOT_MEASURED)
        .over("run_id")
    )


def held_up(runs: pl.DataFrame, figures: pl.DataFrame) -> pl.DataFrame:
    """Runs that stay undecided whatever limits their figures keep: ``run_id, held``.

    A run is held up where its readings point to a fault, or make soundness less likely than not,
    and where it is undecided although every figure keeps the limits it was judged with. Of a run
    that failed by a figure nobody knows what it could not have seen; it is not held up.

    Parameters
    ----------
    runs, figures
        As `ingest.store.read` gives them.
    """
    import polars as pl

    told = pl.col("first_cause").is_not_null()
    failed, first = pl.col("verdict") == "fail", pl.col("first_probability")
    # without the limit that the run fails, its odds of being sound would be those before the fail
    enough = pl.when(failed).then(1.0 / (1.0 + FAILS_SOUND)).otherwise(0.0)
    sound = pl.col("first_cause") == NO_FAULT
    points = told & ((~sound & (first >= enough)) | (sound & ~failed & (first < SOUND)))
    rank, outside = ranks_under(figures, figures.select("low", "high"))
    under_own = figures.select(
        "run_id",
        "figure",
        pl.Series("own", rank),
        pl.Series("own_outside", outside),
        pl.lit(value=False).alias("held"),
    )
    keeps = under_own.select("run_id", (rank_of_run("own") == PASS).alias("keeps")).unique()
    undecided = (pl.col("verdict") == "undecided") & pl.col("keeps").fill_null(value=False)
    return (
        runs.select(pl.col("id").alias("run_id"), "verdict", "first_cause", "first_probability")
        .join(keeps, on="run_id", how="left", maintain_order="left")
        .select("run_id", (points | undecided).fill_null(value=False).alias("held"))
    )
