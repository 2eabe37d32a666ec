"""Many runs at once: added or computed again by several processes, reported as they are done.

The processes are started anew (never forked), so this works the same on every system. One that
dies (killed, or out of memory) takes nothing with it: the others' work is in the catalog, what was
under way is tried again one by one, and a run that brings its process down `MAX_TRIES` times is
reported.
"""

from __future__ import annotations

import dataclasses
import multiprocessing
import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ingest.errors import Fault, LukewarmError
from ingest.files import file_sha256
from ingest.load.load import load_run, run_files
from ingest.store.rows import Versions
from ingest.store.store import Compute, Store, run_identity

MAX_TRIES: Final = 3

FEW: Final = 8
"""So few runs are faster done here than by new processes, which must load everything first."""

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
        Makes a run's result; must be picklable.
    versions
        What it is made with; must be picklable.
    """

    folder: Path
    database: str | None
    compute: Compute
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


def add_many(task: Task, places: Sequence[Path], processes: int | None = None) -> Iterator[Report]:
    """Add run folders to a store; reports come in the order in which they are done."""
    left: list[str] = []
    store = Store.open(task.folder, task.database)
    try:
        for place in places:
            # what is there already is not worth a process
            report = _guarded(_find_one, store, task, str(place))
            if report.run_id or report.faults:
                yield report
            else:
                left.append(str(place))
    finally:
        store.close()
    yield from _each(_add_one, task, left, processes)


def refresh_many(task: Task, ids: Sequence[str], processes: int | None = None) -> Iterator[Report]:
    """Compute the results of stored runs again, from their raw files."""
    return _each(_refresh_one, task, ids, processes)


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


Work = Callable[[Store, Task, str], Report]


def _find_one(store: Store, _task: Task, item: str) -> Report:
    files = run_files(Path(item)).raw()
    run_id = run_identity({name: file_sha256(path) for name, path in files.items()})
    return Report(item, run_id if store.has(run_id) else "")


def _add_one(store: Store, task: Task, item: str) -> Report:
    found = _find_one(store, task, item)  # another program may have been here meanwhile
    if found.run_id:
        return found
    place = Path(item)
    files = run_files(place).raw()
    run = load_run(place)
    about = run.setup.run
    versions = task.versions(about.family, about.heater)
    added = store.add(run, files, task.compute, versions)
    return Report(item, added.run_id, added.new)


def _refresh_one(store: Store, task: Task, item: str) -> Report:
    with tempfile.TemporaryDirectory(prefix="lukewarm-") as name:
        run = load_run(store.restore(item, Path(name)))
        run = dataclasses.replace(run, name=store.name(item))
        about = run.setup.run
        store.replace(item, run, task.compute(run), task.versions(about.family, about.heater))
    return Report(item, item, new=True)


def _guarded(work: Work, store: Store, task: Task, item: str) -> Report:
    """Do one run; whatever is wrong with it must not stop the others."""
    try:
        return work(store, task, item)
    except LukewarmError as error:
        return Report(item, faults=tuple(str(error).splitlines()))
    except Exception as error:
        return Report(item, faults=(_unexpected(item, f"{type(error).__name__}: {error}"),))


def _unexpected(item: str, what: str) -> str:
    return str(
        Fault(item, f"an error inside lukewarm ({what})", "a result", "please report it as a bug")
    )


_here: list[tuple[Store, Task, Work]] = []
"""In a process of the pool: its open store and what to do."""


def _begin(work: Work, task: Task) -> None:
    _here.append((Store.open(task.folder, task.database, create=False), task, work))


def _in_process(item: str) -> Report:
    store, task, work = _here[0]
    return _guarded(work, store, task, item)


def _each(work: Work, task: Task, items: Sequence[str], processes: int | None) -> Iterator[Report]:
    count = min(processes or os.cpu_count() or 1, len(items))
    if count < 2 or (processes is None and len(items) <= FEW):
        store = Store.open(task.folder, task.database)
        try:
            for item in items:
                yield _guarded(work, store, task, item)
        finally:
            store.close()
        return
    Store.open(task.folder, task.database).close()  # made once, before all ask for it
    tries = dict.fromkeys(items, 0)
    while tries:
        yield from _until_broken(work, task, tries, count)
        for item in [item for item, tried in tries.items() if tried >= MAX_TRIES]:
            del tries[item]
            yield Report(item, faults=(_unexpected(item, "its process was ended"),))


def _until_broken(work: Work, task: Task, tries: dict[str, int], count: int) -> Iterator[Report]:
    """Work on what is left in `tries`, taking out what is done; ends when a process dies."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(count, context, initializer=_begin, initargs=(work, task))
    waiting = sorted(tries, key=lambda item: tries[item])  # the last one is next
    running: dict[Future[Report], str] = {}
    with pool:
        try:
            while True:
                while waiting and len(running) < 2 * count:
                    if running and tries[waiting[-1]]:
                        break  # under suspicion: goes alone, so that no other is blamed
                    item = waiting.pop()
                    running[pool.submit(_in_process, item)] = item
                    if tries[item]:
                        break
                if not running:
                    return
                done, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in done:
                    report = future.result()
                    del tries[running.pop(future)]
                    yield report
        except BrokenProcessPool:
            for item in running.values():
                tries[item] += 1
        finally:
            pool.shutdown(cancel_futures=True)
