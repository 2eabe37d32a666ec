"""A car's figures against its limits and the good cars of its family, a strip each."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import polars as pl
from dash import html

from dashboard.plots import strip
from dashboard.text.shown import (
    LARGEST_PLAIN,
    clean,
    conversion,
    figure_text,
    limit_text,
    plain,
    said_in,
    words,
)
from dashboard.web import parts
from dashboard.web.frames import figure_records, figures_frame, run_record, runs_frame

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.web.service import Board


def standing(board: Board, run_id: str, document: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """How each figure of a run lies among its family's good cars, by figure.

    Returns
    -------
    dict
        Rows of `analysis.compare.car.car_against_family`, with the good cars' values under
        ``good``. Empty where the family is not known.
    """
    from analysis.compare.car import car_against_family
    from analysis.compare.table import fleet_table

    family = document["run"].get("family")
    if not family:
        return {}
    runs = board.source.runs().filter(pl.col("family") == family)
    figures = board.source.figures(family=family)
    if run_id not in runs["id"]:
        ambient = board.ambient(run_id)
        runs = pl.concat([runs_frame([run_record(run_id, document, ambient)]), runs])
        figures = pl.concat([figures_frame(figure_records(run_id, document, {})), figures])
    # only good cars count, and the run itself
    wanted = (pl.col("purpose") == "baseline") | (pl.col("id") == run_id)
    table = fleet_table(runs.filter(wanted), figures)
    found = {
        str(row["figure"]): row for row in car_against_family(table, [run_id]).iter_rows(named=True)
    }
    for name, row in found.items():
        good = table.filter((pl.col("figure") == name) & pl.col("run_id").is_in(row["runs"][1:]))
        row["good"] = good["value"].to_list()
    return found


def figures_section(
    document: Mapping[str, Any], found: Mapping[str, Mapping[str, Any]], units: str
) -> Component:
    """The figures of a run as a table with strips.

    Parameters
    ----------
    document
        The result.
    found
        From `standing`.
    units
        ``si`` or ``us``.
    """
    figures = document.get("figures", {})
    measured = {name: each for name, each in figures.items() if each.get("value") is not None}
    rows = [_row(name, each, found.get(name, {}), units) for name, each in measured.items()]
    missing = [
        f"{words(name)}: {said_in(each.get('note') or 'no reason given', units)}"
        for name, each in figures.items()
        if each.get("value") is None
    ]
    notes = [
        f"{words(name)}: {said_in(each['note'], units)}"
        for name, each in measured.items()
        if each.get("note")
    ]
    cars = max((int(row["good_cars"] or 0) for row in found.values()), default=0)
    heads = ("Figure", "Value and limits", "Verdict", "Among its family", "Where it lies")
    return parts.section(
        "How does it stand against its family?",
        parts.quiet(_explained(clean(document["run"].get("family") or ""), cars, units)),
        parts.table(heads, rows, "Figures of this run", "figures of-car")
        if rows
        else html.P("No figure could be measured."),
        _folded(_count(len(notes), "note on these figures", "notes on these figures"), notes),
        _folded(_count(len(missing), "figure was", "figures were") + " not measured", missing),
    )


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _explained(family: str, cars: int, units: str) -> str:
    told = (
        "± is at k = 2. In each strip the mark is this run with its ±, and the gray field and its "
        "brackets are the limits. "
    )
    if not family:
        told += "The run names no family to compare it with."
    elif not cars:
        told += f"There is no known-good {family} here to compare it with."
    else:
        told += f"The thin lines are known-good runs of {cars} {family} cars."
    if units == "us":
        told += " Rises, drops, deficits and sensitivities are differences in °F."
    return told


def _folded(summary: str, lines: list[str]) -> Component | None:
    if not lines:
        return None
    return html.Details([html.Summary(summary), parts.plain_list(lines, kind="faults")])


def _row(name: str, figure: Mapping[str, Any], found: Mapping[str, Any], units: str) -> list[Any]:
    limit = figure.get("limit") or {}
    good = list(found.get("good", ()))
    unit = str(figure.get("unit") or "")
    picture = strip.Strip(
        unit,
        limit.get("low"),
        limit.get("high"),
        float(figure["value"]),
        figure.get("u"),
        str(figure.get("verdict") or "") if limit else "",
        good,
    )
    value, limits = figure_text(figure, units), limit_text(figure, units)
    first, second = family_text(found, unit, units)
    told = ", ".join(part for part in (f"{words(name)} {value}", limits, first, second) if part)
    return [
        words(name),
        parts.stacked(html.Span(value, className="number"), limits),
        parts.verdict(str(figure.get("verdict") or ""), limited=bool(limit)),
        parts.stacked(first, second),
        html.Img(src=strip.source(picture, units), alt=told, className="strip"),
    ]


def rough(value: float) -> str:
    """A number to three significant digits, whole ones kept whole."""
    if value == 0.0 or not 1e-4 <= abs(value) < LARGEST_PLAIN:
        return plain(value)
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{digits}f}"


def family_text(found: Mapping[str, Any], unit: str, units: str) -> tuple[str, str]:
    """Where a value lies among good cars, and what is usual there; empty where none is known."""
    cars = int(found.get("good_cars") or 0)
    if not cars or found.get("percentile") is None:
        return "", ""
    shown = conversion(unit, units)

    def told(key: str) -> str:
        return rough(float(found[key]) * shown.factor + shown.offset)

    share = float(found["percentile"])
    place = (
        f"below all {cars}"
        if share == 0.0
        else f"above all {cars}"
        if share == 100.0
        else f"above {share:.0f} % of {cars}"
    )
    if found.get("differs"):
        place += ", differs"
    usual = f"usual {told('usual')}"
    if found.get("low") is not None:
        usual += f", 95 % of cars {told('low')} to {told('high')}"
    return place, usual
