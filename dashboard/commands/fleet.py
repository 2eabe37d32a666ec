"""The fleet on the command line: the store, comparisons, the board."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.shared import (
    UNUSABLE,
    BaselineOption,
    DatabaseOption,
    FamilyOption,
    LimitsOption,
    ProcessesOption,
    PurposeOption,
    StoreArgument,
    Units,
    UnitsOption,
    board_password,
    counted,
    note,
    read_baseline,
    say,
)
from dashboard.places import expand, open_store, read_limits

if TYPE_CHECKING:
    import polars as pl

    from analysis.limits import Limits
    from dashboard.web.source import Source
    from ingest.store.many import Report, Task


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


CauseOption = Annotated[
    str | None, typer.Option("--cause", help="Only runs with this first cause.")
]
SinceOption = Annotated[
    datetime | None, typer.Option("--since", formats=["%Y-%m-%d"], help="First day, UTC.")
]
UntilOption = Annotated[
    datetime | None, typer.Option("--until", formats=["%Y-%m-%d"], help="Last day, UTC.")
]
FailedOption = Annotated[
    str | None, typer.Option("--failed", help="Only runs in which this figure failed.")
]
JsonOption = Annotated[
    str | None, typer.Option("--json", help="Write the rows as JSON; - for the screen.")
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
    processes: ProcessesOption = None,
) -> None:
    """Add runs with their raw files, readings and results; what is there already is left alone.

    Example: lukewarm store add fleet sample_logs
    """
    from ingest.store.many import add_many

    places = expand(runs)
    task = store_task(store, database, limits, baseline)
    new, bad = count_reports(add_many(task, places, processes), len(places), "adding")
    say(f"{new} added, {len(places) - new - bad} there already, {bad} not usable")
    if bad:
        raise typer.Exit(UNUSABLE)


@store_app.command("refresh")
def store_refresh(
    store: StoreArgument,
    limits: LimitsOption = None,
    baseline: BaselineOption = None,
    database: DatabaseOption = None,
    processes: ProcessesOption = None,
) -> None:
    """Compute again what was made by another version, other limits or other good cars.

    Example: lukewarm store refresh fleet --baseline fleet
    """
    from ingest.store.many import outdated, refresh_many

    opened = open_store(store, database)
    task = store_task(store, database, limits, baseline)
    ids = outdated(opened, task.versions)
    new, bad = count_reports(refresh_many(task, ids, processes), len(ids), "computing")
    say(f"{new} computed again, {bad} could not be; all others were up to date")
    if bad:
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
    from ingest.store.verify import check_files, leftovers
    from ingest.store.verify import tidy as remove_leftovers

    opened = open_store(store, database)
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
    from ingest.store.export import export
    from ingest.store.read import Filter

    export(open_store(store, database), out, table, Filter(family=family, purpose=purpose))
    note(f"wrote {out}")


@app.command()
def compare(
    store: StoreArgument,
    by: Annotated[By | None, typer.Option("--by", help="What is compared with what.")] = None,
    car: Annotated[
        str | None, typer.Option("--car", help="This vehicle against its family's good cars.")
    ] = None,
    figure: Annotated[
        list[str] | None, typer.Option("--figure", help="Only this figure; may be repeated.")
    ] = None,
    against: Annotated[
        str | None, typer.Option("--against", help="A group to compare with, not all others.")
    ] = None,
    family: FamilyOption = None,
    purpose: PurposeOption = None,
    over_time: Annotated[
        bool, typer.Option("--over-time", help="Has the level changed, and since when?")
    ] = False,
    cause: CauseOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    failed: FailedOption = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write FILE.csv, .parquet or .xlsx.")
    ] = None,
    json_out: JsonOption = None,
    database: DatabaseOption = None,
) -> None:
    """Runs against baselines and against each other, by car, family, plant, time and repair.

    Example: lukewarm compare fleet --car SC-014
    """
    from analysis.compare.answer import Question
    from analysis.compare.ask import ask
    from dashboard.text.table import table_lines
    from ingest.export.tables import write_table
    from ingest.export.workbook import write_workbook
    from ingest.store.asked import require_known
    from ingest.store.read import Filter

    opened = open_store(store, database)
    only = Filter(cause=cause, since=day_of(since), until=day_of(until), failed=failed)
    require_known(opened, replace(only, family=family, purpose=purpose))
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
        for line in (*table_lines(shown), "", *below):
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
    import json

    text = json.dumps(frame.to_dicts(), ensure_ascii=False, indent=1, default=datetime.isoformat)
    if json_out == "-":
        say(text)
        return
    from ingest.load.load import write_text

    write_text(Path(json_out), text + "\n")
    note(f"wrote {json_out}")


def store_task(
    store: Path, database: str | None, limits: Path | None, baseline: Path | None
) -> Task:
    """How runs of a store are worked on."""
    from functools import partial

    from analysis.compare.stored import Edition, outcome
    from ingest.store.many import Task

    in_force = read_limits(limits)
    good = read_baseline(baseline) if baseline else None
    compute = partial(outcome, limits=in_force, baseline=good)
    return Task(store, database, compute, Edition(in_force, good).versions)


def count_reports(reports: Iterable[Report], total: int, what: str) -> tuple[int, int]:
    """Show progress and faults; says how many were written and how many could not be used."""
    new = bad = 0
    for report in counted(reports, total, what):
        new += report.new
        bad += bool(report.faults)
        if report.faults:
            note(f"{report.item}:")
        for line in report.faults:
            note(f"error: {line}")
    return new, bad


@app.command()
def board(
    place: Annotated[
        Path | None,
        typer.Argument(metavar="[STORE]", help="Store, run folder, or folder of run folders."),
    ] = None,
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes any.")] = 8050,
    password_file: Annotated[
        Path | None,
        typer.Option("--password-file", help="File whose first line visitors must know."),
    ] = None,
    tls_cert: Annotated[Path | None, typer.Option("--tls-cert", help="PEM certificate.")] = None,
    tls_key: Annotated[Path | None, typer.Option("--tls-key", help="PEM key.")] = None,
    limits: Annotated[
        Path | None, typer.Option("--limits", help="Limits file (TOML) instead of the default.")
    ] = None,
    units: UnitsOption = Units.SI,
) -> None:
    """Look at runs in a web browser: one car, the fleet, the limits. Answers this machine alone.

    Without STORE it shows the runs of the current folder, else the sample logs. For others to reach
    it, give --host and a password: --password-file, or LUKEWARM_BOARD_PASSWORD.

    Example: lukewarm board sample_logs
    """
    from dashboard.board.app import create_app
    from dashboard.board.login import Password
    from dashboard.board.server import Serving, address_of, bind, make_server, names_of
    from dashboard.web.service import Board
    from dashboard.web.uploads import Uploads

    password = board_password(password_file)
    serving = Serving(host, port, password, tls_cert, tls_key)
    serving.check()
    source = board_source(place, read_limits(limits) if limits else None)
    uploads = Uploads(source)
    dash = create_app(
        Board(source, uploads, units.value, live=place or Path()),
        password=Password(password) if password else None,
        secure=serving.secure,
        hosts=names_of(serving),
    )
    server = make_server(dash.server, serving)
    bind(server, serving)
    if password and not serving.secure:
        note("warning: without --tls-cert the password crosses the network as it is")
    note(f"the board is at {address_of(server, serving)}; Ctrl+C ends it")
    uploads.warm()
    try:
        server.serve()
    finally:
        server.stop()
        uploads.close()


def board_source(place: Path | None, limits: Limits | None) -> Source:
    """Runs for the board: a store's, or those of plain run folders."""
    from dashboard.web.folder_source import FolderSource
    from dashboard.web.service import StoreSource
    from ingest.errors import Fault, UnusableRun
    from ingest.load.load import run_folders
    from ingest.store.store import Store

    if place is not None and Store.is_store(place):
        return StoreSource(Store.open(place, create=False), limits)
    asked = place or Path()
    folders = run_folders(asked) or ([asked] if (asked / "run.toml").is_file() else [])
    if not folders and place is None:
        import sample_logs

        asked = Path(sample_logs.__path__[0])
        folders = run_folders(asked)
    if not folders:
        raise UnusableRun(
            Fault(str(asked), "no store and no run folder", "one of them", "check the path")
        )
    read = counted(folders, len(folders), "reading")
    return FolderSource.read(read, asked.resolve().name, limits)


app.add_typer(store_app, name="store")
