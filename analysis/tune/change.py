"""What proposed limits would change over a whole store, against those that were in force."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

from analysis.limits import Limits, limits_for
from analysis.tune.labels import Matched
from analysis.tune.run_ranks import VERDICTS, held_up, rank_of_run, ranks_under
from ingest.saying import joined, rounded, say
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl


SHOWN: Final = 3
"""Figures named as the reason of a change."""

EFFECTS: Final[dict[tuple[str, str, str], str]] = {
    ("bad", "fail", "pass"): "bad loses its fail and passes",
    ("bad", "undecided", "pass"): "bad passes, undecided before",
    ("good", "pass", "fail"): "good loses its pass and fails",
    ("good", "undecided", "fail"): "good fails, undecided before",
    ("good", "pass", "undecided"): "good loses its pass, undecided now",
    ("bad", "fail", "undecided"): "bad becomes undecided, failed before",
    ("bad", "pass", "fail"): "bad gains a fail",
    ("bad", "undecided", "fail"): "bad gains a fail",
    ("bad", "pass", "undecided"): "bad becomes undecided, passed before",
    ("good", "fail", "pass"): "good gains its pass, failed before",
    ("good", "undecided", "pass"): "good gains its pass, undecided before",
    ("good", "fail", "undecided"): "good becomes undecided, failed before",
}
"""What a change means, by label, verdict before and verdict after; what does harm first."""

NEWLY: Final = "now measured, or no longer"
"""A labelled run that had no verdict before or has none now."""


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
        The figures behind it, in words, with their quantities (`ingest.saying`).
    label
        ``good``, ``bad`` or empty.
    effect
        What that means by the label (see `EFFECTS`); empty where there is none.
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
    """Runs that change sides, those whose change does harm first, those without a label last.

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
    rows = rows.join(held_up(runs, figures), on="run_id", how="left", maintain_order="left")
    after = _bounds(rows, new)
    before = _bounds(rows, old) if old is not None else rows.select("low", "high")
    ranks = {"before": ranks_under(rows, before), "after": ranks_under(rows, after)}
    rows = rows.with_columns(
        *(pl.Series(name, found[0]) for name, found in ranks.items()),
        *(pl.Series(f"{name}_outside", found[1]) for name, found in ranks.items()),
        before["low"].alias("low_before"),
        before["high"].alias("high_before"),
        after["low"].alias("low_after"),
        after["high"].alias("high_after"),
    )
    # only the figures that made the run's verdict are named
    moved = (
        rows.with_columns(
            rank_of_run("before").alias("run_before"), rank_of_run("after").alias("run_after")
        )
        .filter(
            (pl.col("run_before") != pl.col("run_after"))
            & (
                (pl.col("before") != pl.col("after"))
                # undecided before and after, but now likelier beyond than within, or no longer
                | (pl.col("before_outside") != pl.col("after_outside"))
            )
        )
        .sort("run_id", "figure")
    )
    found = [
        _changed(run_id, list(group), matched)
        for run_id, group in groupby(moved.iter_rows(named=True), key=lambda row: row["run_id"])
    ]
    place = {effect: at for at, effect in enumerate(dict.fromkeys((*EFFECTS.values(), NEWLY)))}
    return sorted(
        found,
        key=lambda each: (
            place.get(each.effect, len(place)),
            change_word(each),
            each.vehicle,
            each.run_id,
        ),
    )


def change_word(changed: Changed) -> str:
    """What a change is called: by its effect, or for a run without a label by its verdicts."""
    return changed.effect or f"{changed.before} → {changed.after}, no label"


def _changed(run_id: str, rows: list[dict[str, Any]], matched: Matched) -> Changed:
    """A run from its figures whose verdicts change."""
    first = rows[0]
    sides = VERDICTS[first["run_before"]], VERDICTS[first["run_after"]]
    label = matched.by_run.get(run_id)
    word = "" if label is None else ("bad" if label.bad else "good")
    worst = max(first["run_before"], first["run_after"])
    reasons = [_reason(row) for row in rows if max(row["before"], row["after"]) >= worst]
    more = f"and {len(reasons) - SHOWN} more" if len(reasons) > SHOWN else None
    return Changed(
        run_id,
        first["vehicle"],
        first["family"],
        *sides,
        joined("; ", [*reasons[:SHOWN], more]),
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


def _reason(row: dict[str, Any]) -> str:
    name = str(row["figure"]).replace("_", " ")
    expanded = None if row["u"] is None else 2.0 * row["u"]
    unit = str(row["unit"])
    old = _range(row["low_before"], row["high_before"], expanded, unit)
    new = _range(row["low_after"], row["high_after"], expanded, unit)
    value = "not measured" if row["value"] is None else rounded(row["value"], expanded, unit)
    return say("{name} {value}: {old} before, {new} now", name=name, value=value, old=old, new=new)


def _range(low: float | None, high: float | None, expanded: float | None, unit: str) -> str:
    """Limits rounded to the uncertainty of the value they are held against."""
    if low is not None and high is not None:
        ends = (rounded(end, expanded, unit) for end in (low, high))
        return say("{low} to {high}", **dict(zip(("low", "high"), ends, strict=True)))
    if low is not None:
        return say("{low} or more", low=rounded(low, expanded, unit))
    return "no limit" if high is None else say("{high} or less", high=rounded(high, expanded, unit))


def effect_of(label: str, before: str, after: str) -> str:
    """What a change of verdict means for a car whose label is ``good`` or ``bad``; else empty."""
    return EFFECTS.get((label, before, after), NEWLY if label else "")
