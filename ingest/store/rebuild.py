"""A way back where a store's catalog is damaged or lost: it is made again from the raw files."""

from __future__ import annotations

import contextlib
import dataclasses
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.errors import Fault, UnusableRun
from ingest.load.load import load_run
from ingest.store.catalog import FileRow, RunRow
from ingest.store.listing import Listed, lists, read_list, write_list
from ingest.store.many import ALL_CORES, Report, StoreWork, Task, compute_with, reports
from ingest.store.open import CATALOG, restore_catalog
from ingest.store.store import Store, run_identity, write_files
from ingest.work.outcome import Workers


def make_way(folder: Path, database: str | None) -> Path | None:
    """Set a damaged catalog aside and put a new one in its place, with no run in it.

    A catalog that is whole is left as it is; so is a database elsewhere, which must answer.

    Returns
    -------
    Path or None
        Where the damaged one lies now. Runs that it still knows and that have no list of their
        own have got one.

    Raises
    ------
    UnusableRun
        Where the folder is no store, or its database is another store's or does not answer.
    """
    aside = None
    catalog = folder / CATALOG
    if catalog.is_file() and not _is_whole(catalog):
        for listed in _salvaged(catalog):
            write_list(folder, listed)
        aside = catalog.with_name(f"{CATALOG}.damaged-{time.strftime('%Y%m%d-%H%M%S')}")
        for ending in ("", "-wal", "-shm"):
            part = catalog.with_name(f"{CATALOG}{ending}")
            if part.is_file():
                part.replace(aside.with_name(f"{aside.name}{ending}"))
    restore_catalog(folder, database).dispose()
    return aside


def missing(store: Store) -> list[str]:
    """Ids of runs that have a list and are not in the catalog."""
    with Session(store.engine) as session:
        known = set(session.scalars(select(RunRow.id)))
    return [path.stem for path in lists(store.folder) if path.stem not in known]


def unlisted(store: Store) -> int:
    """How many raw files no list names: their runs must be added again from elsewhere."""
    named: set[str] = set()
    for path in lists(store.folder):
        try:
            named.update(read_list(path).files.values())
        except UnusableRun:
            continue
    raw = (path for path in (store.folder / "raw").rglob("*") if path.is_file())
    return sum(path.name not in named for path in raw)


def rebuild_many(task: Task, ids: list[str], workers: Workers = ALL_CORES) -> Iterator[Report]:
    """Put runs back into the catalog from their lists and raw files, their results worked out anew.

    What the catalog alone knew is lost: when a run was added.
    """
    return reports(_Rebuilding(task), ids, workers)


def write_lists(store: Store) -> int:
    """Write the lists that runs added by earlier versions do not have; says how many."""
    have = {path.stem for path in lists(store.folder)}
    with Session(store.engine) as session:
        names = {key: name for key, name in session.execute(select(RunRow.id, RunRow.name))}  # noqa: C416 - rows, not pairs
        files: dict[str, dict[str, str]] = {}
        for run_id, name, sha256 in session.execute(
            select(FileRow.run_id, FileRow.name, FileRow.sha256)
        ):
            if run_id not in have:
                files.setdefault(run_id, {})[name] = sha256
    for run_id, told in files.items():
        write_list(store.folder, Listed(run_id, names[run_id], told))
    return len(files)


class _Rebuilding(StoreWork):
    """Put one run back."""

    def do(self, item: str) -> Report:
        task, store = self.task, self.store
        listed = store.listed(item)
        if run_identity(listed.files) != item:
            raise UnusableRun(
                Fault(f"the list of run {item[:12]}", "other files than were added", "the files "
                      "that make up its id", "add its run again")
            )  # fmt: skip
        with tempfile.TemporaryDirectory(prefix="lukewarm-") as name:
            paths = {each: store.raw_path(sha256) for each, sha256 in listed.files.items()}
            place = write_files(store.folder, item, paths, Path(name))
            run = dataclasses.replace(load_run(place), name=listed.name)
            if run_identity(run.sha256) != item:
                raise UnusableRun(
                    Fault(f"run {item[:12]}", "raw files that have changed", "the files as they "
                          "were added", "bring them back from a copy of the store")
                )  # fmt: skip
            about = run.setup.run
            files = {each: place / each for each in run.sha256}
            versions = task.versions(about.family, about.heater)
            added = store.add(run, files, compute_with(task, item), versions)
        return Report(item, added.run_id, added.new)


def _is_whole(catalog: Path) -> bool:
    """Whether SQLite finds nothing wrong with a database file."""
    return _rows(catalog, "PRAGMA quick_check") == [("ok",)]


def _salvaged(catalog: Path) -> Iterator[Listed]:
    """Runs that a damaged catalog still knows; each is proven by its id, the rest passed over."""
    files: dict[str, dict[str, str]] = {}
    for run_id, name, sha256 in _rows(catalog, "SELECT run_id, name, sha256 FROM files"):
        files.setdefault(str(run_id), {})[str(name)] = str(sha256)
    names = {str(key): str(name) for key, name in _rows(catalog, "SELECT id, name FROM runs")}
    for run_id, told in files.items():
        if run_identity(told) == run_id:
            yield Listed(run_id, names.get(run_id, run_id[:12]), told)


def _rows(catalog: Path, query: str) -> list[tuple[object, ...]]:
    """Rows as far as they can be read."""
    found: list[tuple[object, ...]] = []
    with contextlib.closing(sqlite3.connect(catalog)) as connection:
        connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
        with contextlib.suppress(sqlite3.Error):  # what came before the damage is kept
            found.extend(connection.execute(query))
    return found
