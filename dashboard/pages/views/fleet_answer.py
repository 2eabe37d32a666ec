"""What the fleet page says first: which families fail, with what, since when; and by cause."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import polars as pl
from dash import html

from dashboard.pages.views.fleet import cause_title
from dashboard.plots.fleet import NO_FAMILY
from dashboard.text.shown import SIGNS, clean
from dashboard.web import address, parts

if TYPE_CHECKING:
    from dash.development.base_component import Component

MAX_SAID: Final = 3
"""Families in the sentence; the table has them all."""

SEVERAL: Final = (
    "A car stands under the likeliest cause of each of its runs: one that was repaired under what "
    "was wrong and under nothing wrong."
)


def newest_of_cars(runs: pl.DataFrame) -> pl.DataFrame:
    """The newest run of every car: what holds of the car today."""
    families = runs.with_columns(pl.col("family").fill_null(NO_FAMILY))
    return families.sort("started", descending=True, nulls_last=True, maintain_order=True).unique(
        "vehicle", keep="first", maintain_order=True
    )


def sentences(runs: pl.DataFrame) -> list[str]:
    """The page's question answered, a sentence for each family that fails, the worst first.

    Parameters
    ----------
    runs
        One row a run, as the source of the board gives them.
    """
    if not runs.height:
        return ["? No run meets the choice. Take a filter away to see more."]
    newest = newest_of_cars(runs)
    failing = newest.filter(pl.col("verdict") == "fail")
    if not failing.height:
        word = "car" if newest.height == 1 else "cars"
        open_cars = newest.filter(pl.col("verdict") != "pass").height
        rest = f"; {open_cars} could not be decided" if open_cars else ""
        sign = SIGNS["undecided" if open_cars else "pass"]
        return [f"{sign} None of {newest.height} {word} fails on its newest run{rest}."]
    said = []
    for family, count in Counter(failing["family"].to_list()).most_common():
        ours = failing.filter(pl.col("family") == family)
        cars = newest.filter(pl.col("family") == family).height
        of_these = runs.filter(
            pl.col("vehicle").is_in(ours["vehicle"].to_list()) & (pl.col("verdict") == "fail")
        )
        told = f"✕ {clean(family)}: {count} of {cars} {'car' if cars == 1 else 'cars'} "
        told += "fails" if count == 1 else "fail"
        said.append(f"{told}, {_with(ours, count)}{_since(of_these)}.")
    more = len(said) - MAX_SAID
    if more <= 0:
        return said
    return [*said[:MAX_SAID], f"And {more} more {'family' if more == 1 else 'families'}."]


def _with(failing: pl.DataFrame, count: int) -> str:
    causes = Counter(each for each in failing["first_cause"].to_list() if each)
    if not causes:
        return "the cause not known"
    first, often = causes.most_common(1)[0]
    title = clean(cause_title(first))
    if count == 1:
        return f"most likely {title}"
    if often == count:
        return f"all most likely {title}"
    if often == 1:
        return "each with another likeliest cause"
    return f"{often} of them most likely {title}"


def _since(failing: pl.DataFrame) -> str:
    known = failing["started"].drop_nulls().sort()
    return f"; since {known.dt.strftime('%B %Y')[0]}" if known.len() else ""


def causes_table(runs: pl.DataFrame, state: Mapping[str, str]) -> Component | None:
    """Families by likeliest causes: how many cars, each number leading to them.

    Parameters
    ----------
    runs
        The runs chosen.
    state
        The page's, so that a number keeps the rest of the choice.
    """
    known = runs.filter(pl.col("first_cause").is_not_null()).with_columns(
        pl.col("family").fill_null(NO_FAMILY)
    )
    if not known.height:
        return None
    counts = {
        (family, cause): cars
        for family, cause, cars in known.group_by("family", "first_cause")
        .agg(pl.col("vehicle").n_unique())
        .iter_rows()
    }
    families = sorted({family for family, _ in counts})
    total: Counter[str] = Counter()
    for (_, cause), cars in counts.items():
        total[cause] += cars
    # what is wrong first, by how often; sound cars last
    causes = sorted(total, key=lambda cause: (cause == "healthy", -total[cause], cause))
    rows = [
        [
            clean(cause_title(cause)),
            *(_cell(counts.get((family, cause), 0), family, cause, state) for family in families),
        ]
        for cause in causes
    ]
    title = "Cars by likeliest cause and family"
    table = parts.table(
        ("Likeliest cause", *(clean(each) for each in families)), rows, title, "counts by-cause"
    )
    # the numbers lead to runs, and a car repaired has some of each kind
    note = [parts.quiet(SEVERAL)] if _counted_twice(known) else []
    return html.Div([parts.wide(table, title), *note])


def _counted_twice(runs: pl.DataFrame) -> bool:
    """Whether runs of one car have different causes."""
    causes = runs.group_by("family", "vehicle").agg(pl.col("first_cause").n_unique())
    return bool((causes["first_cause"] > 1).any())


def _cell(cars: int, family: str, cause: str, state: Mapping[str, str]) -> Any:
    if not cars:
        return html.Span("0", className="quiet when-wide")
    kept = {key: state.get(key) for key in ("units", "figure", "verdict", "purpose")}
    there = {key: value for key, value in kept.items() if value and value != "any"}
    label = parts.aria(label=f"{cars}: {clean(family)}, {clean(cause_title(cause))}")
    return html.A(
        [html.Span(f"{clean(family)} ", className="when-narrow"), str(cars)],
        href=address.link("/", {**there, "family": family, "cause": cause}),
        className="number same-page",
        **label,
    )
