"""Proof that nothing in a store has changed, and what no run refers to."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.files import file_sha256
from ingest.store.catalog import FileRow, ResultRow, RunRow
from ingest.store.listing import LISTS, list_path
from ingest.store.open import holds_files, lost_catalog
from ingest.store.store import run_identity
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.store.store import Store

OLD_S: Final = 3600.0
"""A leftover of this age is no file of a run that is just being added, s."""


@dataclass(frozen=True, slots=True)
class Loss:
    """Something that is not as it was written."""

    where: str
    what: str


def check_files(store: Store) -> tuple[int, Iterator[Loss | None]]:
    """Check a store piece by piece.

    Each raw file and all readings are read and their sha256 compared with the catalog's; each
    run's id is made again from its files' names and contents, so that the catalog's own rows are
    proven too.

    Returns
    -------
    int
        How many pieces there are.
    Iterator
        For each piece what is wrong with it, None where nothing is.
    """
    with Session(store.engine) as session:
        files = session.execute(select(FileRow.run_id, FileRow.name, FileRow.sha256)).all()
        runs = session.execute(select(RunRow.id, RunRow.readings_sha256)).all()
        judged = set(session.scalars(select(ResultRow.run_id)))
    by_run: dict[str, dict[str, str]] = {run_id: {} for run_id, _ in runs}
    users: dict[tuple[Path, str], str] = {}
    for run_id, name, sha256 in files:
        by_run[run_id][name] = sha256
        users.setdefault((store.raw_path(sha256), sha256), f"{name!r} of run {run_id[:12]}")
    for run_id, sha256 in runs:
        users.setdefault((store.parquet_path(sha256), sha256), f"readings of run {run_id[:12]}")

    def pieces() -> Iterator[Loss | None]:
        for run_id, named in sorted(by_run.items()):
            if run_identity(named) != run_id:
                yield Loss(f"run {run_id[:12]}", "its rows in the catalog do not make up its id")
            elif run_id not in judged:
                yield Loss(f"run {run_id[:12]}", "no result; see `lukewarm store refresh`")
            else:
                yield None
        for (path, sha256), user in sorted(users.items()):
            yield _file_damage(store.folder, path, sha256, user)

    return len(by_run) + len(users), pieces()


def _file_damage(folder: Path, path: Path, sha256: str, user: str) -> Loss | None:
    where = path.relative_to(folder).as_posix()
    try:
        same = file_sha256(path) == sha256
    except FileNotFoundError:
        return Loss(where, f"missing: {user}")
    except OSError as error:
        return Loss(where, f"cannot be read ({error.strerror or error}): {user}")
    return None if same else Loss(where, f"changed: {user}")


def require_runs(store: Store) -> None:
    """Make sure that a catalog without runs is that of a store without files.

    Raises
    ------
    UnusableRun
        Where raw files are there but no run is: rows were lost, or the first run is just being
        added.
    """
    if _is_bare(store):
        remedy = f"make it again with `lukewarm store rebuild {store.folder}`"
        raise lost_catalog(store.folder, "no run in the catalog", remedy)


def _is_bare(store: Store) -> bool:
    with Session(store.engine) as session:
        known = session.scalar(select(RunRow.id).limit(1))
    return known is None and holds_files(store.folder)


def leftovers(store: Store) -> list[Path]:
    """Files of the store that no run refers to: of a killed process, or older readings.

    Harmless; a process that is adding a run at this moment has some too.
    """
    named = _named(store)
    found = [
        path
        for part in ("raw", "readings", LISTS)
        for path in (store.folder / part).rglob("*")
        if path.is_file() and path not in named
    ]
    return sorted(found)


def tidy(store: Store) -> int:
    """Remove leftovers that are older than any adding takes; says how many.

    None where the catalog has no run at all: that says nothing of the files (see `require_runs`).
    """
    if _is_bare(store):
        return 0
    old = [path for path in leftovers(store) if time.time() - path.stat().st_mtime > OLD_S]
    for path in old:
        path.unlink(missing_ok=True)
    return len(old)


def _named(store: Store) -> set[Path]:
    with Session(store.engine) as session:
        raw = set(session.scalars(select(FileRow.sha256).distinct()))
        runs = session.execute(select(RunRow.id, RunRow.readings_sha256)).all()
    named = {store.raw_path(each) for each in raw}
    for run_id, readings in runs:
        named |= {store.parquet_path(readings), list_path(store.folder, run_id)}
    return named
