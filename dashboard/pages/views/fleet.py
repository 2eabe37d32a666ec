"""The fleet as a table: choosing, sorting and paging rows, nothing more."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from dashboard.plots.fleet import NO_FAMILY
from dashboard.text.shown import words
from ingest.values import dataclass

ROWS_A_PAGE: Final = 50

WORST_FIRST: Final = {"fail": 0, "undecided": 1, "not measured": 2, "pass": 3}

SORTS: Final = {
    "worst": "worst verdict first",
    "newest": "newest first",
    "low": "lowest figure first",
    "high": "highest figure first",
    "car": "by car",
}


@dataclass(frozen=True)
class Choice:
    """Which runs are shown and how; empty leaves a property free.

    Parameters
    ----------
    figure
        The figure shown beside each run.
    family, verdict, purpose
        As the table of runs writes them.
    cause
        The likeliest cause, by its name.
    text
        Looked for in car, name, likeliest cause and figures that failed, in the page's words.
    sort
        A key of `SORTS`.
    """

    figure: str
    family: str = ""
    verdict: str = ""
    purpose: str = ""
    cause: str = ""
    text: str = ""
    sort: str = "worst"


def chosen(runs: pl.DataFrame, figures: pl.DataFrame, choice: Choice) -> pl.DataFrame:
    """The runs chosen, sorted, with the chosen figure joined.

    Parameters
    ----------
    runs
        One row a run.
    figures
        One row a run and figure.
    choice
        What is wanted.

    Returns
    -------
    DataFrame
        Columns of `runs`, then ``value, u, unit, figure_verdict, low, high`` (null where the
        figure was not measured).
    """
    one = figures.filter(pl.col("figure") == choice.figure).select(
        pl.col("run_id").alias("id"),
        "value",
        "u",
        "unit",
        pl.col("verdict").alias("figure_verdict"),
        "low",
        "high",
    )
    frame = runs.join(one, on="id", how="left", maintain_order="left")
    for column in ("family", "verdict", "purpose"):
        wanted = getattr(choice, column)
        if wanted:
            frame = frame.filter(pl.col(column).fill_null(NO_FAMILY) == wanted)
    if choice.cause:
        frame = frame.filter(pl.col("first_cause") == choice.cause)
    if choice.text:
        frame = _having(frame, figures, choice.text)
    return _sorted(frame, choice.sort)


def _having(frame: pl.DataFrame, figures: pl.DataFrame, text: str) -> pl.DataFrame:
    """Runs in whose car, name, cause or failed figures a text stands, as the page writes them."""
    failed = (
        figures.filter(pl.col("verdict") == "fail")
        .group_by("run_id")
        .agg(pl.col("figure").map_elements(words, return_dtype=pl.String).str.join(", "))
    )
    titles = {name: cause_title(name) for name in frame["first_cause"].unique() if name}
    told = frame.join(
        failed.select(pl.col("run_id").alias("id"), pl.col("figure").alias("failed")),
        on="id",
        how="left",
        maintain_order="left",
    ).with_columns(
        pl.col("first_cause")
        .replace_strict(titles, default="", return_dtype=pl.String)
        .alias("title"),
        pl.col("first_cause").map_elements(words, return_dtype=pl.String),
    )
    hit = pl.any_horizontal(
        pl.col(column).fill_null("").str.to_lowercase().str.contains(text.casefold(), literal=True)
        for column in ("vehicle", "name", "first_cause", "title", "failed")
    )
    return frame.filter(told.select(hit).to_series())


def cause_title(name: str) -> str:
    """A cause in plain words; its name as words where the table has no such cause."""
    from analysis.causes.knowledge import NO_FAULT, knowledge

    if name == NO_FAULT:
        return "nothing wrong"
    titles = {row.name: row.title for row in knowledge().cause}
    return titles.get(name, words(name))


def _sorted(frame: pl.DataFrame, sort: str) -> pl.DataFrame:
    if sort == "worst":
        rank = pl.col("verdict").replace_strict(WORST_FIRST, default=9, return_dtype=pl.Int64)
        return frame.sort(rank, maintain_order=True)
    if sort in ("low", "high"):
        return frame.sort("value", descending=sort == "high", nulls_last=True, maintain_order=True)
    if sort == "car":
        return frame.sort("vehicle", maintain_order=True)
    return frame


def page_of(frame: pl.DataFrame, page: int) -> tuple[pl.DataFrame, int, int]:
    """One page of rows, its number and how many there are; beyond the last is the last."""
    pages = max(1, -(-frame.height // ROWS_A_PAGE))
    page = min(max(1, page), pages)
    return frame.slice((page - 1) * ROWS_A_PAGE, ROWS_A_PAGE), page, pages


def families(runs: pl.DataFrame) -> list[dict[str, Any]]:
    """Cars, runs and verdicts of each family, the one with most failures first."""
    verdicts = [(pl.col("verdict") == word).sum().alias(word) for word in WORST_FIRST]
    return (
        runs.with_columns(pl.col("family").fill_null(NO_FAMILY))
        .group_by("family")
        .agg(
            pl.col("vehicle").n_unique().alias("cars"),
            pl.len().alias("runs"),
            (pl.col("purpose") == "baseline").sum().alias("good"),
            *verdicts,
        )
        .sort(["fail", "family"], descending=[True, False])
        .to_dicts()
    )
