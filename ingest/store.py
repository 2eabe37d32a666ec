"""The run store: raw files unchanged, readings as Parquet, a catalog in a database.

::

    STORE/
      store.toml          format version, and the database's URL where it is not the SQLite file
      catalog.sqlite      the catalog (see `ingest.catalog`)
      raw/ab/abcdef…      every raw file under its sha256, written once, never changed
      readings/<id>.parquet

A run's id is the sha256 over the names and contents of its raw files: adding a run again finds it
there. Files are written under a temporary name and renamed, the catalog's rows come last and in one
transaction, so a process that is killed leaves at most files nobody refers to (see `leftovers`).
"""

from __future__ import annotations

import hashlib
import shutil
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from filelock import FileLock
from sqlalchemy import Engine, delete, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from ingest.catalog import FigureRow, FileRow, ResultRow, RunRow, migrate, open_database
from ingest.errors import Fault, UnusableRun
from ingest.load_files import file_sha256, write_whole

if TYPE_CHECKING:
    import polars as pl

    from ingest.run import Run

FORMAT: Final = 1
SETTINGS: Final = "store.toml"
DEFAULT_DATABASE: Final = "sqlite"

Compute = Callable[["Run"], dict[str, Any]]
"""Makes the result document of a run (handed in: the store does not know the analysis)."""


@dataclass(frozen=True, slots=True)
class Versions:
    """What made a result: it is out of date where any of them differs from today's."""

    code: str
    definitions: str
    limits: str


@dataclass(frozen=True, slots=True)
class Added:
    """Outcome of adding one run."""

    run_id: str
    new: bool


@dataclass(frozen=True, slots=True)
class Damage:
    """Something `verify` found."""

    where: str
    what: str


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
            Database URL for a new store; None means SQLite in the folder.
        create
            Whether to make a store that is not there.

        Raises
        ------
        UnusableRun
            Where the folder is no store, or one of a later version.
        """
        settings = folder / SETTINGS
        if not settings.is_file():
            if not create:
                raise UnusableRun(
                    Fault(
                        str(folder), "no run store", f"a folder with {SETTINGS}", "check the path"
                    )
                )
            _make(folder, database or DEFAULT_DATABASE)
        told = tomllib.loads(settings.read_text(encoding="utf-8"))
        if told.get("format") != FORMAT:
            raise UnusableRun(
                Fault(
                    str(settings),
                    f"format {told.get('format')}",
                    f"format {FORMAT}",
                    "use the version of lukewarm that made the store",
                )
            )
        url = database or str(told["database"])
        if url == DEFAULT_DATABASE:
            url = f"sqlite:///{(folder / 'catalog.sqlite').as_posix()}"
        engine = open_database(url)
        with FileLock(folder / ".migrate.lock"):
            migrate(engine)
        return cls(folder, engine)

    @staticmethod
    def is_store(folder: Path) -> bool:
        """Whether a folder is a run store."""
        return (folder / SETTINGS).is_file()

    def close(self) -> None:
        """Release the database."""
        self.engine.dispose()

    # --- adding -----------------------------------------------------------------------------

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
            Makes the result document.
        versions
            What the result is made with.
        """
        run_id = run_identity(run.sha256)
        with Session(self.engine) as session:
            if session.get(RunRow, run_id) is not None:
                return Added(run_id, new=False)
        document = compute(run)
        sizes = {name: self._keep_raw(path, run.sha256[name]) for name, path in files.items()}
        readings_sha256 = self._keep_readings(run_id, run.readings)
        try:
            with Session(self.engine) as session, session.begin():
                session.add(_run_row(run_id, run, readings_sha256))
                session.flush()
                session.add_all(
                    FileRow(run_id=run_id, name=name, sha256=run.sha256[name], size=size)
                    for name, size in sizes.items()
                )
                _put_result(session, run_id, document, versions)
        except IntegrityError:
            # another process was faster by a moment
            return Added(run_id, new=False)
        return Added(run_id, new=True)

    def _keep_raw(self, path: Path, sha256: str) -> int:
        target = self.raw_path(sha256)
        if not target.is_file():
            target.parent.mkdir(parents=True, exist_ok=True)
            write_whole(target, lambda to: shutil.copyfile(path, to))
            if file_sha256(target) != sha256:
                target.unlink()
                raise UnusableRun(
                    Fault(
                        str(path),
                        "content that changed while it was read",
                        "a finished file",
                        "add the run again when the recording has ended",
                    )
                )
        return target.stat().st_size

    def _keep_readings(self, run_id: str, readings: pl.DataFrame) -> str:
        target = self.readings_path(run_id)
        if not target.is_file():
            write_whole(target, lambda to: readings.write_parquet(to))
        return file_sha256(target)

    def raw_path(self, sha256: str) -> Path:
        """Where a raw file lies."""
        return self.folder / "raw" / sha256[:2] / sha256

    def readings_path(self, run_id: str) -> Path:
        """Where a run's readings lie."""
        return self.folder / "readings" / f"{run_id}.parquet"

    # --- reading ----------------------------------------------------------------------------

    def runs(self) -> pl.DataFrame:
        """One row a run: what it is, its verdict and first cause; newest first."""
        import polars as pl

        query = (
            select(
                RunRow.id,
                RunRow.name,
                RunRow.vehicle,
                RunRow.family,
                RunRow.heater,
                RunRow.purpose,
                RunRow.plant,
                RunRow.operator,
                RunRow.logger,
                RunRow.started,
                RunRow.duration_s,
                RunRow.ambient_degC,
                ResultRow.verdict,
                ResultRow.first_cause,
                ResultRow.first_probability,
            )
            .join(ResultRow, ResultRow.run_id == RunRow.id, isouter=True)
            .order_by(RunRow.started.desc(), RunRow.vehicle, RunRow.id)
        )
        schema: dict[str, pl.DataType | type[pl.DataType]] = {
            "id": pl.String,
            "name": pl.String,
            "vehicle": pl.String,
            "family": pl.String,
            "heater": pl.String,
            "purpose": pl.String,
            "plant": pl.String,
            "operator": pl.String,
            "logger": pl.String,
            "started": pl.Datetime("us", "UTC"),
            "duration_s": pl.Float64,
            "ambient_degC": pl.Float64,
            "verdict": pl.String,
            "first_cause": pl.String,
            "first_probability": pl.Float64,
        }
        with self.engine.connect() as connection:
            rows = [tuple(_utc(cell) for cell in row) for row in connection.execute(query)]
        return pl.DataFrame(rows, schema=schema, orient="row")

    def figures(self) -> pl.DataFrame:
        """One row a run and figure: ``run_id, figure, value, u, unit, verdict, low, high``."""
        import polars as pl

        query = select(
            FigureRow.run_id,
            FigureRow.figure,
            FigureRow.value,
            FigureRow.u,
            FigureRow.unit,
            FigureRow.verdict,
            FigureRow.low,
            FigureRow.high,
        ).order_by(FigureRow.run_id, FigureRow.place)
        schema = {
            "run_id": pl.String,
            "figure": pl.String,
            "value": pl.Float64,
            "u": pl.Float64,
            "unit": pl.String,
            "verdict": pl.String,
            "low": pl.Float64,
            "high": pl.Float64,
        }
        with self.engine.connect() as connection:
            rows = [tuple(row) for row in connection.execute(query)]
        return pl.DataFrame(rows, schema=schema, orient="row")

    def document(self, run_id: str) -> dict[str, Any] | None:
        """The result document of a run; None where the store has no such run."""
        with Session(self.engine) as session:
            row = session.get(ResultRow, run_id)
            return dict(row.document) if row is not None else None

    def readings(self, run_id: str) -> pl.DataFrame:
        """A run's readings in stored units."""
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
        """
        for name, path in self.files(run_id).items():
            target = (folder / name).resolve()
            if not target.is_relative_to(folder.resolve()):
                raise UnusableRun(
                    Fault(
                        run_id, f"file name {name!r}", "a name inside the run", "verify the store"
                    )
                )
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
        return folder

    # --- keeping it right -------------------------------------------------------------------

    def outdated(self, versions: Versions) -> list[str]:
        """Runs whose result was made with other versions than today's, or has none."""
        query = (
            select(RunRow.id)
            .join(ResultRow, ResultRow.run_id == RunRow.id, isouter=True)
            .where(
                ResultRow.run_id.is_(None)
                | (ResultRow.code_version != versions.code)
                | (ResultRow.definitions_version != versions.definitions)
                | (ResultRow.limits_version != versions.limits)
            )
            .order_by(RunRow.id)
        )
        with self.engine.connect() as connection:
            return [row[0] for row in connection.execute(query)]

    def put_result(self, run_id: str, document: dict[str, Any], versions: Versions) -> None:
        """Replace a run's result."""
        with Session(self.engine) as session, session.begin():
            session.execute(delete(FigureRow).where(FigureRow.run_id == run_id))
            session.execute(delete(ResultRow).where(ResultRow.run_id == run_id))
            _put_result(session, run_id, document, versions)

    def verify(self, on_file: Callable[[], None] = lambda: None) -> list[Damage]:
        """Prove that nothing changed: every raw file still has its sha256, every run its readings.

        Parameters
        ----------
        on_file
            Called after each file, for progress.

        Returns
        -------
        list of Damage
            Empty where all is well. Files that nobody refers to are listed too: harmless leftovers
            of a process that was killed.
        """
        with Session(self.engine) as session:
            named = {row.sha256: row for row in session.scalars(select(FileRow))}
            readings = dict(session.execute(select(RunRow.id, RunRow.readings_sha256)).tuples())
            by_run = set(session.scalars(select(FileRow.run_id).distinct()))
        damage = [
            Damage(f"run {run_id}", "no raw files in the catalog")
            for run_id in sorted(readings.keys() - by_run)
        ]
        for sha256, row in sorted(named.items()):
            path = self.raw_path(sha256)
            if not path.is_file():
                damage.append(Damage(f"raw {sha256}", f"missing ({row.name} of run {row.run_id})"))
            elif file_sha256(path) != sha256:
                damage.append(Damage(f"raw {sha256}", f"changed ({row.name} of run {row.run_id})"))
            on_file()
        for run_id, sha256 in sorted(readings.items()):
            path = self.readings_path(run_id)
            if not path.is_file():
                damage.append(Damage(f"readings {run_id}", "missing"))
            elif file_sha256(path) != sha256:
                damage.append(Damage(f"readings {run_id}", "changed"))
            on_file()
        return damage

    def leftovers(self) -> list[Path]:
        """Files in the store that no run refers to."""
        with Session(self.engine) as session:
            named = set(session.scalars(select(FileRow.sha256)))
            ids = set(session.scalars(select(RunRow.id)))
        raw = [path for path in (self.folder / "raw").rglob("*") if path.is_file()]
        readings = list((self.folder / "readings").glob("*"))
        return [path for path in raw if path.name not in named] + [
            path for path in readings if path.stem not in ids
        ]


def run_identity(sha256: Mapping[str, str]) -> str:
    """Id of a run: sha256 over its raw files' names and contents."""
    digest = hashlib.sha256()
    for name in sorted(sha256):
        digest.update(f"{name}\0{sha256[name]}\n".encode())
    return digest.hexdigest()


def _make(folder: Path, database: str) -> None:
    for part in ("raw", "readings"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    text = f'format = {FORMAT}\ndatabase = "{database}"\n'
    write_whole(folder / SETTINGS, lambda to: to.write_text(text, encoding="utf-8"))


def _run_row(run_id: str, run: Run, readings_sha256: str) -> RunRow:
    about = run.setup.run
    ambient = next((run.sensors[p].column for p in ("ambient", "inlet_air") if run.has(p)), None)
    mean = run.readings[ambient].mean() if ambient else None
    return RunRow(
        id=run_id,
        name=run.name,
        vehicle=about.vehicle,
        family=about.family,
        heater=about.heater,
        purpose=about.purpose,
        plant=about.plant,
        operator=about.operator,
        logger=about.logger,
        started=_as_utc(run.started),
        duration_s=run.duration_s,
        ambient_degC=float(mean) if isinstance(mean, float) else None,
        readings=run.readings.height,
        readings_sha256=readings_sha256,
        added=datetime.now(UTC),
    )


def _put_result(
    session: Session, run_id: str, document: dict[str, Any], versions: Versions
) -> None:
    causes = document.get("causes") or [{}]
    session.add(
        ResultRow(
            run_id=run_id,
            code_version=versions.code,
            definitions_version=versions.definitions,
            limits_version=versions.limits,
            verdict=document["verdict"],
            first_cause=causes[0].get("cause"),
            first_probability=causes[0].get("probability"),
            document=document,
            computed=datetime.now(UTC),
        )
    )
    session.add_all(
        FigureRow(
            run_id=run_id,
            figure=name,
            value=figure["value"],
            u=figure["u"],
            unit=figure["unit"],
            verdict=figure["verdict"],
            low=(figure["limit"] or {}).get("low"),
            high=(figure["limit"] or {}).get("high"),
            place=place,
        )
        for place, (name, figure) in enumerate(document["figures"].items())
    )


def _as_utc(moment: datetime | None) -> datetime | None:
    """In UTC for the database; a log that names no zone is taken at its word as UTC."""
    if moment is None:
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _utc(cell: Any) -> Any:
    """SQLite forgets the time zone of what was stored in UTC; PostgreSQL answers in its own."""
    if isinstance(cell, datetime):
        return cell.replace(tzinfo=UTC) if cell.tzinfo is None else cell.astimezone(UTC)
    return cell
