"""One tuned limit on one page: cars, limit and interval, trade-off, cost, sensitivity, weather."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.figures import all_figures
from analysis.tune.tidy import tells
from dashboard.report.axes import Curve
from dashboard.report.blocks import Block, Heading, ReportPage, Table, Text, short
from dashboard.report.limits.graph import Mark, graph
from dashboard.text.limit_numbers import limit_number, limit_text, number, span_text
from dashboard.text.shown import conversion, words
from dashboard.text.tuning import (
    OF_OTHERS,
    STAYS,
    alone_lines,
    car_share_text,
)

if TYPE_CHECKING:
    from analysis.tune.joint.sweep import Sweep
    from analysis.tune.search.one_figure import FigureTuning
    from analysis.tune.tuning import Tuning
    from ingest.arrays import Floats


FEWEST_POINTS: Final = 3
"""Limits tried in a picture, below which there is no curve to see."""

LEAST_TRADE: Final = 0.5
"""Percent of good cars that a limit must be able to fail for a trade-off to be worth drawing."""


def limit_page(each: FigureTuning, sweep: Sweep | None, tuning: Tuning, units: str) -> ReportPage:
    """The page of one limit.

    Parameters
    ----------
    each
        The figure's tuning, which has a limit.
    sweep
        Its limit moved; None where it was not weighed by cost.
    tuning
        The whole.
    units
        ``si`` or ``us``.
    """
    label = {figure.name: figure.label for figure in all_figures()}[each.figure]
    side = "below" if each.side == "low" else "above"
    basis = each.why
    basis = basis[:1].upper() + basis[1:]
    blocks: list[Block] = [
        Text(f"{label}. A car fails {side} the limit by more than its uncertainty. {basis}."),
        _families(each, units),
    ]
    if each.in_run is not None:
        blocks.append(
            Text(
                f"On cars left out, beside the other limits: finds "
                f"{car_share_text(each.in_run.finds)} of the bad cars, and "
                f"{car_share_text(each.in_run.alone)} that no other figure finds; fails "
                f"{car_share_text(each.in_run.fails)} of the good."
            )
        )
    blocks += _nearest(each, tuning)
    if sweep is not None:
        blocks += _pictures(each, sweep, units)
        blocks += _sensitivity(each, sweep, units)
    if each.alone is not None:
        blocks += [Text(line.strip(), "quiet") for line in alone_lines(each.alone, units)]
    limit = limit_text(each, units)
    return ReportPage("One limit", f"{words(each.figure)}: fails {side} {limit}", tuple(blocks))


def _interval(each: FigureTuning, ends: tuple[float, float], units: str) -> str:
    """An interval in a cell."""
    if ends[0] == ends[1]:
        return ""
    if not tells(ends, each.measured):
        return "as wide as all that was measured"
    return span_text(ends, each.unit, units)


def _nearest(each: FigureTuning, tuning: Tuning) -> list[Block]:
    """The runs the limit lies between, by the names under which the store opens them."""
    labels = tuning.matched.by_run
    rows = [
        (run_id[:16], short(labels[run_id].name, 24) if labels[run_id].of == "car" else "",
         "bad, found" if labels[run_id].bad else "good", words(labels[run_id].cause or ""))
        for run_id in (*each.nearest.good, *each.nearest.bad)
    ]  # fmt: skip
    head = ("It lies between these runs", "Car", "Label", "Cause")
    return [Table(head, tuple(rows), (2.0, 1.5, 1.0, 2.0), dense=True)] if rows else []


def _families(each: FigureTuning, units: str) -> Table:
    rows = [
        (short(family), limit_number(own.limit, each.unit, units, own.interval),
         _interval(each, own.interval, units), str(own.cars))
        for family, own in each.families.items()
    ]  # fmt: skip
    rows += [
        (short(family) or "no family told", whose, "", "0")
        for families, whose in ((each.apart, OF_OTHERS), (each.stays, STAYS))
        for family in families
    ]
    if each.limit is not None and each.others:
        reach = "" if each.interval is None else _interval(each, each.interval, units)
        limit = limit_number(each.limit, each.unit, units, each.interval)
        rows.append(("other families", limit, reach, str(each.good)))
    else:
        rows.append(("other families", STAYS, "", ""))
    head = ("Family", "Limit", "95 % interval", "Good cars")
    return Table(head, tuple(rows), (2.0, 1.5, 2.0, 1.0), dense=True)


def _shown(values: Floats, unit: str, units: str) -> Floats:
    told = conversion(unit, units)
    return np.asarray(values * told.factor + told.offset)


def _pictures(each: FigureTuning, sweep: Sweep, units: str) -> list[Block]:
    unit = conversion(each.unit, units).unit
    axis = f"{words(each.figure)}{f', {unit}' if unit else ''} (middle family, mean weather)"
    limit, low, high, standing = (
        float(value)
        for value in _shown(np.array([sweep.limit, *sweep.interval, sweep.standing]),
                            each.unit, units)
    )  # fmt: skip
    told = tells(sweep.interval, each.measured)
    marks = [
        Mark("limit", limit, ()),
        *(Mark("95 % interval", end, (1.5, 2.0)) for end in (low, high) if told),
        Mark("limit in force", standing, (7.0, 3.0)),
    ]
    edges = _shown(sweep.edges, each.unit, units)
    span = min(float(edges.min()), limit), max(float(edges.max()), limit)
    x = np.repeat(edges, 2)[1:-1]
    values = _shown(sweep.values, each.unit, units)
    order = np.argsort(values)
    cars = graph(
        [Curve("good cars", x, 100 * np.repeat(sweep.good, 2)),
         Curve("bad cars", x, 100 * np.repeat(sweep.bad, 2), 1.6, (3.0, 2.0))],
        marks, (axis, "% of cars"),
        "Good and bad cars by their value; those far out are drawn to the edge.", span,
    )  # fmt: skip
    cost = [Curve("expected cost a car", values[order], sweep.cost[order])]
    return [
        Heading("Good and bad cars, and the limit"), cars, Text(cars.says, "quiet"),
        Heading("Cost against the limit"), *_cost(cost, marks, axis, span),
        Heading("Trade-off"), *_trade(each, sweep),
    ]  # fmt: skip


def _cost(
    curves: list[Curve], marks: list[Mark], axis: str, span: tuple[float, float]
) -> list[Block]:
    """Cost against the limit, where the limit can be moved at all."""
    inside = (curves[0].x >= span[0]) & (curves[0].x <= span[1])
    if np.unique(curves[0].x[inside]).size < FEWEST_POINTS:
        return [Text("The limit cannot be moved here: what is harmless, and what good cars may "
                     "reach, hold it where it is.")]  # fmt: skip
    picture = graph(
        curves, marks, (axis, "cost"),
        "Expected cost a car if this limit were moved and all others stayed.",
        span, from_zero=False,
    )  # fmt: skip
    return [picture, Text(picture.says, "quiet")]


def _trade(each: FigureTuning, sweep: Sweep) -> list[Block]:
    """Bad cars found against good ones failed: by this figure alone, and by all as it moves."""
    curves = []
    roc = each.alone.roc if each.alone is not None else None
    if roc is not None:
        curves.append(Curve("by this figure alone", 100 * roc.false_alarm, 100 * roc.detection))
    if 100 * float(np.ptp(sweep.good_fails)) > LEAST_TRADE:
        order = np.argsort(sweep.good_fails, kind="stable")
        curves.append(
            Curve("by all figures, this limit moved", 100 * sweep.good_fails[order],
                  100 * sweep.bad_fails[order], 1.6, (3.0, 2.0))
        )  # fmt: skip
    if not curves:
        return [Text("However strict this limit, no more good cars fail: what is harmless, and "
                     "what good cars may reach, hold it off.")]  # fmt: skip
    picture = graph(
        curves, (), ("good cars failed, %", "bad cars found, %"),
        "Bad cars that fail against good ones that fail, from lenient (left) to strict (right).",
        (0.0, 100.0),
    )  # fmt: skip
    return [picture, Text(picture.says, "quiet")]


def _sensitivity(each: FigureTuning, sweep: Sweep, units: str) -> list[Block]:
    def row(name: str, told: tuple[tuple[float, float], ...], scale: float, sign: str) -> Table:
        return Table(
            ("The limit", *(f"{scale * at:g}{sign}" for at, _ in told)),
            ((name, *(number(value, each.unit, units, each.interval) for _, value in told)),),
            (2.6, *[1.2] * len(told)), dense=True,
        )  # fmt: skip

    weather = conversion(each.unit, units)
    moves = f"{sweep.per_10_k * weather.factor:.3g} {weather.unit}".strip()
    day = (
        f"A day 10 K warmer moves good cars by {moves}"
        + (" in the logarithm" if each.alone and each.alone.scored
           and each.alone.scored.scale.log else "")
        + "; the limit allows for all weathers in the labels."
        if sweep.per_10_k
        else "The weather makes no difference that shows in the good cars."
    )  # fmt: skip
    limits = {value for told in (sweep.by_ratio, sweep.by_share) for _, value in told}
    firm: list[Block] = [
        row("if a missed fault costs so many needless repairs", sweep.by_ratio, 1.0, ""),
        row("if so many cars are bad", sweep.by_share, 100.0, " %"),
    ]
    if len(limits) == 1:
        firm = [Text("No cost and no share of bad cars moves it: what is harmless, and what good "
                     "cars may reach, hold it where it is.")]  # fmt: skip
    return [Heading("How firm the choice is"), *firm, Text(day, "quiet")]
