"""Many runs at once: added or computed again, here, by several processes or on a cluster.

Who does it is `ingest.work`'s business. A run that brings its process down, hangs or stumbles costs
that run alone: the others' work is in the catalog, and what is there already is left alone, so that
work that was broken off goes on where it ended.
"""

from __future__ import annotations

import contextlib
import dataclasses
import tempfile
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Final

from ingest.errors import LukewarmError
from ingest.files import file_sha256
from ingest.load.load import load_run, run_files
from ingest.load.remote import Place, at_hand, place_of
from ingest.store.rows import Outcome, Versions
from ingest.store.sheets import news, sheet_of, take_in
from ingest.store.store import Compute, Store, run_identity
from ingest.values import dataclass
from ingest.work.each import in_order
from ingest.work.outcome import Failed, Workers

ALL_CORES: Final = Workers(jobs=0)

VersionsFor = Callable[[str | None, str], Versions]
"""Today's versions for a family and a heater layout."""


@dataclass(frozen=True, slots=True)
class Task:
    """How a run is worked on; handed to every process once.

    Parameters
    ----------
    folder, database
        The store.
    compute
        Makes a run's result; is given `sheet`, the lines of its check sheet, where there are any.
        Must be picklable.
    versions
        What it is made with; must be picklable.
    """

    folder: Path
    database: str | None
    compute: Callable[..., Outcome]
    versions: VersionsFor


@dataclass(frozen=True, slots=True)
class Report:
    """What became of one run.

    Parameters
    ----------
    item
        The place or run id that was given.
    run_id
        The run; empty where it could not be used.
    new
        Whether something was written.
    faults
        Why it could not be used, one line each.
    """

    item: str
    run_id: str = ""
    new: bool = False
    faults: tuple[str, ...] = ()


def add_many(task: Task, places: Sequence[Place], workers: Workers = ALL_CORES) -> Iterator[Report]:
    """Add run folders to a store; what is there already is reported first, the others in order."""
    left = [str(place) for place in places]
    Store.open(task.folder, task.database).close()  # made once, before all ask for it
    if workers.cluster is None:  # whose machines may see files that this one does not
        left = []
        with contextlib.closing(_Finding(task)) as finding:
            for item, found in in_order(finding, [str(place) for place in places]):
                report = _report(item, found)
                if report.run_id or report.faults:
                    yield report
                else:
                    left.append(item)  # what is there already is not worth a process
    yield from reports(_Adding(task), left, workers)


def refresh_many(task: Task, ids: Sequence[str], workers: Workers = ALL_CORES) -> Iterator[Report]:
    """Compute the results of stored runs again, from their raw files."""
    Store.open(task.folder, task.database).close()  # brought up to date once, before all ask for it
    yield from reports(_Refreshing(task), ids, workers)


def outdated(store: Store, versions: VersionsFor) -> list[str]:
    """Runs whose result was made with other versions than today's, or that have none."""
    from ingest.store.read import made_with

    return [
        each.run_id
        for each in made_with(store)
        if each.versions != versions(each.family, each.heater)
    ]


def judged_otherwise(store: Store, versions: VersionsFor) -> list[str]:
    """Runs whose result was made with other limits or good cars than those in force."""
    from ingest.store.read import made_with

    return [
        each.run_id
        for each in made_with(store)
        if each.versions and each.versions.limits != versions(each.family, each.heater).limits
    ]


class StoreWork:
    """Work on runs of a store, which is opened once in every process and kept open there.

    Such a process may be ended at any time: what was written is in the catalog, or is not there.
    """

    def __init__(self, task: Task) -> None:
        self.task = task
        self._opened: Store | None = None

    def __getstate__(self) -> dict[str, Any]:
        return {"task": self.task, "_opened": None}

    @property
    def store(self) -> Store:
        """The store."""
        if self._opened is None:
            self._opened = Store.open(self.task.folder, self.task.database, create=False)
        return self._opened

    def close(self) -> None:
        """Release the store where it was opened in this process."""
        if self._opened is not None:
            self._opened.close()

    def __call__(self, item: str) -> Report:
        """Do one run; the data's own faults are what there is to report."""
        try:
            return self.do(item)
        except LukewarmError as error:
            return Report(item, faults=tuple(str(error).splitlines()))

    def do(self, item: str) -> Report:
        """Do one run."""
        raise NotImplementedError


class _Finding(StoreWork):
    """Is a run there already, with its check sheet? The report has no id where it is not."""

    def do(self, item: str) -> Report:
        with at_hand(place_of(item)) as place:
            return self.find(item, place)

    def find(self, item: str, place: Path) -> Report:
        """The same for files that are at hand."""
        files = run_files(place).raw()
        run_id = run_identity({name: file_sha256(path) for name, path in files.items()})
        there = self.store.has(run_id) and not news(self.store.folder, run_id, place)
        return Report(item, run_id if there else "")


class _Adding(_Finding):
    """Add a run folder, or what its check sheet has and the store's has not."""

    def do(self, item: str) -> Report:
        with at_hand(place_of(item)) as place:
            found = self.find(item, place)  # another program may have been here meanwhile
            if found.run_id:
                return found
            task, store, files = self.task, self.store, run_files(place).raw()
            run = load_run(place)
            run_id, about = run_identity(run.sha256), run.setup.run
            noted = take_in(store.folder, run_id, place)
            versions = task.versions(about.family, about.heater)
            added = store.add(run, files, compute_with(task, run_id), versions)
            if noted and not added.new:
                run = dataclasses.replace(run, name=store.name(run_id))
                store.replace(run_id, run, compute_with(task, run_id)(run), versions)
        return Report(item, added.run_id, added.new or noted)


class _Refreshing(StoreWork):
    """Compute a run's result again."""

    def do(self, item: str) -> Report:
        task, store = self.task, self.store
        with tempfile.TemporaryDirectory(prefix="lukewarm-") as name:
            run = load_run(store.restore(item, Path(name)))
            run = dataclasses.replace(run, name=store.name(item))
            about = run.setup.run
            versions = task.versions(about.family, about.heater)
            store.replace(item, run, compute_with(task, item)(run), versions)
        return Report(item, item, new=True)


def compute_with(task: Task, run_id: str) -> Compute:
    """What makes a run's result with what stands on its check sheet."""
    sheet = sheet_of(task.folder, run_id)
    return partial(task.compute, sheet=sheet) if sheet else task.compute


def reports(work: StoreWork, items: Sequence[str], workers: Workers) -> Iterator[Report]:
    """What became of each item, in order."""
    with contextlib.closing(work):
        for item, found in in_order(work, items, workers):
            yield _report(item, found)


def _report(item: str, found: Report | Failed) -> Report:
    if isinstance(found, Failed):
        return Report(item, faults=(str(found.fault(item)),))
    return found
