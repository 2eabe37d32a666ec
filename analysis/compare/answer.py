"""A question about a store to a table that can be shown, written and traced to its runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import polars as pl

from analysis.compare import by_cause, car, groups, repairs
from analysis.compare import course as timeline
from analysis.compare.table import UNKNOWN, fleet_table
from analysis.figures import KEY_FIGURE, all_figures
from ingest.errors import Fault, UnusableRun, WrongUse, did_you_mean
from ingest.export.tables import Sheet
from ingest.saying import half_width, rounded, say
from ingest.values import dataclass

REPAIR: Final = "repair"

CAUSES_LEGEND: Final = (
    "cars by their first cause, each counted once: by its newest run that names a fault, and as "
    "healthy only where none does."
)

IN_UNIT: Final = frozenset(
    {
        "value", "u", "mean", "mean_low", "mean_high", "shrunk", "shrunk_u", "difference", "low",
        "high", "usual", "before", "after", "change", "against_first", "against_low",
        "against_high", "moved", "level", "alarm_level",
    }
)  # fmt: skip
"""Columns that are in the unit of their row's figure."""

ID_DIGITS: Final = 12
"""Digits of a run's id in these tables: enough to tell the runs of any fleet apart."""

MAX_NAMED: Final = 8
"""Names that are listed where none is near the one that was asked for."""

MAX_MARKS: Final = 40
"""A longer course of time is shown by its marked runs only; files hold all."""

MAX_LINES: Final = 200
"""No more rows are shown on a screen; files hold all."""


@dataclass(frozen=True)
class Question:
    """What is to be compared.

    Parameters
    ----------
    by
        One of `analysis.compare.groups.GROUPINGS`, `REPAIR` or `CAUSE`; None for a car against its
        family, or families against each other.
    car
        Vehicle asked for.
    figures
        Figures wanted; none for all.
    against
        Group to compare with instead of all others.
    family, purpose
        Runs that count; a car's good cars always do.
    over_time
        Whether to draw the course of one figure, by family or what `by` says.
    """

    by: str | None = None
    car: str | None = None
    figures: tuple[str, ...] = ()
    against: str | None = None
    family: str | None = None
    purpose: str | None = None
    over_time: bool = False


@dataclass(frozen=True)
class Answer:
    """The table, and how to show it.

    Parameters
    ----------
    name
        Of the table, for a sheet.
    sheet
        The whole table.
    shown
        The part of it for a screen.
    legend
        How to read that.
    remarks
        What is to be said in words with its quantities (`ingest.saying`), such as alarms.
    causes
        Cars by cause and family, where the whole store was asked for; else None.
    """

    name: str
    sheet: Sheet
    shown: pl.DataFrame
    legend: str
    remarks: tuple[str, ...] = ()
    causes: pl.DataFrame | None = None

    def lines(self) -> tuple[pl.DataFrame, tuple[str, ...]]:
        """What fits a screen: the table's first rows, and what is to be said below them."""
        rest = self.shown.height - MAX_LINES
        more = (f"{rest} more rows; ask for less, or write a file.",) if rest > 0 else ()
        return self.shown.head(MAX_LINES), (*more, self.legend, *self.remarks)

    def sheets(self, runs: pl.DataFrame) -> dict[str, Sheet]:
        """For a workbook: the table, and beside it the runs behind each of its rows.

        Parameters
        ----------
        runs
            The store's runs.
        """
        behind = (
            self.sheet.frame.select(pl.int_range(2, pl.len() + 2).alias("row"), "runs")
            .explode("runs")
            .join(
                runs.select(
                    pl.col("id").str.head(ID_DIGITS).alias("runs"),
                    *("name", "vehicle", "family", "plant", "purpose", "started"),
                ),
                on="runs",
                how="left",
                maintain_order="left",
            )
            .rename({"runs": "run_id"})
        )
        meaning = {"row": f"row of the sheet {self.name}", "run_id": "first digits of the run's id"}
        return {
            self.name: self.sheet,
            "runs behind": Sheet(behind, "The runs behind each row", meaning),
        }


def answer(runs: pl.DataFrame, figures: pl.DataFrame, question: Question) -> Answer:
    """Answer a question from the store's tables (see `ingest.store.read`).

    Raises
    ------
    WrongUse
        Where the question names a figure, car or group that is not there.
    UnusableRun
        Where nothing can be compared.
    """
    _check_figures(question.figures)
    _check_by(question.by)
    for option, column, wanted in (
        ("--car", "vehicle", question.car),
        ("--family", "family", question.family),
        ("--purpose", "purpose", question.purpose),
    ):
        if wanted is not None:
            _require(runs, option, column, wanted)
    if question.by == by_cause.CAUSE:
        return _causes(runs, question)
    names = question.figures or ((KEY_FIGURE,) if question.over_time else None)
    table = fleet_table(runs, figures, names)
    if question.car is not None and question.by is None and not question.over_time:
        return _car(table, question.car)
    table = _only(table, question)
    if question.over_time:
        return _timeline(table, question)
    if question.by == REPAIR:
        return _repairs(table, question)
    found = _groups(table, _only(runs, question), question)
    whole = question.by is None and not question.figures and runs["first_cause"].is_not_null().any()
    return replace(found, causes=_causes(runs, question).shown) if whole else found


def _check_by(by: str | None) -> None:
    known = (*groups.GROUPINGS, REPAIR, by_cause.CAUSE)
    if by is not None and by not in known:
        remedy = did_you_mean(by, known, f"one of {', '.join(known)}")
        raise WrongUse(Fault("--by", repr(by), "what runs are put side by", remedy))


def _check_figures(names: tuple[str, ...]) -> None:
    known = [each.name for each in all_figures()]
    faults = [
        Fault(
            "--figure",
            repr(name),
            "the name of a figure",
            did_you_mean(name, known, f"one of {', '.join(known)}"),
        )
        for name in names
        if name not in known
    ]
    if faults:
        raise WrongUse(faults)


def _only(table: pl.DataFrame, question: Question) -> pl.DataFrame:
    for column, wanted in (("family", question.family), ("purpose", question.purpose)):
        if wanted is not None:
            table = table.filter(pl.col(column) == wanted)
    if question.car is not None and question.by != REPAIR:
        # what a repair changed needs the family's good cars too: they know what the weather does
        table = table.filter(pl.col("vehicle") == question.car)
    return table


def _require(table: pl.DataFrame, option: str, column: str, wanted: str) -> None:
    there = table[column].drop_nulls().unique().sort().to_list()
    if wanted in there:
        return
    listed = f"there: {', '.join(map(str, there[:MAX_NAMED]))}" if there else "add runs first"
    remedy = did_you_mean(wanted, list(map(str, there)), listed)
    raise WrongUse(Fault(option, repr(wanted), f"a {column} that the store has", remedy))


def _answer(
    name: str,
    frame: pl.DataFrame,
    meaning: Mapping[str, str],
    columns: tuple[str, ...],
    legend: str,
    *,
    title: str,
) -> Answer:
    if frame.height == 0:
        raise UnusableRun(
            Fault(title, "no figure that could be compared", "runs that have it", "list the store")
        )
    frame = frame.with_columns(pl.col("runs").list.eval(pl.element().str.head(ID_DIGITS)))
    of_row = tuple(column for column in frame.columns if column in IN_UNIT)
    sheet = Sheet(frame, title, meaning, of_row=of_row)
    return Answer(name, sheet, frame.select(columns), legend)


def _car(table: pl.DataFrame, vehicle: str) -> Answer:
    ids = table.filter(pl.col("vehicle") == vehicle)["run_id"].unique(maintain_order=True)
    return _answer(
        "car",
        car.car_against_family(table, ids),
        car.MEANING,
        (
            *("run", "figure", "unit", "value", "u", "good_cars", "usual", "percentile"),
            *("robust_z", "low", "high", "q", "differs"),
        ),
        "usual: median of the family's good cars, whose 95 % lie between low and high (95 % "
        "confidence); percentile: share of them below; differs: q is 0.05 or less.",
        title=f"{vehicle} against the good cars of its family",
    )


def _causes(runs: pl.DataFrame, question: Question) -> Answer:
    """Cars counted; nothing of a figure can be asked along with it."""
    asked = (("--figure", question.figures), ("--against", question.against),
             ("--over-time", question.over_time))  # fmt: skip
    faults = [
        Fault(option, "with --by cause", "one of them: causes are counted", "leave one out")
        for option, told in asked
        if told and question.by == by_cause.CAUSE
    ]
    if faults:
        raise WrongUse(faults)
    frame = by_cause.count_causes(_only(runs, question))
    found = _answer("by cause", frame, by_cause.MEANING, tuple(frame.columns),
                    CAUSES_LEGEND, title="Cars by family and cause")  # fmt: skip
    return replace(found, shown=by_cause.side_by_side(frame))


def _groups(table: pl.DataFrame, runs: pl.DataFrame, question: Question) -> Answer:
    by = question.by or "family"
    grouping = next(each for each in groups.GROUPINGS if each == by)
    if question.against is not None:
        _require(table, "--against", by, question.against)
    return _answer(
        f"by {by}",
        groups.compare_groups(table, grouping, question.against),
        groups.MEANING,
        (
            *("family", "purpose", "group", "figure", "unit", "cars", "mean", "shrunk"),
            *("difference", "low", "high", "g", "q", "differs"),
        ),
        f"{_purposes(table, runs, grouping, question.figures)}difference: group minus "
        f"{question.against or groups.REST}, 95 % between low and high; g: the same "
        "in standard deviations; shrunk: the mean drawn towards the family's where few "
        "cars are behind it; differs: q is 0.05 or less.",
        title=f"Each {by} against {question.against or groups.REST}",
    )


def _purposes(
    table: pl.DataFrame, runs: pl.DataFrame, by: groups.By, figures: tuple[str, ...]
) -> str:
    """Which purposes are compared, that they are compared apart, and how many runs could be."""
    if by not in groups.APART:
        return ""
    have = "have a figure" if not figures else f"have {' or '.join(figures)}"
    of_all = dict(runs["purpose"].fill_null(UNKNOWN).value_counts().iter_rows())
    counts = table.select("run_id", "purpose").unique()["purpose"].value_counts().sort("purpose")
    told = ", ".join(
        f"{purpose} ({_counted(count, of_all[purpose])})" for purpose, count in counts.iter_rows()
    )
    apart = "each purpose apart" if counts.height > 1 else "of one purpose"
    return f"{apart}, runs that {have}: {told}; "


def _counted(count: int, of_all: int) -> str:
    """``12 runs``, or ``10 of 12 runs``."""
    word = "run" if of_all == 1 else "runs"
    return f"{count} {word}" if count == of_all else f"{count} of {of_all} {word}"


def _repairs(table: pl.DataFrame, question: Question) -> Answer:
    if question.car is not None:
        return _answer(
            "repairs",
            repairs.repair_pairs(table).filter(pl.col("vehicle") == question.car),
            repairs.MEANING,
            (
                "repair",
                "before_run",
                "after_run",
                "figure",
                "unit",
                "before",
                "after",
                "change",
                "u",
            ),
            "change: after minus before, as on a day of the same temperature; u: its standard "
            "uncertainty.",
            title=f"What repairs changed on {question.car}",
        )
    return _answer(
        "repairs",
        repairs.compare_repairs(table),
        repairs.MEANING,
        (
            *("family", "repair", "figure", "unit", "cars", "change", "low", "high", "q"),
            *("differs", "against_first", "against_low", "against_high"),
        ),
        "change: mean of after minus before, 95 % between low and high; against_first: later "
        "repairs of a car against first ones; differs: q is 0.05 or less.",
        title="What repairs changed",
    )


def _timeline(table: pl.DataFrame, question: Question) -> Answer:
    by: timeline.By = next((each for each in timeline.SERIES if each == question.by), "family")
    frames = [timeline.timeline(table, name, by) for name in question.figures or (KEY_FIGURE,)]
    columns = ("series", "started", "run", "figure", "unit", "moved", "level", "low", "high")
    found = _answer(
        "over time",
        pl.concat(frames),
        timeline.MEANING,
        (*columns, "strange", "alarm"),
        "level: moving average of the figure at one outside temperature; it has changed where it "
        "leaves low to high; strange: a single run far from the first ones.",
        title=f"The course of time, by {by}",
    )
    shown = found.shown
    if shown.height > MAX_MARKS:
        shown = shown.filter(pl.col("strange") | pl.col("alarm").is_not_null())
    alarms = tuple(
        say(
            "{series}, {figure}: {alarm}, about {level} (seen with {run})",
            **{name: row[name] for name in ("series", "figure", "alarm", "run")},
            level=rounded(row["alarm_level"], half_width((row["low"], row["high"])), row["unit"]),
        )
        for row in found.sheet.frame.filter(pl.col("alarm").is_not_null()).iter_rows(named=True)
    )
    return Answer(found.name, found.sheet, shown, found.legend, alarms or ("no level has changed",))
