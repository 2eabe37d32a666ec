"""Many runs at once: their result documents, in the order given, from processes on this machine."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from analysis.baseline import Baseline
    from analysis.limits import Limits

FEW: Final = 8
"""So few runs are faster done here than by new processes, which must load everything first."""

CHUNKS: Final = 8
"""Portions a process is given in all: few enough to cost nothing, enough to end together."""


@dataclass(frozen=True)
class Job:
    """What is done to every run; handed to every process once.

    Parameters
    ----------
    setup
        The run.toml of places that are logs; None for run folders.
    limits
        The limits file in force.
    baseline
        Known-good cars; None for none.
    """

    setup: Path | None
    limits: Limits
    baseline: Baseline | None

    def document(self, place: Path) -> dict[str, Any]:
        """Load and analyze one run; an entry with ``error`` where it cannot be used."""
        from analysis.pipeline import analyze
        from analysis.result import document
        from dashboard.places import checks_on_sheet, error_document, own_fault
        from ingest.load.load import load_run

        try:
            run, checked = load_run(place, self.setup), checks_on_sheet(place)
            analysis = analyze(run, limits=self.limits, baseline=self.baseline, checked=checked)
            return document(analysis)
        except Exception as error:  # whatever it is, the other runs go on
            return error_document(place, own_fault(place, error))


def documents(places: Sequence[Path], job: Job, jobs: int = 0) -> Iterator[dict[str, Any]]:
    """Result documents of many runs, in the order given and the same whatever `jobs` is.

    Parameters
    ----------
    places
        Run folders or logs.
    job
        What is done to each.
    jobs
        Processes; 0 for as many as there are cores. Few runs are done in this one.

    Raises
    ------
    UnusableRun
        Where the processes could not be started or were ended from outside.
    """
    count = min(jobs or os.cpu_count() or 1, len(places))
    if count < 2 or (not jobs and len(places) <= FEW):
        yield from map(job.document, places)
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    from ingest.errors import Fault, UnusableRun

    # the fits are small: threads inside one matrix product would only be in each other's way
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    context = multiprocessing.get_context("spawn")
    try:
        with ProcessPoolExecutor(count, context, _begin, (job,)) as pool:
            yield from pool.map(_in_process, places, chunksize=-(-len(places) // (count * CHUNKS)))
    except BrokenProcessPool as error:
        raise UnusableRun(
            Fault(
                f"{count} processes",
                "one that ended before its work was done",
                'a script that starts processes behind `if __name__ == "__main__":`, and memory',
                "move the call there, or ask for fewer with jobs=1",
            )
        ) from error


_here: list[Job] = []
"""In a process of the pool: what to do."""


def _begin(job: Job) -> None:
    _here.append(job)


def _in_process(place: Path) -> dict[str, Any]:
    return _here[0].document(place)
