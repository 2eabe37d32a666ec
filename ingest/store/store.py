"""The run store: raw files unchanged, readings as Parquet, a catalog in a database.

::

    STORE/
      store.toml          format version, identity, the database's URL or ``sqlite``
      catalog.sqlite      the catalog (see `ingest.store.catalog`)
      raw/ab/abcdef…      every raw file under its sha256, written once, never changed
      readings/ab/abcd….parquet     the readings, under their own sha256 too
      runs/ab/abcdef….json          which raw files make up a run (see `ingest.store.listing`)

A run's id is the sha256 over the names and contents of its raw files: adding a run again finds it
there. Files are written under a temporary name and renamed, the catalog's rows come last and in one
transaction, so a process that is killed leaves at most files nobody refers to (see
`ingest.store.verify.leftovers`). Names from run folders are kept as text in the catalog only: no
file of the store is named after them.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import shutil
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Engine, delete, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from ingest.access import Access, create, make_folders
from ingest.errors import Fault, UnusableRun
from ingest.export.readings import readings_with_controls
from ingest.files import file_sha256, make_folder, write_whole
from ingest.saying import revived
from ingest.store.catalog import FigureRow, FileRow, ResultRow, RunRow
from ingest.store.listing import Listed, list_path, read_list, write_list
from ingest.store.open import SETTINGS, open_catalog
from ingest.store.rows import Outcome, Versions, ambient, clean, put_result, run_row
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

    from ingest.run import Run


Compute = Callable[["Run"], Outcome]
"""Handed in, as the store does not know the analysis."""


@dataclass(frozen=True, slots=True)
class Added:
    """Outcome of adding one run."""

    run_id: str
    new: bool


class Store:
    """An open store.

    Parameters
    ----------
    folder
        Where it lies.
    engine
        Its catalog.
    """

    def __init__(self, folder: Path, engine: Engine) -> None:
        self.folder = folder
        self.engine = engine

    @classmethod
    def open(cls, folder: Path, database: str | None = None, *, create: bool = True) -> Store:
        """Open a store, making it where it does not exist.

        Parameters
        ----------
        folder
            The store's folder.
        database
            Database URL; None means the one in the store's settings, for a new store SQLite in
            the folder. A password in it is not written down.
        create
            Whether to make a store that is not there.

        Raises
        ------
        UnusableRun
            Where the folder is no store or one of a later version, and where its database cannot
            be reached or belongs to another store.
        """
        return cls(folder, open_catalog(folder, database, create=create))

    @staticmethod
    def is_store(folder: Path) -> bool:
        """Whether a folder is a run store."""
        return (folder / SETTINGS).is_file()

    def close(self) -> None:
        """Release the database."""
        self.engine.dispose()

    def has(self, run_id: str) -> bool:
        """Whether the store holds a run."""
        with Session(self.engine) as session:
            return session.scalar(select(RunRow.id).where(RunRow.id == run_id)) is not None

    def add(
        self, run: Run, files: Mapping[str, Path], compute: Compute, versions: Versions
    ) -> Added:
        """Add a run with its raw files and result; one that is there already is left alone.

        Parameters
        ----------
        run
            The loaded run.
        files
            Its raw files by the name they have in the run folder.
        compute
            Makes the result.
        versions
            What the result is made with.

        Raises
        ------
        UnusableRun
            Where a file changed since the run was loaded, or the store cannot be written.
        """
        run_id = run_identity(run.sha256)
        if self.has(run_id):
            return Added(run_id, new=False)
        outcome = compute(run)
        sizes = {name: self._keep_raw(path, run.sha256[name]) for name, path in files.items()}
        readings_sha256 = self._keep_readings(run)
        write_list(self.folder, Listed(run_id, clean(run.name), _cleaned(run.sha256, sizes)))
        try:
            with Session(self.engine) as session, session.begin():
                session.add(run_row(run_id, run, readings_sha256))
                session.flush()
                session.add_all(
                    FileRow(run_id=run_id, name=clean(name), sha256=run.sha256[name], size=size)
                    for name, size in sizes.items()
                )
                put_result(session, run_id, outcome, versions)
        except IntegrityError:
            if not self.has(run_id):
                raise
            # another process was faster by a moment
            return Added(run_id, new=False)
        return Added(run_id, new=True)

    def replace(self, run_id: str, run: Run, outcome: Outcome, versions: Versions) -> None:
        """Put a new result, and the readings as they are read today, in the old ones' place.

        Old readings that differ stay behind as a leftover (see `ingest.store.verify.tidy`).
        """
        readings_sha256 = self._keep_readings(run)
        with Session(self.engine) as session, session.begin():
            session.execute(
                update(RunRow)
                .where(RunRow.id == run_id)
                .values(
                    readings_sha256=readings_sha256,
                    readings=run.readings.height,
                    duration_s=run.duration_s,
                    ambient_degC=ambient(run),
                )
            )
            session.execute(delete(FigureRow).where(FigureRow.run_id == run_id))
            session.execute(delete(ResultRow).where(ResultRow.run_id == run_id))
            put_result(session, run_id, outcome, versions)

    def _keep_raw(self, path: Path, sha256: str) -> int:
        target = self.raw_path(sha256)
        self._put(target, lambda to: _copy_same(path, to, sha256))
        return target.stat().st_size

    def _keep_readings(self, run: Run) -> str:
        buffer = io.BytesIO()
        readings_with_controls(run).write_parquet(buffer)
        sha256 = hashlib.sha256(buffer.getbuffer()).hexdigest()
        target = self.parquet_path(sha256)
        self._put(target, lambda to: to.write_bytes(buffer.getbuffer()))
        return sha256

    def _put(self, target: Path, write: Callable[[Path], object]) -> None:
        """Write a content-addressed file; one that is there counts as new, and is not tidied."""
        if target.is_file():
            with contextlib.suppress(PermissionError):  # another user's file of a shared store
                target.touch()
            return
        access = Access.of(self.folder / SETTINGS)
        make_folder(target.parent, access)
        write_whole(target, write, access)

    def raw_path(self, sha256: str) -> Path:
        """Where a raw file lies."""
        return self.folder / "raw" / sha256[:2] / sha256

    def parquet_path(self, sha256: str) -> Path:
        """Where readings lie."""
        return self.folder / "readings" / sha256[:2] / f"{sha256}.parquet"

    def name(self, run_id: str) -> str:
        """Name of the folder a run came from; empty where the store has no such run."""
        with Session(self.engine) as session:
            return session.scalar(select(RunRow.name).where(RunRow.id == run_id)) or ""

    def document(self, run_id: str) -> dict[str, Any] | None:
        """The result document of a run; None where the store has no such run."""
        with Session(self.engine) as session:
            found = session.scalar(select(ResultRow.document).where(ResultRow.run_id == run_id))
            return revived(found) if found is not None else None

    def readings_path(self, run_id: str) -> Path:
        """Where a run's readings lie.

        Raises
        ------
        UnusableRun
            Where the store has no such run.
        """
        with Session(self.engine) as session:
            sha256 = session.scalar(select(RunRow.readings_sha256).where(RunRow.id == run_id))
        if sha256 is None:
            raise UnusableRun(Fault(run_id, "no such run", "a run of the store", "list the store"))
        return self.parquet_path(sha256)

    def readings(self, run_id: str) -> pl.DataFrame:
        """A run's readings in stored units with the controls joined."""
        import polars as pl

        return pl.read_parquet(self.readings_path(run_id))

    def files(self, run_id: str) -> dict[str, Path]:
        """A run's raw files by their name in the run folder."""
        with Session(self.engine) as session:
            rows = session.scalars(select(FileRow).where(FileRow.run_id == run_id))
            return {row.name: self.raw_path(row.sha256) for row in rows}

    def restore(self, run_id: str, folder: Path) -> Path:
        """Write a run's raw files as a run folder again.

        Names come from run folders that were checked to stay inside themselves; they are checked
        again here, since a catalog can be edited.

        Raises
        ------
        UnusableRun
            Where a name leads out of the folder, or a raw file is lost.
        """
        return write_files(self.folder, run_id, self.files(run_id), folder)

    def listed(self, run_id: str) -> Listed:
        """A run's list of files, which does not need the catalog.

        Raises
        ------
        UnusableRun
            Where it is lost or no longer what was written.
        """
        return read_list(list_path(self.folder, run_id))


def write_files(store: Path, run_id: str, files: Mapping[str, Path], folder: Path) -> Path:
    """Write raw files of a store as a run folder (see `Store.restore`)."""
    for name, path in files.items():
        target = (folder / name).resolve()
        if not target.is_relative_to(folder.resolve()):
            raise UnusableRun(
                Fault(run_id, f"file name {name!r}", "a name inside the run", "verify the store")
            )
        if not path.is_file():
            raise UnusableRun(
                Fault(
                    path.relative_to(store).as_posix(),
                    f"no file ({name!r} of run {run_id[:12]})",
                    "the raw file as it was added",
                    "bring it back from a copy of the store",
                )
            )
        make_folders(target.parent)
        os.close(create(target, os.O_WRONLY))
        shutil.copyfile(path, target)
    return folder


def _cleaned(sha256: Mapping[str, str], names: Iterable[str]) -> dict[str, str]:
    return {clean(name): sha256[name] for name in names}


def run_identity(sha256: Mapping[str, str]) -> str:
    """Id of a run: sha256 over its raw files' names and contents."""
    digest = hashlib.sha256()
    for name in sorted(sha256):
        digest.update(f"{clean(name)}\0{sha256[name]}\n".encode())
    return digest.hexdigest()


def _copy_same(path: Path, to: Path, sha256: str) -> None:
    shutil.copyfile(path, to)
    if file_sha256(to) != sha256:
        raise UnusableRun(
            Fault(
                str(path),
                "content that changed while it was read",
                "a finished file",
                "add the run again when the recording has ended",
            )
        )
