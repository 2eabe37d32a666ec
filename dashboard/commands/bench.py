"""The bench on the command line: corrections of sensors."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.shared import UNUSABLE, RunsArgument, each_run, note
from dashboard.places import expand

if TYPE_CHECKING:
    from ingest.run import Run

app = typer.Typer()


@app.command()
def corrections(
    runs: RunsArgument,
    out: Annotated[Path, typer.Option("--out", help="File to write.")] = Path("corrections.toml"),
) -> None:
    """Corrections of sensors from bench runs in ice, in boiling water or against each other.

    Boiling water and steam scald: long sleeves, gloves, cables clear of the flame, nobody reaches
    over the pot. Name the runs from the oldest to the newest.

    Example: lukewarm corrections bench-ice bench-boiling --out corrections.toml
    """
    from analysis.bench.corrections import make_corrections, unsuitable
    from dashboard.text.shown import clean
    from ingest.errors import Fault, UnusableRun
    from ingest.files import write_text
    from ingest.sensors.corrections import corrections_text

    found: list[Run] = []
    for _, outcome in each_run(expand(runs), None):
        if isinstance(outcome, Exception):
            raise typer.Exit(UNUSABLE)
        found.append(outcome)
    faults = [fault for run in found if (fault := unsuitable(run)) is not None]
    if faults:
        raise UnusableRun(faults)
    if out.exists():
        raise UnusableRun(
            Fault(str(out), "a file that is there already", "a new name", "remove or rename it")
        )
    made = make_corrections(found)
    for remark in made.remarks:
        note(f"warning: {clean(remark)}")
    if not made.corrections:
        raise UnusableRun(
            Fault(
                ", ".join(run.name for run in found),
                "no sensor whose offset could be measured",
                "a sensor at rest in its bath for a minute",
                "measure again, and leave the sensors in the bath longer",
            )
        )
    write_text(out, corrections_text(made.corrections))
    note(f"wrote {out} for {', '.join(made.corrections)}")
    note(f'copy it into a run folder and write [sensors] corrections = "{out.name}" in run.toml')
