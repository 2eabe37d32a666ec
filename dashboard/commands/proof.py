"""Proof of the repair on the command line: the report and the check sheet."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.complete import check_names as complete_checks
from dashboard.commands.shared import (
    BaselineOption,
    LimitsOption,
    Units,
    UnitsOption,
    analyze_folder,
    note,
    read_judging,
    say,
)
from dashboard.places import read_limits

if TYPE_CHECKING:
    from ingest.check_sheet import Outcome


app = typer.Typer()


class Paper(StrEnum):
    """Page sizes of the report."""

    A4 = "a4"
    LETTER = "letter"


class Answer(StrEnum):
    """Whether a check found something."""

    YES = "yes"
    NO = "no"


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
    limits: LimitsOption = None,
    baseline: BaselineOption = None,
    order: Annotated[str, typer.Option("--order", help="Order number.")] = "",
    odometer: Annotated[str, typer.Option("--odometer", help="As read, with its unit.")] = "",
    technician: Annotated[str, typer.Option("--technician", help="Who did the work.")] = "",
    units: UnitsOption = Units.SI,
    paper: Annotated[
        Paper | None, typer.Option("--paper", help="a4 or letter; by the units where not given.")
    ] = None,
) -> None:
    """One page each for the owner, the work order and the warranty file.

    Without --order, --odometer and --technician their fields are printed to be filled in by hand.

    Example: lukewarm report sample_logs/SC-014-after-repair --before sample_logs/SC-014-complaint
    --out SC-014.pdf
    """
    from dashboard.report.make import ENDINGS, write_report
    from dashboard.report.subject import Papers, subject_of
    from ingest.export.tables import require_ending

    require_ending(out, ENDINGS)
    in_force, good = read_judging(limits, baseline)
    folders = [run] if before is None else [before, run]
    papers = Papers(order, odometer, technician)
    analyses, sheets = [], []
    for folder in folders:
        analysis, sheet = analyze_folder(folder, in_force, good)
        analyses.append(analysis)
        sheets += sheet
    subject = subject_of(analyses, sheets, done or (), good, units.value, papers)
    for line in subject.doubts:
        note(f"warning: {line}")
    write_report(subject, out, paper.value if paper else None)
    note(f"wrote {out}")


@app.command()
def checked(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder.")],
    check: Annotated[
        str | None,
        typer.Argument(
            metavar="[CHECK]", help="Which check was done.", autocompletion=complete_checks
        ),
    ] = None,
    found: Annotated[
        Answer | None, typer.Option("--found", help="Whether it found something wrong.")
    ] = None,
    remark: Annotated[str, typer.Option("--remark", help="What was seen, in your words.")] = "",
    measured: Annotated[
        Path | None,
        typer.Option("--measured", help="Bench run of the part: its verdict is the answer."),
    ] = None,
    limits: LimitsOption = None,
    baseline: BaselineOption = None,
) -> None:
    """Note a check on the run's check sheet; without CHECK, list them all with their how-to.

    The ranking it shows is that of `analyze` with the same limits and good cars.

    Example: lukewarm checked SC-014 cable_adjustment --found yes --remark "housing slipped"
    """
    from datetime import datetime

    from analysis.bench.outcome import bench_outcome
    from analysis.causes.knowledge import check_names
    from dashboard.text.checks import all_check_lines, ranking_lines
    from ingest.check_sheet import note_check
    from ingest.errors import did_you_mean

    if check is None and (found is not None or remark or measured is not None):
        raise typer.BadParameter("say which check it was: lukewarm checked RUN CHECK --found ...")
    if check is not None:
        if check not in check_names():
            listed = ", ".join(check_names())
            hint = did_you_mean(check, check_names(), f"there are {listed}")
            raise typer.BadParameter(f"no check {check!r}; {hint}")
        if (found is None) == (measured is None):
            raise typer.BadParameter("say --found yes or --found no, or --measured BENCH_RUN")
    in_force, good = read_judging(limits, baseline)
    analysis, sheet = analyze_folder(run, in_force, good)
    if check is None:
        for line in all_check_lines(sheet, analysis):
            say(line)
        return
    outcome: Outcome = found is Answer.YES
    if measured is not None:
        outcome = bench_outcome(analyze_folder(measured, read_limits(None), None)[0], check)
        remark = f"measured: {measured.resolve().name}" + (f"; {remark}" if remark else "")
    now = datetime.now().astimezone()
    note_check(run, check, remark, now, found=outcome)
    analysis, _ = analyze_folder(run, in_force, good)
    for line in ranking_lines(analysis):
        say(line)
