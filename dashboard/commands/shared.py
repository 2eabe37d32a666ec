"""What the commands share: options, printing, reading runs, limits and baselines."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.complete import family_names
from dashboard.commands.progress import counted
from dashboard.jobs import opened_ahead
from dashboard.places import checks_on_sheet, own_fault
from dashboard.places import read_baseline as good_cars
from dashboard.places import read_judging as judging

if TYPE_CHECKING:
    from analysis.baseline import Baseline
    from analysis.limits import Limits
    from analysis.pipeline import Analysis
    from ingest.check_sheet import Checked
    from ingest.errors import LukewarmError
    from ingest.load.remote import Place
    from ingest.run import Run


UNUSABLE = 1


WRONG_USE = 2


FAILED_LIMITS = 3


NO_PLAN = "none"


PLACES = ("yard", "road", "bench")
"""Plans that come with the tool."""


class Units(StrEnum):
    """Units shown on screens; files stay SI."""

    SI = "si"
    US = "us"


RunsArgument = Annotated[
    list[str],
    typer.Argument(metavar="RUN...", help="Run folders or URLs, or logs with --setup."),
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


JobsOption = Annotated[
    int, typer.Option("--jobs", min=0, help="Processes on this machine; 0 for all cores.")
]


ClusterOption = Annotated[
    str | None, typer.Option("--cluster", help="Address of a running Dask scheduler to use.")
]


TimeLimitOption = Annotated[
    float | None,
    typer.Option("--time-limit", min=0.1, help="Give a run up after so many seconds."),
]


FamilyOption = Annotated[
    str | None,
    typer.Option("--family", help="Only this family.", autocompletion=family_names),
]


PurposeOption = Annotated[str | None, typer.Option("--purpose", help="Only this purpose.")]


def say(text: str = "") -> None:
    """Print to standard output."""
    typer.echo(text)


def json_text(value: object, to: str) -> str:
    r"""A JSON document for a file, or for standard output (``-``) whatever it is written in.

    JSON between programs is UTF-8 (RFC 8259, 8.1). Where a console stands on another code page,
    characters that are not ASCII are written as ``\uXXXX``, which every reader understands.
    """
    import json
    from datetime import datetime

    written = (getattr(sys.stdout, "encoding", None) or "utf-8").replace("-", "").lower()
    foreign = to == "-" and written != "utf8"
    return json.dumps(value, ensure_ascii=foreign, indent=1, default=datetime.isoformat)


def note(text: str) -> None:
    """Print to standard error: progress, warnings, faults."""
    typer.echo(text, err=True)


def say_error(error: LukewarmError) -> None:
    """Print each line of an error on its own."""
    for line in str(error).splitlines():
        note(f"error: {line}")


def board_password(file: Path | None) -> str | None:
    """What visitors of a board must know: a file's first line, else from the environment.

    Raises
    ------
    UnusableRun
        Where the file's first line is empty: the board would stand open without a word.
    """
    import os

    from ingest.errors import Fault, UnusableRun
    from ingest.files import read_text

    if file is None:
        return os.environ.get("LUKEWARM_BOARD_PASSWORD") or None
    password = next(iter(read_text(file).splitlines()), "")
    if not password.strip():
        raise UnusableRun(
            Fault(
                str(file),
                "no password on the first line",
                "the password on it",
                "write one, or leave --password-file out for a board of this machine alone",
            )
        )
    if os.name == "posix" and file.stat().st_mode & 0o077:
        note(f"warning: others can read {file}; `chmod 600 {file}` keeps it yours")
    return password


def say_told(place: Place, document: Mapping[str, Any], *, alone: bool) -> None:
    """Print what is wrong with a run, where its document says so."""
    if "error" in document:
        if not alone:
            note(f"{place}:")
        for line in document["error"]:
            note(f"error: {line}")


def nothing_per_run(command: str, jobs: int, cluster: str | None) -> None:
    """Say so where workers are given to a command that has no work for them."""
    if jobs != 1 or cluster is not None:
        note(f"{command} reads results that are there and analyzes no run: one process does it")


def analyze_folder(
    folder: Path, limits: Limits, baseline: Baseline | None
) -> tuple[Analysis, list[Checked]]:
    """A run folder through the pipeline, and its check sheet."""
    from analysis.pipeline import analyze
    from ingest.check_sheet import read_sheet
    from ingest.load.load import load_run

    run = load_run(folder)
    checked = checks_on_sheet(folder)
    analysis = analyze(run, limits=limits, baseline=baseline, checked=checked)
    return analysis, read_sheet(folder) if folder.is_dir() else []


def each_run(
    places: Sequence[Place], setup: Path | None
) -> Iterator[tuple[Place, Run | LukewarmError]]:
    """Load runs in order; faults are printed as they come."""
    from ingest.load.load import load_opened

    for place, opening in counted(opened_ahead(places, setup), len(places), "reading"):
        try:
            outcome: Run | LukewarmError = load_opened(opening.result())
        except Exception as error:  # whatever it is, the other runs go on
            outcome = own_fault(place, error)
            if len(places) > 1:
                note(f"{place}:")
            say_error(outcome)
        yield place, outcome


def read_baseline(place: Path) -> Baseline:
    """Figures of the known-good cars in a folder of run folders or a store; faults are printed."""
    return good_cars(place, _told)


def read_judging(limits: Path | None, baseline: Path | None) -> tuple[Limits, Baseline | None]:
    """Limits and good cars in force; a store as the baseline brings its own limits."""
    return judging(limits, baseline, _told)


def _told(folders: list[Path]) -> Iterator[tuple[Path, Run | LukewarmError]]:
    for folder, (_, outcome) in zip(folders, each_run(folders, None), strict=True):
        if isinstance(outcome, Exception):
            note(f"baseline: {folder} left out")
        yield folder, outcome


ANY_RUN = "RUN"
"""Stands for a run folder in what is to be typed."""

_PLAIN = re.compile(r"[\w./\\:+,@-]+")
"""Of a path that no terminal takes apart."""


def as_typed(place: Place | None) -> str:
    """A run folder as it is typed on a command line; `ANY_RUN` for what is none on this machine."""
    from dashboard.text.shown import clean

    if not isinstance(place, Path) or not place.is_dir():
        return ANY_RUN
    text = clean(place)
    return text if _PLAIN.fullmatch(text) else f'"{text}"'


def show_documents(
    documents: list[dict[str, Any]], json_out: str | None, units: Units, *, single: bool,
    places: Sequence[Place] = (),
) -> None:  # fmt: skip
    """Results as tables for people, or as JSON where asked for; `places` are the runs' folders."""
    from dashboard.text.result import result_lines

    if json_out is None:
        for each, place in zip_longest(documents, places):
            if "error" not in each:
                color, typed = sys.stdout.isatty(), as_typed(place)
                for line in result_lines(each, units.value, color=color, place=typed):
                    say(line)
        return
    text = json_text(documents[0] if single else documents, json_out)
    if json_out == "-":
        say(text)
    elif not (single and "error" in documents[0]):
        from ingest.load.load import write_text

        write_text(Path(json_out), text + "\n")


def write_fit(analysis: Analysis, path: Path, units: Units) -> None:
    """The heater fitted to one run, as a self-contained page."""
    from analysis.heater.fit import fit_heater
    from dashboard.plots.fit_page import write_fit_picture

    vehicle = analysis.run.setup.run.vehicle
    write_fit_picture(fit_heater(analysis.context), vehicle, path, units.value)


def write_picture(analysis: Analysis, path: Path, units: Units) -> None:
    """The picture of one run as a self-contained page."""
    from analysis.result import document
    from dashboard.plots.run_page import write_run_picture

    write_run_picture(analysis.run, document(analysis), path, units.value)
    note(f"wrote {path}")
