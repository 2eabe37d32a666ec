"""The main job on the command line: analyze, demo, check, setup, convert."""

from __future__ import annotations

import sys
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.progress import counted
from dashboard.commands.shared import (
    FAILED_LIMITS,
    UNUSABLE,
    BaselineOption,
    ClusterOption,
    JobsOption,
    LimitsOption,
    RunsArgument,
    SetupOption,
    TimeLimitOption,
    Units,
    UnitsOption,
    each_run,
    note,
    read_judging,
    say,
    say_error,
    say_told,
    show_documents,
    write_fit,
    write_picture,
)
from dashboard.places import error_document, expand, is_baseline, own_fault

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from dashboard.jobs import Job
    from ingest.load.remote import Place


app = typer.Typer()


JsonOption = Annotated[
    str | None, typer.Option("--json", help="Write the result as JSON; - for the screen.")
]
TablesOption = Annotated[
    Path | None,
    typer.Option("--out", help="New folder for the results as Parquet tables, instead."),
]
FailOption = Annotated[
    bool, typer.Option("--fail-on-verdict", help="Exit 3 when a run fails its limits.")
]
SoakOption = Annotated[
    bool,
    typer.Option(
        "--soak-correction/--no-soak-correction",
        help="Correct sensors against each other where the car stood cold.",
    ),
]
PictureOption = Annotated[
    Path | None,
    typer.Option("--picture", help="Also write a picture of the (one) run as HTML."),
]
FitPictureOption = Annotated[
    Path | None,
    typer.Option("--fit-picture", help="Also write the fitted outlet over the measured one."),
]


@app.command()
def analyze(
    runs: RunsArgument,
    setup: SetupOption = None,
    limits: LimitsOption = None,
    baseline: BaselineOption = None,
    json_out: JsonOption = None,
    out: TablesOption = None,
    units: UnitsOption = Units.SI,
    fail_on_verdict: FailOption = False,
    soak: SoakOption = True,
    picture: PictureOption = None,
    fit_picture: FitPictureOption = None,
    jobs: JobsOption = 1,
    cluster: ClusterOption = None,
    time_limit: TimeLimitOption = None,
) -> None:
    """Figures, verdict and causes of one or many runs.

    Example: lukewarm analyze sample_logs/SC-014-complaint --baseline sample_logs
    """
    from dashboard.jobs import Job, documents
    from ingest.errors import LukewarmError
    from ingest.work.outcome import Workers

    places = expand(runs)
    if (picture or fit_picture) and len(places) > 1:
        raise typer.BadParameter(f"a picture shows one run; {len(places)} were given")
    try:
        in_force, good = read_judging(limits, baseline) if limits or baseline else (None, None)
    except LukewarmError as error:
        say_error(error)
        if json_out == "-":  # who reads the screen for a document gets one
            refused = [error_document(place, error) for place in places]
            show_documents(refused, json_out, units, single=len(places) == 1)
        raise typer.Exit(UNUSABLE) from error
    job = Job(setup, in_force, good, soak)
    found: Iterable[tuple[Place, dict[str, Any]]]
    if picture or fit_picture:
        found = [(places[0], _pictured(places[0], job, picture, fit_picture, units))]
    else:
        done = documents(places, job, Workers(jobs, cluster, time_limit))
        found = counted(done, len(places), "analyzing")
    unusable, failed = _told(found, len(places) == 1, out, json_out, units)
    if unusable:
        raise typer.Exit(UNUSABLE)
    if failed and fail_on_verdict:
        raise typer.Exit(FAILED_LIMITS)


def _told(
    found: Iterable[tuple[Place, dict[str, Any]]],
    alone: bool,  # noqa: FBT001 - one run or several, as counted above
    out: Path | None,
    json_out: str | None,
    units: Units,
) -> tuple[bool, bool]:
    """Write or show what was found; whether a run could not be used, and whether one failed."""
    from dashboard.result_tables import ResultTables
    from ingest.export.parts import TableParts

    told: list[dict[str, Any]] = []
    folders: list[Place] = []
    unusable = failed = False
    with ResultTables(TableParts(out)) if out else nullcontext() as tables:
        for place, each in found:
            say_told(place, each, alone=alone)
            unusable = unusable or "error" in each
            failed = failed or each.get("verdict") == "fail"
            if tables is not None:
                tables.add(each)
            if tables is None or json_out:  # as many as there are: only where they are asked for
                told.append(each)
                folders.append(place)
    if out:
        note(f"wrote {out}")
    if json_out or not out:
        show_documents(told, json_out, units, single=alone, places=folders)
    return unusable, failed


def _pictured(
    place: Place, job: Job, picture: Path | None, fit_picture: Path | None, units: Units
) -> dict[str, Any]:
    """One run's document, its pictures written."""
    from analysis.result import document

    try:
        analysis = job.analysis(place)
    except Exception as error:  # whatever it is, the other runs go on
        return error_document(place, own_fault(place, error))
    if picture:
        write_picture(analysis, picture, units)
    if fit_picture:
        write_fit(analysis, fit_picture, units)
    return document(analysis)


@app.command()
def demo(
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the picture and the results.")
    ] = Path("lukewarm-demo"),
    copy_logs: Annotated[
        bool,
        typer.Option("--copy-logs", help="Also copy the sample logs there, to try commands on."),
    ] = False,
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
    from dashboard.text.result import result_lines
    from dashboard.text.summary import summary_lines
    from ingest.files import make_folder
    from ingest.load.load import run_folders, write_text

    home = Path(sample_logs.__file__).parent
    if copy_logs:
        home = copied(run_folders(home), out / "sample_logs")
    folders = run_folders(home)
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
    make_folder(out)
    write_picture(analyses[shown], out / f"{shown}.html", units)
    results = json.dumps(list(documents.values()), ensure_ascii=False, indent=1)
    write_text(out / "results.json", results + "\n")
    note(f"wrote {out / 'results.json'}")
    say()
    say(f"Next: open {out / f'{shown}.html'} in a browser; look at one sample run with")
    say(f"  lukewarm check {home / shown}")
    say("and draft the set-up of a log of your own with  lukewarm setup YOUR-LOG.csv")


def copied(folders: Sequence[Path], out: Path) -> Path:
    """Copy run folders into a folder; what lies there already stays as it is."""
    import shutil

    from ingest.files import make_folder

    make_folder(out)
    for folder in folders:
        if not (out / folder.name).exists():
            shutil.copytree(folder, out / folder.name)
    return out


@app.command()
def check(runs: RunsArgument, setup: SetupOption = None, units: UnitsOption = Units.SI) -> None:
    """What is wrong with a log: columns, units, gaps, sensors. Does not judge the heater.

    Example: lukewarm check sample_logs/SC-014-complaint
    """
    from analysis.quality import assess
    from dashboard.text.result import check_lines

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
    sheet: Annotated[
        str | None, typer.Option("--sheet", help="Sheet of a workbook, group of an MDF file.")
    ] = None,
) -> None:
    """Draft a run.toml from a log's names and units; marks what is not clear.

    Example: lukewarm setup sample_logs/SC-014-complaint/log.csv --out run.toml
    """
    from ingest.draft.draft import draft_setup
    from ingest.errors import Fault, UnusableRun
    from ingest.load.load import write_text

    if log.is_dir():
        raise UnusableRun(Fault(f"'{log}'", "a folder", "a log file", "name the log in it"))
    draft = draft_setup(log, sheet)
    if out is None:
        say(draft.text)
        return
    if out.exists():
        raise UnusableRun(
            Fault(str(out), "a file that is there already", "a new name", "remove or rename it")
        )
    write_text(out, draft.text)
    note(f"wrote {out}; read the lines marked with # and fill in the vehicle")


@app.command()
def convert(
    runs: RunsArgument,
    out: Annotated[Path, typer.Option("--out", help="FILE.csv or .parquet; a folder for several.")],
    setup: SetupOption = None,
    grid: Annotated[
        float | None, typer.Option("--grid", min=0.001, help="Step of an even grid, s.")
    ] = None,
    jobs: JobsOption = 1,
    cluster: ClusterOption = None,
    time_limit: TimeLimitOption = None,
) -> None:
    """Readings in physical units with the controls joined.

    Example: lukewarm convert sample_logs/SC-014-complaint --out SC-014.csv --grid 1
    """
    from dashboard.jobs import ConvertJob, conversions
    from ingest.export.readings import SUFFIXES, output_paths
    from ingest.export.tables import require_ending
    from ingest.files import make_folder
    from ingest.work.outcome import Workers

    places = expand(runs)
    several = len(places) > 1
    if not several:
        require_ending(out, SUFFIXES)
    if several and (out.is_file() or (out.suffix.lower() in SUFFIXES and not out.is_dir())):
        raise typer.BadParameter(f"{out} is one file; give a folder for {len(places)} runs")
    named = [each if isinstance(each, Path) else each.path for each in places]
    targets = output_paths(named, out) if several else [out]
    new = several and not out.exists()
    if several:
        make_folder(out)
    unusable = False
    pairs = list(zip(places, targets, strict=True))
    done = conversions(pairs, ConvertJob(setup, grid), Workers(jobs, cluster, time_limit))
    for (place, target), faults in counted(done, len(pairs), "converting"):
        if faults:
            unusable = True
            say_told(place, {"error": faults}, alone=not several)
        else:
            note(f"wrote {target}")
    if new:
        with suppress(OSError):  # it holds something, as it should
            out.rmdir()
    if unusable:
        raise typer.Exit(UNUSABLE)
