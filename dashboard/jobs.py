"""Many runs at once: their result documents, in the order given, whoever works them out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest.values import dataclass
from ingest.work.outcome import HERE, Failed, Workers

if TYPE_CHECKING:
    from concurrent.futures import Future

    from analysis.baseline import Baseline
    from analysis.limits import Limits
    from analysis.pipeline import Analysis
    from ingest.load.load import OpenedRun
    from ingest.load.remote import Place


@dataclass(frozen=True)
class Job:
    """What is done to every run; handed to every process once.

    Parameters
    ----------
    setup
        The run.toml of places that are logs; None for run folders.
    limits
        The limits file in force; the default where None.
    baseline
        Known-good cars; None for none.
    soak
        Whether to correct sensors against each other where the car stood cold.
    """

    setup: Path | None
    limits: Limits | None
    baseline: Baseline | None
    soak: bool = True

    def __call__(self, place: Place) -> dict[str, Any]:
        """Load and analyze one run; an entry with ``error`` where it cannot be used."""
        return self.document(place)

    def document(
        self, place: Place, opened: Callable[[], OpenedRun] | None = None
    ) -> dict[str, Any]:
        """The same for a run that is opened elsewhere."""
        from dashboard.places import error_document, own_fault

        try:
            found = self.analysis(place, opened)
            from analysis.result import document

            return document(found)
        except Exception as error:  # whatever it is, the other runs go on
            return error_document(place, own_fault(place, error))

    def analysis(self, place: Place, opened: Callable[[], OpenedRun] | None = None) -> Analysis:
        """What the document is made from.

        Raises
        ------
        UnusableRun
            Where the run cannot be used.
        """
        from ingest.load.remote import at_hand

        with at_hand(place, self.setup) as local:
            ready = opened() if opened else _opened(local, self.setup)
            # what a run that cannot be opened does not need comes after it
            from analysis.pipeline import analyze
            from dashboard.places import checks_on_sheet
            from ingest.load.load import load_opened

            run = load_opened(ready)
            checked = checks_on_sheet(local)
        return analyze(
            run, limits=self.limits, baseline=self.baseline, soak=self.soak, checked=checked
        )


def _opened(place: Path, setup: Path | None) -> OpenedRun:
    if not place.exists():
        # said before the readers are loaded, which takes longer than everything else
        from ingest.files import find_files

        find_files(place, setup)
    from ingest.load.load import open_run

    return open_run(place, setup)


def documents(
    places: Sequence[Place], job: Job, workers: Workers = HERE
) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Result documents of many runs, in the order given and the same whoever works them out.

    Parameters
    ----------
    places
        Run folders or logs.
    job
        What is done to each.
    workers
        Who does it.

    Returns
    -------
    Iterator
        Each place with its document; one with ``error`` where the run could not be used, stumbled,
        took too long or brought its process down.

    Raises
    ------
    UnusableRun
        Where the cluster cannot be used.
    """
    from dashboard.places import error_document
    from ingest.errors import UnusableRun

    for place, found in _found(places, job, workers):
        if isinstance(found, Failed):
            yield place, error_document(place, UnusableRun(found.fault(place)))
        else:
            yield place, found


def _found(
    places: Sequence[Place], job: Job, workers: Workers
) -> Iterator[tuple[Place, dict[str, Any] | Failed]]:
    from ingest.work.each import guarded, in_order

    if not workers.here or not all(isinstance(place, Path) for place in places):
        yield from in_order(job, places, workers)
        return
    for place, opening in opened_ahead(places, job.setup):
        yield place, guarded(partial(job.document, opened=opening.result), place)


@dataclass(frozen=True)
class ConvertJob:
    """Write the readings of a run; handed to every process once.

    Parameters
    ----------
    setup
        The run.toml of places that are logs; None for run folders.
    grid
        Step of an even grid, s; None for the logger's own times.
    """

    setup: Path | None
    grid: float | None

    def __call__(self, pair: tuple[Place, Path]) -> list[str]:
        """Convert one run to a file; lines that say why, where that cannot be done."""
        from ingest.errors import LukewarmError
        from ingest.load.load import open_run
        from ingest.load.remote import at_hand

        try:
            with at_hand(pair[0], self.setup) as local:
                return self.convert(pair[1], lambda: open_run(local, self.setup))
        except LukewarmError as error:
            return str(error).splitlines()

    def convert(self, target: Path, opened: Callable[[], OpenedRun]) -> list[str]:
        """The same for a run that is opened elsewhere."""
        from ingest.errors import LukewarmError
        from ingest.export.readings import readings_with_controls, write_readings
        from ingest.load.load import load_opened

        try:
            write_readings(readings_with_controls(load_opened(opened()), self.grid), target)
        except LukewarmError as error:
            return str(error).splitlines()
        return []


def conversions(
    pairs: Sequence[tuple[Place, Path]], work: ConvertJob, workers: Workers = HERE
) -> Iterator[tuple[tuple[Place, Path], list[str]]]:
    """Convert many runs, each to a file of its own.

    Returns
    -------
    Iterator
        Each pair of place and file with the lines that say why it could not be converted.
    """
    from ingest.work.each import guarded, in_order

    found: Iterable[tuple[tuple[Place, Path], list[str] | Failed]]
    if workers.here and all(isinstance(place, Path) for place, _ in pairs):
        openings = opened_ahead([place for place, _ in pairs], work.setup)
        found = (
            (pair, guarded(partial(work.convert, opened=opening.result), pair[1]))
            for pair, (_, opening) in zip(pairs, openings, strict=True)
        )
    else:
        found = in_order(work, pairs, workers)
    for pair, told in found:
        yield pair, [str(told.fault(pair[0]))] if isinstance(told, Failed) else told


def opened_ahead(
    places: Sequence[Place], setup: Path | None
) -> Iterator[tuple[Place, Future[OpenedRun]]]:
    """Open runs on another thread while the run before is worked on, never more than one ahead.

    Reading, hashing and parsing let go of the interpreter. What follows does not: two threads would
    only take it from each other.
    """
    from concurrent.futures import ThreadPoolExecutor

    from ingest.load.remote import at_hand

    def opened(place: Place, held: ExitStack) -> OpenedRun:
        return _opened(held.enter_context(at_hand(place, setup)), setup)

    def started(place: Place) -> tuple[Place, Future[OpenedRun], ExitStack]:
        held = ExitStack()
        return place, opener.submit(opened, place, held), held

    with ThreadPoolExecutor(1) as opener:
        coming: tuple[Place, Future[OpenedRun], ExitStack] | None = None
        for place in places:
            current, coming = coming, started(place)
            if current is not None:
                with current[2]:
                    yield current[0], current[1]
        if coming is not None:
            with coming[2]:
                yield coming[0], coming[1]
