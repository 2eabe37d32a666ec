"""Limits: what is asked of each figure, and where the fleet lies against it.

For whoever adds to this page: `limits_rows` gives what is drawn, one `Row` a figure, from the
source's limits and tables alone; `row_cells` turns one into cells. A control that tries other
limits only has to hand other `Limit`s to `limits_rows`: strips and counts follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Any, Final

import polars as pl
from dash import Dash, Input, Output, dcc, html

from analysis.figures import figures_by_name
from dashboard.pages import Page
from dashboard.plots import strip
from dashboard.text.shown import clean, conversion, limit_text, said_in, words
from dashboard.web import address, parts
from ingest.values import dataclass

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.limits import Limit
    from dashboard.web.service import Board

PATH: Final = "/limits"
TITLE: Final = "What is asked of each figure, and where do the cars lie?"
GROUP_MARK: Final = " | "
"""Between family and heater in the address."""

NO_FAMILY: Final = "any family"

MAX_FAILING: Final = 4
"""Cars named beside a figure; the fleet page finds the others."""


@dataclass(frozen=True)
class Row:
    """One figure.

    Parameters
    ----------
    figure
        Its name.
    unit
        Its unit.
    limit
        In force; None where nothing is asked.
    good
        Values of the known-good cars.
    judged
        Values of all other runs by their verdict.
    counts
        Runs by verdict.
    failing
        Car and run of those that fail, newest first.
    between
        Cars and runs that a tuned limit lies between, good ones and bad ones, as far as the source
        has them.
    """

    figure: str
    unit: str
    limit: Limit | None
    good: list[float]
    judged: dict[str, list[float]]
    counts: dict[str, int]
    failing: list[tuple[str, str]] = field(default_factory=list)
    between: tuple[list[tuple[str, str]], list[tuple[str, str]]] = ([], [])


def groups(runs: pl.DataFrame) -> dict[str, tuple[str | None, str]]:
    """Families with their heater layouts, by the word the address has for them."""
    pairs = runs.select("family", "heater").unique().sort("family", "heater", nulls_last=True)
    return {
        f"{family or NO_FAMILY}{GROUP_MARK}{heater}": (family, heater)
        for family, heater in pairs.iter_rows()
    }


def limits_rows(
    runs: pl.DataFrame,
    figures: pl.DataFrame,
    limits: Mapping[str, Limit],
    family: str | None,
    heater: str,
) -> list[Row]:
    """What is drawn for a family of cars.

    Parameters
    ----------
    runs
        One row a run.
    figures
        One row a run and figure.
    limits
        In force, by figure.
    family, heater
        Whose cars.
    """
    of_family = pl.col("family").is_null() if family is None else pl.col("family") == family
    ours = runs.filter(of_family & (pl.col("heater") == heater)).select("id", "purpose", "vehicle")
    known = figures.join(ours, left_on="run_id", right_on="id").filter(
        pl.col("value").is_not_null()
    )
    by_figure = {str(key[0]): part for key, part in known.group_by("figure")}
    rows = []
    for name, figure in figures_by_name().items():
        part = by_figure.get(name)
        if part is None:
            if name in limits:
                between = _between(limits[name], runs)
                rows.append(Row(name, figure.unit, limits[name], [], {}, {}, [], between))
            continue
        good = part["purpose"].fill_null("") == "baseline"
        others = part.filter(~good)
        judged = {
            str(key[0]): values["value"].to_list() for key, values in others.group_by("verdict")
        }
        counts = {str(word): count for word, count in part["verdict"].value_counts().iter_rows()}
        rows.append(
            Row(
                name,
                part["unit"][0],
                limits.get(name),
                part.filter(good)["value"].to_list(),
                judged,
                counts,
                _failing(part, ours),
                _between(limits.get(name), runs),
            )
        )
    return rows


def _failing(part: pl.DataFrame, ours: pl.DataFrame) -> list[tuple[str, str]]:
    """Cars that fail a figure with the newest run in which they do; `ours` is newest first."""
    failed = ours.filter(
        pl.col("id").is_in(part.filter(pl.col("verdict") == "fail")["run_id"].to_list())
    ).unique("vehicle", keep="first", maintain_order=True)
    return list(failed.select("vehicle", "id").iter_rows())


def _between(
    limit: Limit | None, runs: pl.DataFrame
) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Good and bad cars' runs that a tuned limit lies between, in the order of the limits file."""

    def known(starts: tuple[str, ...]) -> list[tuple[str, str]]:
        found = [runs.filter(pl.col("id").str.starts_with(each)) for each in starts]
        return [row for part in found for row in part.select("vehicle", "id").iter_rows()]

    return (known(limit.good_runs), known(limit.bad_runs)) if limit else ([], [])


def _links(cars: list[tuple[str, str]], units: str) -> list[Any]:
    """Cars, each leading to its run, with commas between."""
    told: list[Any] = []
    for vehicle, run_id in cars:
        link = html.A(clean(vehicle), href=address.link("/car", {"run": run_id, "units": units}))
        told += [", ", link] if told else [link]
    return told


def _who_fails(row: Row, units: str) -> list[Any]:
    """The first few cars that fail, each leading to its run."""
    told = _links(row.failing[:MAX_FAILING], units)
    rest = len(row.failing) - MAX_FAILING
    return [html.Div([*told, f" and {rest} more" if rest > 0 else ""])] if told else []


def _lies_between(row: Row, units: str) -> list[Any]:
    """The labelled runs that the limit lies between, each leading there."""
    good, bad = (_links(cars, units) for cars in row.between)
    told = [
        *(["Farthest out of the good: ", *good, ". "] if good else []),
        *(["Nearest of the bad it finds: ", *bad, "."] if bad else []),
    ]
    return [html.Div(told, className="quiet small")] if told else []


def row_cells(row: Row, units: str) -> list[Any]:
    """One figure as the cells of the table."""
    limit = row.limit
    bounds = {"low": limit.low, "high": limit.high} if limit else {}
    text = limit_text({"limit": bounds, "unit": row.unit}, units) or "no limit"
    drawn = strip.Strip(
        row.unit, bounds.get("low"), bounds.get("high"), good=row.good, judged=row.judged
    )
    counts = [
        html.Div([parts.verdict(word), f" {row.counts[word]}"])
        for word in ("fail", "undecided", "pass")
        if limit and row.counts.get(word)
    ]
    measured = sum(map(len, row.judged.values())) + len(row.good)
    return [
        parts.stacked(words(row.figure), conversion(row.unit, units).unit),
        html.Div(
            [
                parts.stacked(
                    html.Span(text, className="number"),
                    said_in(limit.basis, units) if limit else "",
                ),
                *_lies_between(row, units),
            ]
        ),
        html.Div([*counts, *_who_fails(row, units)]) if counts else f"{measured} runs",
        html.Img(
            src=strip.source(drawn, units),
            alt=f"{words(row.figure)}: {measured} runs, limits {text}",
            className="strip",
        )
        if measured
        else "no run has it",
    ]


def state_of(told: Mapping[str, str], board: Board) -> dict[str, str]:
    """The page's state from an address."""
    known = groups(board.source.runs())
    return {
        "group": address.one_of(told.get("group"), known, next(iter(known), "")),
        "units": address.one_of(told.get("units"), parts.UNITS, board.units),
    }


def layout(board: Board, told: Mapping[str, str]) -> Component:
    """The page."""
    state = state_of(told, board)
    known = groups(board.source.runs())
    if not known:
        return html.Div([html.H1(TITLE), *parts.first_run(board.source.title)])
    said, below = results(board, state)
    return html.Div(
        [
            dcc.Location(id="limits-address", refresh=False),
            html.H1(TITLE),
            html.Div(said, id="limits-answer", **parts.aria(live="polite")),
            parts.form(
                "limits-form",
                parts.select(
                    "group",
                    "Family and heater",
                    {key: clean(key.replace(GROUP_MARK, ", ")) for key in known},
                    state["group"],
                    wide="broad",
                ),
                parts.units(state["units"], board.units),
            ),
            html.Div(below, id="limits-results"),
        ]
    )


def _answer(rows: list[Row], family: str) -> str:
    """How much is asked of a family, how many of its cars fail any of it, and what most often."""
    limited = sum(1 for row in rows if row.limit)
    most = max(rows, key=lambda row: len(row.failing), default=None)
    told = f"{limited} figures of {family} have a limit"
    if most is None or not most.failing:
        return f"{told}; no car fails one."
    cars = {vehicle for row in rows for vehicle, _ in row.failing}
    # a car that was repaired since has such a run, too
    word = "car has a run that fails" if len(cars) == 1 else "cars have a run that fails"
    often = f", most often that on {words(most.figure)} ({len(most.failing)})"
    several = sum(1 for row in rows if row.failing) > 1
    one = f" one or more{often}" if several else f" that on {words(most.figure)}"
    return f"{told}; {len(cars)} {word}{one}."


def answer(board: Board, state: Mapping[str, str]) -> tuple[list[Component], list[Row]]:
    """The page's first sentences, and the rows they come from."""
    runs = board.source.runs()
    family, heater = groups(runs)[state["group"]]
    limits = board.source.limits(family, heater)
    rows = limits_rows(runs, board.source.figures(family=family), limits, family, heater)
    said = [
        html.P(_answer(rows, clean(family or NO_FAMILY)), className="reply"),
        parts.quiet(f"Judged by {board.source.judged_by(family, heater)}."),
    ]
    return said, rows


def results(board: Board, state: Mapping[str, str]) -> tuple[list[Component], list[Any]]:
    """The answer, and the page below its controls."""
    said, rows = answer(board, state)
    return said, [
        parts.quiet(
            "In each strip the gray field and its brackets are the limits. The thin long lines are "
            "known-good runs; the short ones are all others: above the middle those that pass, "
            "below it those that fail, between them the undecided."
        ),
        parts.table(
            ("Figure", "Limit in force and its basis", "Runs, and who fails", "Where they lie"),
            [row_cells(row, state["units"]) for row in rows],
            "Limits in force",
            "figures limits",
        ),
    ]


def register(app: Dash, board: Board) -> None:
    """Add the page's callbacks."""

    @app.callback(
        Output("limits-answer", "children"),
        Output("limits-results", "children"),
        Input("limits-address", "search"),
        prevent_initial_call=True,
    )
    def show(search: str) -> tuple[list[Component], list[Any]]:
        return results(board, state_of(address.read(search), board))


def first(board: Board, told: Mapping[str, str]) -> list[Component]:
    """The answer, before any script has run."""
    state = state_of(told, board)
    if not state["group"]:
        return [html.H1(TITLE), *parts.first_run(board.source.title)]
    return [html.H1(TITLE), *answer(board, state)[0]]


PAGE = Page(PATH, "Limits", "What is asked of each figure?", 30, layout, register, first=first)
