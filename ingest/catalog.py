"""The catalog of the run store: its tables and its database, through SQLAlchemy.

SQLite beside the files by default; PostgreSQL by URL for a shop or a fleet. Same tables, same code.
The schema is versioned by the migrations in `ingest/migrations`.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Engine,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Text,
    create_engine,
    event,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

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
    name: Mapped[str] = mapped_column(String(512), primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    size: Mapped[int] = mapped_column(BigInteger)


class ResultRow(Base):
    """The newest result of a run, with the versions that made it."""

    __tablename__ = "results"

    run_id: Mapped[str] = mapped_column(ForeignKey("runs.id"), primary_key=True)
    code_version: Mapped[str] = mapped_column(String(60))
    definitions_version: Mapped[str] = mapped_column(String(60))
    limits_version: Mapped[str] = mapped_column(String(120))
    verdict: Mapped[str] = mapped_column(String(20), index=True)
    first_cause: Mapped[str | None] = mapped_column(String(60))
    first_probability: Mapped[float | None] = mapped_column(Float)
    document: Mapped[dict[str, Any]] = mapped_column(JSON)
    computed: Mapped[datetime] = mapped_column(DateTime(timezone=True))


class FigureRow(Base):
    """One figure of one run, so that a fleet can be read without opening documents."""

    __tablename__ = "figures"
    __table_args__ = (Index("ix_figures_figure_value", "figure", "value"),)

    run_id: Mapped[str] = mapped_column(ForeignKey("runs.id"), primary_key=True)
    figure: Mapped[str] = mapped_column(String(60), primary_key=True)
    value: Mapped[float | None] = mapped_column(Float)
    u: Mapped[float | None] = mapped_column(Float)
    unit: Mapped[str] = mapped_column(String(20))
    verdict: Mapped[str] = mapped_column(String(20))
    low: Mapped[float | None] = mapped_column(Float)
    high: Mapped[float | None] = mapped_column(Float)
    place: Mapped[int] = mapped_column(Integer)


def open_database(url: str) -> Engine:
    """Engine for a database URL; SQLite is set up for several processes writing at once."""
    engine = create_engine(url, pool_pre_ping=True)
    if engine.dialect.name == "sqlite":

        @event.listens_for(engine, "connect")
        def _settings(connection: Any, _record: Any) -> None:
            cursor = connection.cursor()
            cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
            cursor.execute("PRAGMA journal_mode = WAL")
            cursor.execute("PRAGMA synchronous = NORMAL")
            cursor.execute("PRAGMA foreign_keys = ON")
            cursor.close()

    return engine


def migrate(engine: Engine) -> None:
    """Bring the schema to this version; a store from a later version is refused by alembic."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
