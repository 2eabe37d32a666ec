"""What proposed limits would change over a whole store, against those that were in force."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.limits import Limits, limits_for
from analysis.tune.labels import Matched
from analysis.verdict import CONFORMANCE, GUARD

if TYPE_CHECKING:
    import polars as pl


VERDICTS: Final = ("not measured", "pass", "undecided", "fail")
"""By rank: a run has the worst verdict of its figures that have a limit."""

SHOWN: Final = 3
"""Figures named as the reason of a change."""


@dataclass(frozen=True)
class Changed:
    """A run whose verdict changes.

    Parameters
    ----------
    run_id, vehicle, family
        Which.
    before, after
        Verdict of the run.
    why
        The figures behind it, in words.
    label
        ``good``, ``bad`` or empty.
    effect
        ``claim avoided``, ``comeback risked``, ``needless repair``, ``needless repair avoided``
        where a label says so, else empty.
    """

    run_id: str
    vehicle: str
    family: str
    before: str
    after: str
    why: str
    label: str
    effect: str


def changes(
    runs: pl.DataFrame,
    figures: pl.DataFrame,
    new: Limits,
    matched: Matched,
    old: Limits | None = None,
) -> list[Changed]:
    """Runs that change sides, those with a known effect first.

    Parameters
    ----------
    runs, figures
        As `ingest.store.read` gives them.
    new
        The proposed limits.
    matched
        Labels, where there are any.
    old
        The limits before; None takes for every run those it was judged with.
    """
    import polars as pl

    rows = figures.join(
        runs.select(pl.col("id").alias("run_id"), "vehicle", "family", "heater"), on="run_id"
    ).with_columns(pl.col("family").fill_null(""))
    after = _bounds(rows, new)
    before = _bounds(rows, old) if old is not None else rows.select("low", "high")
    rows = rows.with_columns(
        pl.Series("before", _ranks(rows, before)),
        pl.Series("after", _ranks(rows, after)),
        before["low"].alias("low_before"),
        before["high"].alias("high_before"),
        after["low"].alias("low_after"),
        after["high"].alias("high_after"),
    )
    # the run's verdict is that of its worst figure, and only the figures that made it are named
    moved = (
        rows.with_columns(
            pl.col("before").max().over("run_id").alias("run_before"),
            pl.col("after").max().over("run_id").alias("run_after"),
        )
        .filter(
            (pl.col("run_before") != pl.col("run_after")) & (pl.col("before") != pl.col("after"))
        )
        .sort("run_id", "figure")
    )
    found = [
        _changed(run_id, list(group), matched)
        for run_id, group in groupby(moved.iter_rows(named=True), key=lambda row: row["run_id"])
    ]
    return sorted(found, key=lambda each: (not each.effect, each.effect, each.vehicle, each.run_id))


def _changed(run_id: str, rows: list[dict[str, Any]], matched: Matched) -> Changed:
    """A run from its figures whose verdicts change."""
    first = rows[0]
    sides = VERDICTS[first["run_before"]], VERDICTS[first["run_after"]]
    label = matched.by_run.get(run_id)
    word = "" if label is None else ("bad" if label.bad else "good")
    worst = max(first["run_before"], first["run_after"])
    reasons = [_reason(row) for row in rows if max(row["before"], row["after"]) >= worst]
    more = f"; and {len(reasons) - SHOWN} more" if len(reasons) > SHOWN else ""
    return Changed(
        run_id,
        first["vehicle"],
        first["family"],
        *sides,
        "; ".join(reasons[:SHOWN]) + more,
        word,
        effect_of(word, *sides),
    )


def _bounds(rows: pl.DataFrame, limits: Limits) -> pl.DataFrame:
    """Bounds that a limits file gives every row, null where open."""
    import polars as pl

    kinds = rows.select("family", "heater").unique().iter_rows()
    table = [
        (family, heater, figure, limit.low, limit.high)
        for family, heater in kinds
        for figure, limit in limits_for(limits, family or None, heater).items()
    ]
    schema = {
        "family": pl.String, "heater": pl.String, "figure": pl.String,
        "low": pl.Float64, "high": pl.Float64,
    }  # fmt: skip
    known = pl.DataFrame(table, schema=schema, orient="row")
    keys = ["family", "heater", "figure"]
    return (
        rows.select(keys)
        .join(known, on=keys, how="left", maintain_order="left")
        .select("low", "high")
    )


def _ranks(rows: pl.DataFrame, bounds: pl.DataFrame) -> NDArray[np.int64]:
    """Verdict of every row as a rank in `VERDICTS`, by the rule of `analysis.verdict.judge_one`."""
    from scipy.special import ndtr

    value = rows["value"].fill_null(np.nan).to_numpy()
    u = rows["u"].fill_null(np.nan).to_numpy()
    low = bounds["low"].fill_null(-np.inf).to_numpy()
    high = bounds["high"].fill_null(np.inf).to_numpy()
    known = np.isfinite(value) & np.isfinite(u) & (np.isfinite(low) | np.isfinite(high))
    with np.errstate(invalid="ignore", divide="ignore"):
        beyond = np.maximum(low - value, value - high)
        inside = np.where(
            u > 0.0, ndtr((high - value) / u) - ndtr((low - value) / u), beyond <= 0.0
        )
        fails = (beyond > 0.0) & (beyond >= GUARD * u)
    rank = np.where(fails, 3, np.where(inside >= CONFORMANCE, 1, 2))
    return np.asarray(np.where(known, rank, 0), dtype=np.int64)


def _reason(row: dict[str, Any]) -> str:
    name = str(row["figure"]).replace("_", " ")
    old = _range(row["low_before"], row["high_before"])
    new = _range(row["low_after"], row["high_after"])
    unit = str(row["unit"]).replace("degC", "°C").replace("–", "")
    value = "not measured" if row["value"] is None else f"{row['value']:.4g} {unit}".strip()
    return f"{name} {value}: {old} before, {new} now"


def _range(low: object, high: object) -> str:
    if low is not None and high is not None:
        return f"{low:g} to {high:g}"
    if low is not None:
        return f"{low:g} or more"
    return f"{high:g} or less" if high is not None else "no limit"


def effect_of(label: str, before: str, after: str) -> str:
    """What a change of verdict means for a car whose label is ``good`` or ``bad``; else empty."""
    if label == "bad":
        if after == "fail":
            return "claim avoided"
        return "comeback risked" if before == "fail" else ""
    if label == "good":
        if after == "fail":
            return "needless repair"
        return "needless repair avoided" if before == "fail" else ""
    return ""
