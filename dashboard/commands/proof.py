"""Proof of the repair on the command line: the report and the check sheet."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.shared import (
    Units,
    UnitsOption,
    analyze_folder,
    no_such,
    note,
    read_baseline,
    say,
)
from dashboard.places import read_limits

if TYPE_CHECKING:
    pass


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

    from dashboard.text.checks import all_check_lines, check_names, ranking_lines
    from ingest.check_sheet import note_check

    if check is None and (found is not None or remark):
        raise typer.BadParameter("say which check it was: lukewarm checked RUN CHECK --found ...")
    if check is not None:
        if check not in check_names():
            raise typer.BadParameter(no_such("check", check, check_names()))
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
