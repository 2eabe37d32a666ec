"""The fleet on the command line: the store, comparisons, the board."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.complete import cause_names, figure_names
from dashboard.commands.keeping import add_judged, count_reports, decided
from dashboard.commands.progress import counted
from dashboard.commands.shared import (
    UNUSABLE,
    BaselineOption,
    ClusterOption,
    DatabaseOption,
    FamilyOption,
    JobsOption,
    LimitsOption,
    PurposeOption,
    StoreArgument,
    TimeLimitOption,
    Units,
    UnitsOption,
    json_text,
    note,
    nothing_per_run,
    say,
)
from dashboard.places import expand, open_store

if TYPE_CHECKING:
    import polars as pl


app = typer.Typer()


store_app = typer.Typer(
    help="The run store: raw files unchanged, readings, results.", no_args_is_help=True
)


class By(StrEnum):
    """What `compare` puts side by side."""

    FAMILY = "family"
    PLANT = "plant"
    MONTH = "month"
    VEHICLE = "vehicle"
    PURPOSE = "purpose"
    REPAIR = "repair"
    CAUSE = "cause"


CauseOption = Annotated[
    str | None,
    typer.Option("--cause", help="Only runs with this first cause.", autocompletion=cause_names),
]
SinceOption = Annotated[
    datetime | None, typer.Option("--since", formats=["%Y-%m-%d"], help="First day, UTC.")
]
UntilOption = Annotated[
    datetime | None, typer.Option("--until", formats=["%Y-%m-%d"], help="Last day, UTC.")
]
FailedOption = Annotated[
    str | None,
    typer.Option(
        "--failed", help="Only runs in which this figure failed.", autocompletion=figure_names
    ),
]
JsonOption = Annotated[
    str | None, typer.Option("--json", help="Write the rows as JSON; - for the screen.")
]


ByOption = Annotated[By | None, typer.Option("--by", help="What is compared with what.")]
CarOption = Annotated[
    str | None, typer.Option("--car", help="This vehicle against its family's good cars.")
]
FiguresOption = Annotated[
    list[str] | None,
    typer.Option(
        "--figure", help="Only this figure; may be repeated.", autocompletion=figure_names
    ),
]
AgainstOption = Annotated[
    str | None, typer.Option("--against", help="A group to compare with, not all others.")
]
OverTimeOption = Annotated[
    bool, typer.Option("--over-time", help="Has the level changed, and since when?")
]
TableOption = Annotated[
    Path | None, typer.Option("--out", help="Write FILE.csv, .parquet or .xlsx.")
]


class Verdict(StrEnum):
    """Verdicts on a run, as the catalog writes them."""

    PASS = "pass"  # noqa: S105 - no password
    FAIL = "fail"
    UNDECIDED = "undecided"
    NOT_MEASURED = "not measured"


@store_app.command("add")
def store_add(
    store: StoreArgument,
    runs: Annotated[list[str], typer.Argument(metavar="RUN...", help="Run folders.")],
    limits: LimitsOption = None,
    baseline: BaselineOption = None,
    database: DatabaseOption = None,
    jobs: JobsOption = 0,
    cluster: ClusterOption = None,
    time_limit: TimeLimitOption = None,
) -> None:
    """Add runs with their raw files, readings and results; what is there already is left alone.

    All runs of a store are judged by one decision of it: the default limits and its own good cars,
    or the --limits and --baseline last given here or to `store refresh`.

    Example: lukewarm store add fleet sample_logs
    """
    from ingest.store.store import Store
    from ingest.work.outcome import Workers

    places = expand(runs)
    opened = Store.open(store, database)
    judging = decided(opened, limits, baseline)
    workers = Workers(jobs, cluster, time_limit)
    new, bad = add_judged(opened, database, places, workers, judging)
    say(f"{new} added, {len(places) - new - bad} there already, {bad} not usable")
    if bad:
        raise typer.Exit(UNUSABLE)


@store_app.command("refresh")
def store_refresh(
    store: StoreArgument,
    limits: LimitsOption = None,
    baseline: BaselineOption = None,
    database: DatabaseOption = None,
    jobs: JobsOption = 0,
    cluster: ClusterOption = None,
    time_limit: TimeLimitOption = None,
) -> None:
    """Compute again what was made by another version, other limits or other good cars.

    --limits and --baseline decide what judges the store from now on; the store as its own
    --baseline lets its own good cars judge again.

    Example: lukewarm store refresh fleet --baseline fleet
    """
    from ingest.store.many import outdated, refresh_many
    from ingest.store.rebuild import write_lists
    from ingest.work.outcome import Workers

    opened = open_store(store, database)
    write_lists(opened)
    task = decided(opened, limits, baseline).task(opened.folder, database)
    ids = outdated(opened, task.versions)
    reports = refresh_many(task, ids, Workers(jobs, cluster, time_limit))
    new, bad = count_reports(reports, len(ids), "computing")
    say(f"{new} computed again, {bad} could not be; all others were up to date")
    if bad:
        raise typer.Exit(UNUSABLE)


@store_app.command("rebuild")
def store_rebuild(
    store: StoreArgument,
    limits: LimitsOption = None,
    baseline: BaselineOption = None,
    database: DatabaseOption = None,
    jobs: JobsOption = 0,
    cluster: ClusterOption = None,
    time_limit: TimeLimitOption = None,
) -> None:
    """Make a damaged or lost catalog again from the raw files; what is damaged is set aside.

    Example: lukewarm store rebuild fleet
    """
    from contextlib import closing

    from ingest.store.rebuild import make_way, missing, rebuild_many, unlisted
    from ingest.store.store import Store
    from ingest.work.outcome import Workers

    aside = make_way(store, database)
    if aside:
        note(f"the damaged catalog lies at {aside} now")
    with closing(Store.open(store, database, create=False)) as opened:
        task = decided(opened, limits, baseline).task(opened.folder, database)
        ids = missing(opened)
        reports = rebuild_many(task, ids, Workers(jobs, cluster, time_limit))
        new, bad = count_reports(reports, len(ids), "rebuilding")
        left = unlisted(opened)
    say(f"{new} runs put back, {bad} could not be; all others were there")
    if left:
        note(f"{left} raw files have no list of their run: add their runs again")
    if bad or left:
        raise typer.Exit(UNUSABLE)


@store_app.command("list")
def store_list(
    store: StoreArgument,
    family: FamilyOption = None,
    vehicle: Annotated[str | None, typer.Option("--vehicle", help="Only this car.")] = None,
    verdict: Annotated[Verdict | None, typer.Option("--verdict", help="Only this verdict.")] = None,
    purpose: PurposeOption = None,
    plant: Annotated[str | None, typer.Option("--plant", help="Only this plant.")] = None,
    cause: CauseOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    failed: FailedOption = None,
    json_out: JsonOption = None,
    database: DatabaseOption = None,
) -> None:
    """List the runs of a store, newest first.

    Example: lukewarm store list fleet --family Plover --verdict fail
    """
    from dashboard.text.table import table_lines
    from ingest.store.asked import require_known
    from ingest.store.read import Filter, runs

    opened = open_store(store, database)
    word = verdict.value if verdict else None
    only = Filter(
        family, vehicle, word, purpose, plant, cause, day_of(since), day_of(until), failed
    )
    require_known(opened, only)
    found = runs(opened, only)
    if json_out is not None:
        show_rows(found, json_out)
        return
    shown = ("id", "name", "vehicle", "family", "purpose", "started", "verdict", "first_cause")
    say("\n".join(table_lines(found.select(shown).rename({"started": "started (UTC)"}))))
    note(f"{found.height} runs")


@store_app.command("verify")
def store_verify(
    store: StoreArgument,
    tidy: Annotated[
        bool, typer.Option("--tidy", help="Remove files that no run refers to.")
    ] = False,
    database: DatabaseOption = None,
) -> None:
    """Prove that no file has changed since it was added.

    Example: lukewarm store verify fleet
    """
    from ingest.store.rebuild import write_lists
    from ingest.store.verify import check_files, leftovers
    from ingest.store.verify import tidy as remove_leftovers

    opened = open_store(store, database)
    write_lists(opened)
    count, files = check_files(opened)
    damage = [each for each in counted(files, count, "verifying") if each is not None]
    for each in damage:
        note(f"error: {each.where}: {each.what}")
    if tidy:
        note(f"{remove_leftovers(opened)} leftover files removed")
    left = len(leftovers(opened))
    aside = f"; {left} leftover files that no run refers to, harmless (see --tidy)" if left else ""
    say(f"{count} checked, {len(damage)} damaged{aside}")
    if damage:
        raise typer.Exit(UNUSABLE)


@store_app.command("export")
def store_export(
    store: StoreArgument,
    out: Annotated[
        Path,
        typer.Option(
            "--out", help="FILE.csv, .parquet or .xlsx; a new FOLDER for a Frictionless package."
        ),
    ],
    table: Annotated[
        str | None, typer.Option("--table", help="fleet, runs, figures or causes.")
    ] = None,
    family: FamilyOption = None,
    purpose: PurposeOption = None,
    database: DatabaseOption = None,
) -> None:
    """Write a store's tables for other programs.

    Example: lukewarm store export fleet --out fleet.xlsx
    """
    from ingest.store.asked import require_known
    from ingest.store.export import export
    from ingest.store.read import Filter

    opened, only = open_store(store, database), Filter(family=family, purpose=purpose)
    require_known(opened, only)
    export(opened, out, table, only)
    note(f"wrote {out}")


@app.command()
def compare(
    store: StoreArgument,
    by: ByOption = None,
    car: CarOption = None,
    figure: FiguresOption = None,
    against: AgainstOption = None,
    family: FamilyOption = None,
    purpose: PurposeOption = None,
    over_time: OverTimeOption = False,
    cause: CauseOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    failed: FailedOption = None,
    out: TableOption = None,
    json_out: JsonOption = None,
    units: UnitsOption = Units.SI,
    jobs: JobsOption = 1,
    cluster: ClusterOption = None,
    database: DatabaseOption = None,
) -> None:
    """Runs against baselines and against each other, by car, family, plant, time and repair.

    Files and JSON hold every digit in stored units; --units is for the screen.

    Example: lukewarm compare fleet --car SC-014
    """
    from analysis.compare.answer import CAUSES_LEGEND, Question
    from analysis.compare.ask import ask
    from dashboard.text.comparison import causes_lines, comparison_lines
    from dashboard.text.shown import said_in
    from ingest.export.tables import ENDINGS, require_ending, write_table
    from ingest.export.workbook import write_workbook
    from ingest.store.asked import require_known
    from ingest.store.read import Filter

    if out is not None:
        require_ending(out, ENDINGS)
    opened = open_store(store, database)
    only = Filter(cause=cause, since=day_of(since), until=day_of(until), failed=failed)
    require_known(opened, replace(only, family=family, purpose=purpose))
    nothing_per_run("compare", jobs, cluster)
    names = tuple(figure or ())
    question = Question(
        by.value if by else None, car, names, against, family, purpose, over_time=over_time
    )
    found, every = ask(opened, question, only)
    if json_out is not None:
        show_rows(found.sheet.frame, json_out)
        for line in (found.legend, *found.remarks):
            note(line)
    if out is None:
        if json_out is not None:
            return
        shown, below = found.lines()
        told = (said_in(line, units.value) for line in below)
        for line in (*comparison_lines(shown, units.value), "", *told):
            say(line)
        if found.causes is not None:
            for line in ("", *causes_lines(found.causes, CAUSES_LEGEND)):
                say(line)
    elif out.suffix.lower() == ".xlsx":
        write_workbook(found.sheets(every), out)
    else:
        write_table(found.sheet, out)
    if out is not None:
        note(f"wrote {out}")


def day_of(moment: datetime | None) -> date | None:
    """The day that was meant."""
    return None if moment is None else moment.date()


def show_rows(frame: pl.DataFrame, json_out: str) -> None:
    """Write a table as one JSON list of objects, times in ISO 8601."""
    text = json_text(frame.to_dicts(), json_out)
    if json_out == "-":
        say(text)
        return
    from ingest.load.load import write_text

    write_text(Path(json_out), text + "\n")
    note(f"wrote {json_out}")


app.add_typer(store_app, name="store")
