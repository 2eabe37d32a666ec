"""The command line: parse, call, print. Everything heavy is imported inside the command."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

if TYPE_CHECKING:
    from concurrent.futures import Future

    from rich.console import Console

    from analysis.baseline import Baseline
    from analysis.limits import Limits
    from analysis.pipeline import Analysis
    from dashboard.server import Serving
    from dashboard.service import Source
    from ingest.check_sheet import Checked
    from ingest.errors import LukewarmError
    from ingest.recorder import Recorder
    from ingest.run import Run
    from ingest.store import Store
    from ingest.store_many import Report, Task

T = TypeVar("T")

UNUSABLE = 1
FAILED_LIMITS = 3

app = typer.Typer(
    name="lukewarm",
    help="Why is the heater lukewarm? From sensor logs to figures, a verdict and the next check.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


store_app = typer.Typer(
    help="The run store: raw files unchanged, readings, results.", no_args_is_help=True
)
app.add_typer(store_app, name="store")


class Units(StrEnum):
    """Units shown on screens; files stay SI."""

    SI = "si"
    US = "us"


class Paper(StrEnum):
    """Page sizes of the report."""

    A4 = "a4"
    LETTER = "letter"


class Answer(StrEnum):
    """Whether a check found something."""

    YES = "yes"
    NO = "no"


class By(StrEnum):
    """What `compare` puts side by side."""

    FAMILY = "family"
    PLANT = "plant"
    MONTH = "month"
    VEHICLE = "vehicle"
    PURPOSE = "purpose"
    REPAIR = "repair"


RunsArgument = Annotated[
    list[str],
    typer.Argument(metavar="RUN...", help="Run folders, or CSV logs with --setup."),
]
SetupOption = Annotated[
    Path | None, typer.Option("--setup", help="The run.toml for logs given without a folder.")
]
UnitsOption = Annotated[Units, typer.Option("--units", help="Units to show: si or us.")]
LimitsOption = Annotated[
    Path | None, typer.Option("--limits", help="Limits file (TOML) instead of the default.")
]
BaselineOption = Annotated[
    Path | None, typer.Option("--baseline", help="Store or folder of runs of known-good cars.")
]
StoreArgument = Annotated[Path, typer.Argument(metavar="STORE", help="Folder of the run store.")]
DatabaseOption = Annotated[
    str | None,
    typer.Option("--database", help="URL of a PostgreSQL catalog; a new store keeps it."),
]
ProcessesOption = Annotated[
    int | None, typer.Option("--processes", min=1, help="How many to use; default all cores.")
]
FamilyOption = Annotated[str | None, typer.Option("--family", help="Only this family.")]
PurposeOption = Annotated[str | None, typer.Option("--purpose", help="Only this purpose.")]


def main() -> None:
    """Run the command line; a fault in the data is a line on standard error, never a traceback."""
    for stream in (sys.stdout, sys.stderr):
        # A Windows console may stand on a code page without degree signs.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    from ingest.errors import LukewarmError

    try:
        app()
    except LukewarmError as error:
        say_error(error)
        sys.exit(UNUSABLE)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(UNUSABLE)
    except KeyboardInterrupt:
        sys.exit(130)


def say(text: str = "") -> None:
    """Print to standard output."""
    typer.echo(text)


def note(text: str) -> None:
    """Print to standard error: progress, warnings, faults."""
    typer.echo(text, err=True)


def say_error(error: LukewarmError) -> None:
    """Print each line of an error on its own."""
    for line in str(error).splitlines():
        note(f"error: {line}")


@app.command()
def analyze(
    runs: RunsArgument,
    setup: SetupOption = None,
    limits: LimitsOption = None,
    baseline: BaselineOption = None,
    json_out: Annotated[
        str | None, typer.Option("--json", help="Write the result as JSON; - for the screen.")
    ] = None,
    units: UnitsOption = Units.SI,
    fail_on_verdict: Annotated[
        bool, typer.Option("--fail-on-verdict", help="Exit 3 when a run fails its limits.")
    ] = False,
    soak: Annotated[
        bool,
        typer.Option(
            "--soak-correction/--no-soak-correction",
            help="Correct sensors against each other where the car stood cold.",
        ),
    ] = True,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", help="Also write a picture of the (one) run as HTML."),
    ] = None,
    fit_picture: Annotated[
        Path | None,
        typer.Option("--fit-picture", help="Also write the fitted outlet over the measured one."),
    ] = None,
) -> None:
    """Figures, verdict and causes of one or many runs.

    Example: lukewarm analyze sample_logs/SC-014-complaint --baseline sample_logs
    """
    from analysis.result import document
    from ingest.errors import LukewarmError

    places = expand(runs)
    in_force = read_limits(limits)
    good = read_baseline(baseline) if baseline else None
    documents: list[dict[str, Any]] = []
    failed = False
    for place, outcome in each_run(places, setup):
        if isinstance(outcome, Exception):
            documents.append(error_document(place, outcome))
            continue
        try:
            checked = checks_on_sheet(place)
        except LukewarmError as error:
            say_error(error)
            documents.append(error_document(place, error))
            continue
        analysis = analyze_run(outcome, in_force, good, soak=soak, checked=checked)
        failed = failed or analysis.verdict == "fail"
        documents.append(document(analysis))
        if picture:
            write_picture(analysis, picture, units)
        if fit_picture:
            write_fit(analysis, fit_picture, units)
    unusable = any("error" in each for each in documents)
    show_documents(documents, json_out, units, single=len(places) == 1)
    if unusable:
        raise typer.Exit(UNUSABLE)
    if failed and fail_on_verdict:
        raise typer.Exit(FAILED_LIMITS)


@app.command()
def demo(
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the picture and the results.")
    ] = Path("lukewarm-demo"),
    units: UnitsOption = Units.SI,
) -> None:
    """Run the main job on the sample logs and say where to look next.

    Example: lukewarm demo --units us
    """
    import json

    import sample_logs
    from analysis.baseline import Baseline
    from analysis.pipeline import judge_measured, measure
    from analysis.result import document
    from dashboard.summary import summary_lines
    from dashboard.text import result_lines
    from ingest.load import run_folders, write_text

    folders = run_folders(Path(sample_logs.__file__).parent)
    measured = {
        place.name: measure(outcome)
        for place, outcome in each_run(folders, None)
        if not isinstance(outcome, Exception)
    }
    good = Baseline.of([car for car in measured.values() if is_baseline(car.run)])
    analyses = {name: judge_measured(car, baseline=good) for name, car in measured.items()}
    documents = {name: document(analysis) for name, analysis in analyses.items()}
    for line in summary_lines(documents.values(), units.value):
        say(line)
    shown = "SC-014-complaint"
    say()
    for line in result_lines(documents[shown], units.value, color=sys.stdout.isatty()):
        say(line)
    out.mkdir(parents=True, exist_ok=True)
    write_picture(analyses[shown], out / f"{shown}.html", units)
    results = json.dumps(list(documents.values()), ensure_ascii=False, indent=1)
    write_text(out / "results.json", results + "\n")
    note(f"wrote {out / 'results.json'}")
    say()
    say(f"Next: open {out / f'{shown}.html'} in a browser; look at one sample run with")
    say(f"  lukewarm check {folders[0].parent / shown}")
    say("and draft the set-up of a log of your own with  lukewarm setup YOUR-LOG.csv")


@app.command()
def check(runs: RunsArgument, setup: SetupOption = None, units: UnitsOption = Units.SI) -> None:
    """What is wrong with a log: columns, units, gaps, sensors. Does not judge the heater.

    Example: lukewarm check sample_logs/SC-014-complaint
    """
    from analysis.quality import assess
    from dashboard.text import check_lines

    unusable = False
    for _, outcome in each_run(expand(runs), setup):
        if isinstance(outcome, Exception):
            unusable = True
            continue
        for line in check_lines(assess(outcome), units.value):
            say(line)
    if unusable:
        raise typer.Exit(UNUSABLE)


@app.command("setup")
def setup_command(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="The log to draft a run.toml for.")],
    out: Annotated[Path | None, typer.Option("--out", help="File to write.")] = None,
) -> None:
    """Draft a run.toml from a log's names and units; marks what it could not tell.

    Example: lukewarm setup sample_logs/SC-014-complaint/log.csv --out run.toml
    """
    from ingest.draft import draft_setup
    from ingest.errors import Fault, UnusableRun

    draft = draft_setup(log)
    if out is None:
        say(draft.text)
        return
    if out.exists():
        raise UnusableRun(
            Fault(str(out), "a file that is there already", "a new name", "remove or rename it")
        )
    out.write_text(draft.text, encoding="utf-8")
    note(f"wrote {out}; read the lines marked with # and fill in the vehicle")


@app.command()
def convert(
    runs: RunsArgument,
    out: Annotated[Path, typer.Option("--out", help="FILE.csv or .parquet; a folder for several.")],
    setup: SetupOption = None,
    grid: Annotated[
        float | None, typer.Option("--grid", min=0.001, help="Step of an even grid, s.")
    ] = None,
) -> None:
    """Readings in physical units with the controls joined.

    Example: lukewarm convert sample_logs/SC-014-complaint --out SC-014.csv --grid 1
    """
    from ingest.export import readings_with_controls, write_readings

    places = expand(runs)
    unusable = False
    for place, outcome in each_run(places, setup):
        if isinstance(outcome, Exception):
            unusable = True
            continue
        target = out if len(places) == 1 else out / f"{place.name}.csv"
        write_readings(readings_with_controls(outcome, grid), target)
        note(f"wrote {target}")
    if unusable:
        raise typer.Exit(UNUSABLE)


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
    from ingest.store_many import add_many

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
    from ingest.store_many import outdated, refresh_many

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
    verdict: Annotated[str | None, typer.Option("--verdict", help="Only this verdict.")] = None,
    purpose: PurposeOption = None,
    plant: Annotated[str | None, typer.Option("--plant", help="Only this plant.")] = None,
    database: DatabaseOption = None,
) -> None:
    """List the runs of a store, newest first.

    Example: lukewarm store list fleet --family Plover --verdict fail
    """
    from dashboard.table_text import table_lines
    from ingest.store_read import Filter, runs

    found = runs(open_store(store, database), Filter(family, vehicle, verdict, purpose, plant))
    shown = ("id", "name", "vehicle", "family", "purpose", "started", "verdict", "first_cause")
    say("\n".join(table_lines(found.select(shown))))
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
    from ingest.store_verify import check_files, leftovers
    from ingest.store_verify import tidy as remove_leftovers

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
    from ingest.export_store import export
    from ingest.store_read import Filter

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
    out: Annotated[
        Path | None, typer.Option("--out", help="Write FILE.csv, .parquet or .xlsx.")
    ] = None,
    database: DatabaseOption = None,
) -> None:
    """Runs against baselines and against each other, by car, family, plant, time and repair.

    Example: lukewarm compare fleet --car SC-014
    """
    from analysis.compare.answer import Question
    from analysis.compare.ask import ask
    from dashboard.table_text import table_lines
    from ingest.export_tables import write_table, write_workbook

    names = tuple(figure or ())
    question = Question(
        by.value if by else None, car, names, against, family, purpose, over_time=over_time
    )
    found, every = ask(open_store(store, database), question)
    if out is None:
        shown, below = found.lines()
        for line in (*table_lines(shown), "", *below):
            say(line)
    elif out.suffix.lower() == ".xlsx":
        write_workbook(found.sheets(every), out)
    else:
        write_table(found.sheet, out)
    if out is not None:
        note(f"wrote {out}")


@app.command()
def tune(
    store: Annotated[
        Path | None, typer.Argument(metavar="STORE", help="Folder of the run store.")
    ] = None,
    labels: Annotated[
        Path | None,
        typer.Option("--labels", help="CSV: run or car, label (good, bad), cause, source, date."),
    ] = None,
    cost_missed: Annotated[
        float, typer.Option("--cost-missed", min=0.0, help="Cost of passing a bad car.")
    ] = 3.0,
    cost_needless: Annotated[
        float, typer.Option("--cost-needless", min=0.0, help="Cost of failing a good car.")
    ] = 1.0,
    bad_share: Annotated[
        float | None,
        typer.Option("--bad-share", min=0.0, max=1.0, help="Share of bad cars in use."),
    ] = None,
    unclaimed_share: Annotated[
        float,
        typer.Option(
            "--unclaimed-share", min=0.0, max=0.9, help="Share of `good` that was never claimed."
        ),
    ] = 0.0,
    families: Annotated[str, typer.Option("--families", help="Only these: Plover,Dunlin.")] = "",
    as_measured: Annotated[
        bool, typer.Option("--as-measured", help="Leave the scatter of measuring in.")
    ] = False,
    seed: Annotated[int, typer.Option("--seed", help="Of everything drawn at random.")] = 0,
    out: Annotated[Path | None, typer.Option("--out", help="Limits file to write.")] = None,
    report_out: Annotated[
        Path | None, typer.Option("--report", help="Report to write: FILE.html or .csv.")
    ] = None,
    against: Annotated[
        Path | None, typer.Option("--against", help="The limits file in force.")
    ] = None,
    version: Annotated[str, typer.Option("--version", help="Of the limits file.")] = "",
    author: Annotated[str, typer.Option("--author", help="Of the limits file.")] = "",
    date: Annotated[
        str, typer.Option("--date", help="Of the limits file; default the newest label's.")
    ] = "",
    explain: Annotated[
        tuple[Path, Path] | None,
        typer.Option("--explain", metavar="OLD NEW", help="Say how two limits files differ."),
    ] = None,
    units: UnitsOption = Units.SI,
    database: DatabaseOption = None,
) -> None:
    """Limits from labelled runs: what they catch, what they cost, what they would change.

    Example: lukewarm tune fleet --labels labels.csv --cost-missed 400 --cost-needless 150
    """
    if explain:
        from analysis.tune.explain import explain as differences

        for line in differences(read_limits(explain[0]), read_limits(explain[1])):
            say(line)
        return
    if store is None or labels is None:
        raise typer.BadParameter("give a STORE and --labels FILE, or --explain OLD NEW")
    if report_out and report_out.suffix.lower() not in (".html", ".csv"):
        raise typer.BadParameter("--report takes a name that ends in .html or .csv")
    from analysis.tune.choice import Costs
    from analysis.tune.limits_text import limits_text
    from analysis.tune.stored import tune_store
    from analysis.tune.tuning import Options
    from dashboard.tuning_report import report_page
    from dashboard.tuning_text import report_csv, tuning_lines
    from ingest.load import read_text, write_text

    options = Options(
        Costs(cost_missed, cost_needless, bad_share, unclaimed_share),
        tuple(name.strip() for name in families.split(",") if name.strip()),
        not as_measured, seed, version, author, date,
    )  # fmt: skip
    in_force = read_limits(against) if against else None
    tuned, changed = tune_store(
        open_store(store, database), read_text(labels), labels.name, in_force, options
    )
    for line in tuning_lines(tuned, changed, units.value):
        say(line)
    if out:
        write_text(out, limits_text(tuned.limits))
        note(f"wrote {out}")
    if report_out:
        as_csv = report_out.suffix.lower() == ".csv"
        write_text(
            report_out, report_csv(tuned) if as_csv else report_page(tuned, changed, units.value)
        )
        note(f"wrote {report_out}")


def open_store(place: Path, database: str | None) -> Store:
    """A store that is there."""
    from ingest.store import Store

    return Store.open(place, database, create=False)


def store_task(
    store: Path, database: str | None, limits: Path | None, baseline: Path | None
) -> Task:
    """How runs of a store are worked on."""
    from functools import partial

    from analysis.compare.stored import Edition, outcome
    from ingest.store_many import Task

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
def ports() -> None:
    """The serial ports of this computer: name, USB id, serial number, description.

    Example: lukewarm ports
    """
    from ingest.port import list_ports

    found = list_ports()
    for port in found:
        cells = (port.url, port.usb or "-", port.serial_number or "-", port.description or "-")
        say(
            "  ".join(f"{cell:<{width}}" for cell, width in zip(cells, (16, 9, 16, 0), strict=True))
        )
    if not found:
        note("no serial port; a logger in the network is socket://HOST:PORT or rfc2217://HOST:PORT")


@app.command()
def record(
    port: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[PORT...]",
            help="Name, URL, USB id (1a86:7523) or serial:NUMBER; one for each port of run.toml.",
        ),
    ] = None,
    setup: Annotated[
        Path | None, typer.Option("--setup", help="The run.toml to record by.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="The new run folder.")] = None,
    resume: Annotated[
        Path | None, typer.Option("--resume", help="Go on in this run folder; the gap is marked.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option("--seconds", min=0, help="End after so long.")
    ] = None,
    until_silent: Annotated[
        float | None,
        typer.Option("--until-silent", min=0, help="End when nothing came for so long, s."),
    ] = None,
    plan: Annotated[
        str | None,
        typer.Option("--plan", help="Test plan (TOML), or none; else the heater's usual one."),
    ] = None,
    page: Annotated[
        bool, typer.Option("--page", help="Also serve the live page for a tablet or phone.")
    ] = False,
    page_host: Annotated[
        str, typer.Option("--page-host", help="Address the page listens on.")
    ] = "127.0.0.1",
    page_port: Annotated[
        int, typer.Option("--page-port", min=0, max=65535, help="0 takes any.")
    ] = 8050,
    password_file: Annotated[
        Path | None,
        typer.Option(
            "--password-file", help="File whose first line the page's visitors must know."
        ),
    ] = None,
    units: UnitsOption = Units.SI,
) -> None:
    """Record from serial ports into a run folder; Ctrl-C ends it.

    On a terminal it leads through the test plan, step by step; otherwise it prints plain lines.

    Example: lukewarm record COM5 --setup run.toml --out SC-014-monday
    """
    from ingest.recorder import CAUTIONS, Recorder

    if (resume is None) == (out is None) or (out is not None and setup is None):
        raise typer.BadParameter("give --setup run.toml and --out RUN, or --resume RUN")
    given = tuple(port or ())
    serving = page_serving(page_host, page_port, password_file) if page else None
    if plan not in (None, "none"):
        from ingest.plan import read_plan

        read_plan(Path(plan))  # its faults come before a run folder is made
    if resume is not None:
        recorder = Recorder.resume(resume, given)
    else:
        assert setup is not None and out is not None  # noqa: S101, PT018 - seen to above
        recorder = Recorder.create(setup, out, given)
    guided = sys.stdout.isatty() and sys.stdin.isatty()
    if not (guided or page or plan):
        for line in CAUTIONS:
            note(f"caution: {line}")
        recorder.start()
        follow_plainly(recorder, seconds, until_silent)
        return
    from dashboard.guided import Wish, await_start, choose_plan, keep_plan, record_guided

    text = choose_plan(plan, recorder.setup, recorder.folder, guided=guided)
    chosen = keep_plan(text, recorder.folder)
    await_start((*CAUTIONS, *(chosen.cautions if chosen else ())), note, wait=guided)
    console = guide_console() if guided else None
    wish = Wish(chosen, serving, console, units.value, seconds, until_silent)
    summary = record_guided(recorder, wish, say, note)
    if summary.failure is not None:
        note(f"error: {summary.failure}")
    if guided:
        show_figures(recorder.folder, units)
    if summary.failure is not None:
        raise typer.Exit(UNUSABLE)


def guide_console() -> Console:
    """The terminal a recording is guided on."""
    from rich.console import Console

    return Console(highlight=False)


def page_serving(host: str, port: int, password_file: Path | None) -> Serving:
    """How the live page is served; the password from a file, else from the environment."""
    import os

    from dashboard.server import Serving
    from ingest.load import read_text

    told = read_text(password_file).splitlines()[:1] if password_file else []
    password = told[0] if told else os.environ.get("LUKEWARM_BOARD_PASSWORD")
    serving = Serving(host, port, password or None)
    serving.check()
    return serving


def show_figures(folder: Path, units: Units) -> None:
    """What `analyze` says of a run that was just recorded."""
    from analysis.result import document

    analysis, _ = analyze_folder(folder, read_limits(None), None)
    show_documents([document(analysis)], None, units, single=True)


def follow_plainly(recorder: Recorder, seconds: float | None, until_silent: float | None) -> None:
    """Say how a recording goes, line by line, until it ends."""
    from ingest.recorder_status import StatusLines, ends_on_termination

    status = StatusLines(recorder)
    try:
        with ends_on_termination():
            while recorder.running and not status.is_over(seconds, until_silent):
                for line in status.wait():
                    say(line)
    except KeyboardInterrupt:
        note("ending the recording")
    finally:
        summary = recorder.stop()
    for line in status.last(summary):
        say(line)
    if summary.failure is not None:
        note(f"error: {summary.failure}")
        raise typer.Exit(UNUSABLE)


@app.command()
def replay(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder.")],
    speed: Annotated[
        float, typer.Option("--speed", min=0, help="1 real time, 10 ten times; 0 all at once.")
    ] = 1.0,
    to: Annotated[
        str, typer.Option("--to", help="pty, or socket://HOST:PORT for a recorder to connect to.")
    ] = "pty" if sys.platform != "win32" else "socket://127.0.0.1:4000",
) -> None:
    """Play a run as its logger would, for a recorder to hear.

    Example: lukewarm replay sample_logs/SC-014-complaint --speed 20
    """
    from ingest.replay import play, read_script
    from ingest.replay_port import open_outlet

    script = read_script(run)
    outlet = open_outlet(to)
    say(f"lukewarm record {outlet.url} --setup {run / 'run.toml'} --out RUN")
    note("waiting for that, or another recorder, to open the port; Ctrl-C ends")
    try:
        heard = play(script, outlet, speed)
    finally:
        outlet.close()
    note(f"played {len(script.lines)} lines, {heard} of them heard")


@app.command()
def report(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Run folder the report is about.")],
    out: Annotated[Path, typer.Option("--out", help="FILE.html or FILE.pdf.")],
    before: Annotated[
        Path | None, typer.Option("--before", help="Run folder from before the repair.")
    ] = None,
    done: Annotated[
        list[str] | None, typer.Option("--done", help="What was done; may be given repeatedly.")
    ] = None,
    limits: Annotated[
        Path | None, typer.Option("--limits", help="Limits file (TOML) instead of the default.")
    ] = None,
    baseline: Annotated[
        Path | None,
        typer.Option("--baseline", help="Store or folder of runs of known-good cars."),
    ] = None,
    units: UnitsOption = Units.SI,
    paper: Annotated[
        Paper | None, typer.Option("--paper", help="a4 or letter; by the units where not given.")
    ] = None,
) -> None:
    """One page each for the owner, the work order and the warranty file.

    Example: lukewarm report sample_logs/SC-014-after-repair --before sample_logs/SC-014-complaint
    --out SC-014.pdf
    """
    from dashboard.report.make import require_ending, write_report
    from dashboard.report.subject import subject_of

    require_ending(out)
    good = read_baseline(baseline) if baseline else None
    folders = [run] if before is None else [before, run]
    analyses, sheets = [], []
    for folder in folders:
        analysis, sheet = analyze_folder(folder, read_limits(limits), good)
        analyses.append(analysis)
        sheets += sheet
    subject = subject_of(analyses, sheets, done or (), good, units.value)
    for line in subject.doubts:
        note(f"warning: {line}")
    write_report(subject, out, paper.value if paper else None)
    note(f"wrote {out}")


@app.command()
def checked(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder.")],
    check: Annotated[
        str | None, typer.Argument(metavar="[CHECK]", help="Which check was done.")
    ] = None,
    found: Annotated[
        Answer | None, typer.Option("--found", help="Whether it found something wrong.")
    ] = None,
    remark: Annotated[str, typer.Option("--remark", help="What was seen, in your words.")] = "",
) -> None:
    """Note a check on the run's check sheet; without CHECK, list them all with their how-to.

    Example: lukewarm checked SC-014 cable_adjustment --found yes --remark "housing slipped"
    """
    from datetime import datetime

    from dashboard.check_text import all_check_lines, check_names, ranking_lines
    from ingest.check_sheet import note_check

    if check is None and (found is not None or remark):
        raise typer.BadParameter("say which check it was: lukewarm checked RUN CHECK --found ...")
    if check is not None:
        if check not in check_names():
            raise typer.BadParameter(f"no check {check!r}; there are {', '.join(check_names())}")
        if found is None:
            raise typer.BadParameter("say --found yes or --found no")
    analysis, sheet = analyze_folder(run, read_limits(None), None)
    if check is None:
        for line in all_check_lines(sheet, analysis):
            say(line)
        return
    now = datetime.now().astimezone()
    note_check(run, check, remark, now, found=found is Answer.YES)
    analysis, _ = analyze_folder(run, read_limits(None), None)
    for line in ranking_lines(analysis):
        say(line)


def analyze_folder(
    folder: Path, limits: Limits, baseline: Baseline | None
) -> tuple[Analysis, list[Checked]]:
    """A run folder through the pipeline, and its check sheet."""
    from ingest.check_sheet import read_sheet
    from ingest.load import load_run

    run = load_run(folder)
    analysis = analyze_run(run, limits, baseline, soak=True, checked=checks_on_sheet(folder))
    return analysis, read_sheet(folder) if folder.is_dir() else []


def checks_on_sheet(place: Path) -> dict[str, bool]:
    """Newest answer of each check on a run folder's sheet; none for a log without a folder."""
    from dashboard.check_text import check_names
    from ingest.check_sheet import found_by_check, read_sheet

    return found_by_check(read_sheet(place), check_names()) if place.is_dir() else {}


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
    import os

    from dashboard.app import create_app
    from dashboard.login import Password
    from dashboard.server import Serving, address_of, bind, make_server, names_of
    from dashboard.service import Board
    from dashboard.uploads import Uploads
    from ingest.load import read_text

    told = read_text(password_file).splitlines()[:1] if password_file else []
    password = told[0] if told else os.environ.get("LUKEWARM_BOARD_PASSWORD")
    serving = Serving(host, port, password or None, tls_cert, tls_key)
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
    try:
        server.serve()
    finally:
        server.stop()
        uploads.close()


def board_source(place: Path | None, limits: Limits | None) -> Source:
    """Runs for the board: a store's, or those of plain run folders."""
    from dashboard.folder_source import FolderSource
    from dashboard.service import StoreSource
    from ingest.errors import Fault, UnusableRun
    from ingest.load import run_folders
    from ingest.store import Store

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


def expand(runs: Iterable[str]) -> list[Path]:
    """Run folders meant by the arguments: patterns are expanded, a folder of runs gives its runs.

    Windows shells leave patterns to the program.
    """
    from ingest.load import run_folders

    places: list[Path] = []
    for text in runs:
        if any(mark in text for mark in "*?[") and not Path(text).exists():
            pattern = Path(text)
            anchor = Path(pattern.anchor) if pattern.anchor else Path()
            found = sorted(anchor.glob(str(pattern.relative_to(anchor))))
            places.extend(found or [pattern])
        else:
            places.extend(run_folders(Path(text)) or [Path(text)])
    return places


def each_run(places: list[Path], setup: Path | None) -> Iterator[tuple[Path, Run | LukewarmError]]:
    """Load runs in order; faults are printed as they come."""
    from ingest.errors import LukewarmError

    for place, load in counted(loaded_ahead(places, setup), len(places), "reading"):
        try:
            yield place, load.result()
        except LukewarmError as error:
            if len(places) > 1:
                note(f"{place}:")
            say_error(error)
            yield place, error


def loaded_ahead(places: list[Path], setup: Path | None) -> Iterator[tuple[Path, Future[Run]]]:
    """Load on another thread while the run before is worked on, never more than one run ahead.

    Parsing, hashing and arithmetic on whole columns let go of the interpreter, so that the two
    threads do get in parallel.
    """
    from concurrent.futures import ThreadPoolExecutor

    from ingest.load import load_run

    with ThreadPoolExecutor(1) as loader:
        coming: tuple[Path, Future[Run]] | None = None
        for place in places:
            current, coming = coming, (place, loader.submit(load_run, place, setup))
            if current is not None:
                yield current
        if coming is not None:
            yield coming


def counted(things: Iterable[T], total: int, what: str) -> Iterator[T]:
    """Count on standard error while a terminal watches and there is more than a moment's work."""
    if total < 5 or not sys.stderr.isatty():
        yield from things
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(
        things, description=what, total=total, console=Console(stderr=True), transient=True
    )


def read_limits(path: Path | None) -> Limits:
    """The limits file given, or the default ones."""
    from analysis.limits import default_limits, parse_limits
    from ingest.load import read_text

    return default_limits() if path is None else parse_limits(read_text(path), path.name)


def read_baseline(place: Path) -> Baseline:
    """Figures of the known-good cars in a folder of run folders or a store."""
    from analysis.baseline import Baseline
    from analysis.compare.stored import baseline_from_store
    from analysis.pipeline import measure
    from ingest.errors import Fault, UnusableRun
    from ingest.load import run_folders
    from ingest.store import Store

    if Store.is_store(place):
        return baseline_from_store(Store.open(place, create=False))

    runs = []
    for folder, outcome in each_run(run_folders(place), None):
        if isinstance(outcome, Exception):
            note(f"baseline: {folder} left out")
        else:
            runs.append(outcome)
    # a folder may hold complaints beside the good cars; where purposes are noted, they decide
    good = [measure(run) for run in [r for r in runs if is_baseline(r)] or runs]
    if not good:
        raise UnusableRun(
            Fault(str(place), "no usable run folder", "runs of known-good cars", "check the path")
        )
    return Baseline.of(good)


def is_baseline(run: Run) -> bool:
    """Whether the run is of a known-good car by its own set-up."""
    return run.setup.run.purpose == "baseline"


def analyze_run(
    run: Run,
    limits: Limits,
    baseline: Baseline | None,
    *,
    soak: bool,
    checked: Mapping[str, bool] | None = None,
) -> Analysis:
    """One run through the pipeline."""
    from analysis.pipeline import analyze as run_pipeline

    return run_pipeline(run, limits=limits, baseline=baseline, soak=soak, checked=checked)


def error_document(place: Path, error: LukewarmError) -> dict[str, Any]:
    """The entry of a run that cannot be used."""
    from analysis.result import SCHEMA

    return {"schema": SCHEMA, "run": {"name": place.name}, "error": str(error).splitlines()}


def show_documents(
    documents: list[dict[str, Any]], json_out: str | None, units: Units, *, single: bool
) -> None:
    """Results as tables for people, or as JSON where asked for."""
    import json

    from dashboard.text import result_lines

    if json_out is None:
        for each in documents:
            if "error" not in each:
                for line in result_lines(each, units.value, color=sys.stdout.isatty()):
                    say(line)
        return
    text = json.dumps(documents[0] if single else documents, ensure_ascii=False, indent=1)
    if json_out == "-":
        say(text)
    elif not (single and "error" in documents[0]):
        from ingest.load import write_text

        write_text(Path(json_out), text + "\n")


def write_fit(analysis: Analysis, path: Path, units: Units) -> None:
    """The heater fitted to one run, as a self-contained page."""
    from analysis.heater.fit import fit_heater
    from dashboard.fit_picture import write_fit_picture

    vehicle = analysis.run.setup.run.vehicle
    write_fit_picture(fit_heater(analysis.context), vehicle, path, units.value)


def write_picture(analysis: Analysis, path: Path, units: Units) -> None:
    """The picture of one run as a self-contained page."""
    from analysis.result import document
    from dashboard.run_picture import write_run_picture

    write_run_picture(analysis.run, document(analysis), path, units.value)
    note(f"wrote {path}")


if __name__ == "__main__":
    main()
