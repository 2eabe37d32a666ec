"""The catalog of the run store: its tables and its database, through SQLAlchemy.

SQLite beside the files by default; PostgreSQL by URL for a shop or a fleet. Same tables, same code.
The schema is versioned by the migrations in `ingest/store/migrations`.
"""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Engine,
    ExceptionContext,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Text,
    create_engine,
    event,
    text,
)
from sqlalchemy.exc import ArgumentError
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from ingest.errors import Fault, UnusableRun

HEAD: Final = "0001"
"""Newest version of the schema; a catalog that has it needs no migration (and no alembic)."""

BUSY_TIMEOUT_MS: Final = 60_000
"""How long a process waits for another one's transaction before it gives up, ms."""


class Base(DeclarativeBase):
    """All tables, with constraint names that migrations can rely on."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_name)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class StoreRow(Base):
    """Which store this is the catalog of; one row."""

    __tablename__ = "store"

    id: Mapped[str] = mapped_column(String(36), primary_key=True)


class RunRow(Base):
    """One run. `id` is made from the content of its raw files, so a run cannot be there twice."""

    __tablename__ = "runs"

    id: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    vehicle: Mapped[str] = mapped_column(Text, index=True)
    family: Mapped[str | None] = mapped_column(Text, index=True)
    heater: Mapped[str] = mapped_column(String(20))
    purpose: Mapped[str | None] = mapped_column(String(20), index=True)
    plant: Mapped[str | None] = mapped_column(Text)
    operator: Mapped[str | None] = mapped_column(Text)
    logger: Mapped[str | None] = mapped_column(Text)
    started: Mapped[datetime | None] = mapped_column(DateTime(timezone=True))
    duration_s: Mapped[float] = mapped_column(Float)
    ambient_degC: Mapped[float | None] = mapped_column(Float)  # noqa: N815 - unit in the name
    readings: Mapped[int] = mapped_column(BigInteger)
    readings_sha256: Mapped[str] = mapped_column(String(64))
    added: Mapped[datetime] = mapped_column(DateTime(timezone=True))


class FileRow(Base):
    """One raw file of a run; its bytes lie in the store under their own sha256."""

    __tablename__ = "files"

    run_id: Mapped[str] = mapped_column(ForeignKey("runs.id"), primary_key=True)
    name: Mapped[str] = mapped_column(Text, primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    size: Mapped[int] = mapped_column(BigInteger)


class ResultRow(Base):
    """The newest result of a run, with the versions that made it."""

    __tablename__ = "results"

    run_id: Mapped[str] = mapped_column(ForeignKey("runs.id"), primary_key=True)
    code_version: Mapped[str] = mapped_column(Text)
    definitions_version: Mapped[str] = mapped_column(Text)
    limits_version: Mapped[str] = mapped_column(Text)
    verdict: Mapped[str] = mapped_column(String(20), index=True)
    first_cause: Mapped[str | None] = mapped_column(String(60))
    first_probability: Mapped[float | None] = mapped_column(Float)
    document: Mapped[dict[str, Any]] = mapped_column(JSON)
    kept: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    """What later runs are judged with if this is a good car; the store does not look into it."""
    computed: Mapped[datetime] = mapped_column(DateTime(timezone=True))


class FigureRow(Base):
    """One figure of one run, so that a fleet can be read without opening documents."""

    __tablename__ = "figures"
    __table_args__ = (Index("ix_figures_figure_value", "figure", "value"),)

    run_id: Mapped[str] = mapped_column(ForeignKey("runs.id"), primary_key=True)
    figure: Mapped[str] = mapped_column(String(60), primary_key=True)
    value: Mapped[float | None] = mapped_column(Float)
    u: Mapped[float | None] = mapped_column(Float)
    random: Mapped[float | None] = mapped_column(Float)
    unit: Mapped[str] = mapped_column(String(20))
    verdict: Mapped[str] = mapped_column(String(20))
    low: Mapped[float | None] = mapped_column(Float)
    high: Mapped[float | None] = mapped_column(Float)
    place: Mapped[int] = mapped_column(Integer)


def open_database(url: str) -> Engine:
    """Engine for a database URL; SQLite is set up for several processes writing at once.

    Raises
    ------
    UnusableRun
        Where the URL is none, or there is no driver for it.
    """
    try:
        engine = create_engine(url, pool_pre_ping=True, json_deserializer=_document)
    except (ArgumentError, ImportError) as error:
        # the URL may hold a password: it is not repeated
        raise UnusableRun(
            Fault(
                "database",
                f"a URL that cannot be used ({type(error).__name__})",
                "postgresql+psycopg://USER@HOST/DATABASE, or sqlite",
                "correct it; PostgreSQL needs `pip install lukewarm[postgres]`",
            )
        ) from error
    if engine.dialect.name == "sqlite":
        event.listen(engine, "handle_error", _say_damage)

        @event.listens_for(engine, "connect")
        def _settings(connection: Any, _record: Any) -> None:
            cursor = connection.cursor()
            cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
            cursor.execute("PRAGMA journal_mode = WAL")
            cursor.execute("PRAGMA synchronous = NORMAL")
            cursor.execute("PRAGMA foreign_keys = ON")
            cursor.close()

    return engine


DAMAGED: Final = ("SQLITE_CORRUPT", "SQLITE_NOTADB")
UNREADABLE: Final = ("Could not decode to UTF-8", "malformed database schema")
"""What SQLite says of a text whose bytes are another one's, and of tables it cannot understand."""


def damaged(found: str) -> UnusableRun:
    """What is said of a catalog that is no longer what was written."""
    return UnusableRun(
        Fault(
            "catalog",
            f"damage ({found})",
            "the catalog as it was written",
            "`lukewarm store rebuild STORE` makes it again from the raw files",
        )
    )


def _say_damage(context: ExceptionContext) -> None:
    """One line where SQLite finds its file damaged, whatever was asked of it."""
    error = context.original_exception
    name = str(getattr(error, "sqlite_errorname", ""))
    if name.startswith(DAMAGED) or any(words in str(error) for words in UNREADABLE):
        raise damaged((str(error).splitlines() or [name])[0]) from error


def _document(text: str | bytes) -> Any:
    """A stored document; SQLite does not notice when other bytes stand in its place."""
    try:
        return json.loads(text)
    except ValueError as error:
        raise damaged("a result that is no JSON") from error


def migrate(engine: Engine) -> None:
    """Bring the schema to this version.

    Raises
    ------
    UnusableRun
        Where the database was made by a later version, or holds no catalog that can be read.
    """
    if schema_version(engine) == HEAD:
        return
    from alembic import command
    from alembic.config import Config
    from alembic.util.exc import CommandError

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    try:
        with engine.begin() as connection:
            if engine.dialect.name == "sqlite":
                # the driver begins no transaction before DDL: a killed migration would be half done
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    except CommandError as error:
        raise UnusableRun(
            Fault(
                "catalog",
                f"schema {schema_version(engine)}",
                f"schema {HEAD} or an older one",
                "use the version of lukewarm that wrote it",
            )
        ) from error


def schema_version(engine: Engine) -> str | None:
    """Version of the schema in a database; None where there is none yet."""
    with engine.connect() as connection:
        if not connection.dialect.has_table(connection, "alembic_version"):
            return None
        found = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return str(found) if found is not None else None
