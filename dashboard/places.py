"""What people name, opened: run folders, limits files, good cars, stores. Commands and notebooks.

Nothing is printed here; whoever asks says what becomes of a run that cannot be used.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from analysis.baseline import Baseline
    from analysis.limits import Limits
    from ingest.check_sheet import Outcome
    from ingest.errors import LukewarmError
    from ingest.load.remote import Place
    from ingest.run import Run
    from ingest.store.store import Store

UnitSystem = Literal["si", "us"]
"""What people see; everything stored is SI."""

Read = Callable[[list[Path]], "Iterable[tuple[Path, Run | LukewarmError]]"]
"""Loads run folders in order; gives the error where one cannot be used."""


def expand(places: Iterable[str]) -> list[Place]:
    """Run folders meant by texts: patterns are expanded, a folder of runs gives its runs.

    Windows shells leave patterns to the program.

    Raises
    ------
    UnusableRun
        Where a URL cannot be listed.
    """
    from ingest.files import run_folders
    from ingest.load.remote import is_url, remote_runs

    found: list[Place] = []
    for text in places:
        if is_url(text):
            found.extend(remote_runs(text))
        elif any(mark in text for mark in "*?[") and not Path(text).exists():
            pattern = Path(text)
            anchor = Path(pattern.anchor) if pattern.anchor else Path()
            matching = sorted(anchor.glob(str(pattern.relative_to(anchor))))
            found.extend(matching or [pattern])
        else:
            found.extend(run_folders(Path(text)) or [Path(text)])
    return found


def read_limits(path: Path | None) -> Limits:
    """The limits file given, or the default ones.

    Raises
    ------
    UnusableRun
        Where the file cannot be read or is no limits file.
    """
    from analysis.limits import default_limits, parse_limits
    from ingest.load.load import read_text

    return default_limits() if path is None else parse_limits(read_text(path), path.name)


def limits_of(limits: str | Path | Limits | None) -> Limits:
    """The limits meant: of a file, as they are given, or the default ones."""
    if limits is None or isinstance(limits, str | Path):
        return read_limits(None if limits is None else Path(limits))
    return limits


def open_store(place: Path, database: str | None = None) -> Store:
    """A store that is there, with a catalog that knows its files.

    Raises
    ------
    UnusableRun
        Where the folder is no store, or its database cannot be reached.
    """
    from ingest.store.store import Store
    from ingest.store.verify import require_runs

    store = Store.open(place, database, create=False)
    require_runs(store)
    return store


def read_baseline(place: Path, read: Read) -> Baseline:
    """Figures of the known-good cars in a folder of run folders or a store.

    Parameters
    ----------
    place
        The folder.
    read
        Loads the runs of a plain folder.

    Raises
    ------
    UnusableRun
        Where there is no usable run of a good car.
    """
    from analysis.baseline import Baseline
    from analysis.compare.judging import judging_of
    from analysis.compare.stored import baseline_from_store
    from analysis.pipeline import measure
    from ingest.errors import Fault, UnusableRun
    from ingest.load.load import run_folders
    from ingest.store.store import Store

    if Store.is_store(place):
        store = open_store(place)
        return judging_of(store).baseline or baseline_from_store(store)
    runs = [
        outcome for _, outcome in read(run_folders(place)) if not isinstance(outcome, Exception)
    ]
    # a folder may hold complaints beside the good cars; where purposes are noted, they decide
    cars = [run for run in runs if run.setup.bench is None]
    good = []
    for run in [r for r in cars if is_baseline(r)] or cars:
        try:
            good.append(measure(run))
        except Exception as error:
            raise own_fault(place / run.name, error) from error
    if not good:
        raise UnusableRun(
            Fault(str(place), "no usable run folder", "runs of known-good cars", "check the path")
        )
    return Baseline.of(good)


def read_judging(
    limits: Path | None, baseline: Path | None, read: Read
) -> tuple[Limits, Baseline | None]:
    """Limits and good cars meant; a store as the baseline brings the limits it decided on.

    Raises
    ------
    UnusableRun
        As `read_limits` and `read_baseline` do.
    """
    decided = read_store_limits(baseline) if limits is None and baseline is not None else None
    good = read_baseline(baseline, read) if baseline is not None else None
    return decided or read_limits(limits), good


def read_store_limits(place: Path) -> Limits | None:
    """The limits that a store decided on; None where the folder is no store."""
    from analysis.compare.judging import judging_of
    from ingest.store.store import Store

    return judging_of(open_store(place)).limits if Store.is_store(place) else None


def is_baseline(run: Run) -> bool:
    """Whether the run is of a known-good car by its own set-up."""
    return run.setup.run.purpose == "baseline"


def checks_on_sheet(place: Path) -> dict[str, Outcome]:
    """Newest answer of each check on a run folder's sheet; none for a log without a folder.

    Raises
    ------
    UnusableRun
        Where the sheet cannot be read.
    """
    from analysis.causes.knowledge import check_names
    from ingest.check_sheet import found_by_check, read_sheet

    return found_by_check(read_sheet(place), check_names()) if place.is_dir() else {}


def own_fault(place: Place, error: Exception) -> LukewarmError:
    """What a run that failed says of it: its own faults, or that the program is at fault.

    However a run fails, the failure is that run's own and the others go on.
    """
    from ingest.errors import Fault, LukewarmError, UnusableRun

    if isinstance(error, LukewarmError):
        return error
    if isinstance(error, OSError):
        return UnusableRun(
            Fault(str(place), str(error), "files that can be read", "check them and their rights")
        )
    return UnusableRun(
        Fault(
            str(place),
            f"something the program cannot work out ({type(error).__name__}: {error})",
            "a run that gives figures or a reason why not",
            "report this log: the program is at fault, not the log",
        )
    )


def error_document(place: Place, error: LukewarmError) -> dict[str, Any]:
    """The entry of a run that cannot be used."""
    from analysis.result import SCHEMA

    return {"schema": SCHEMA, "run": {"name": place.name}, "error": str(error).splitlines()}
