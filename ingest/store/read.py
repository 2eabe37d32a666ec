"""What a store holds, as tables: runs, their figures, what good cars are kept for.

The tables are read column by column, for ten thousand runs in a fraction of a second.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

from sqlalchemy import ColumnElement, Select, select

from ingest.store.catalog import FigureRow, ResultRow, RunRow
from ingest.store.rows import Versions
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

    from ingest.store.store import Store


@dataclass(frozen=True, slots=True)
class Filter:
    """Which runs are meant; None leaves a property free.

    Parameters
    ----------
    family, vehicle, verdict, purpose, plant
        As the catalog writes them.
    cause
        The first cause.
    since, until
        First and last day of the runs, UTC.
    failed
        A figure that failed.
    """

    family: str | None = None
    vehicle: str | None = None
    verdict: str | None = None
    purpose: str | None = None
    plant: str | None = None
    cause: str | None = None
    since: date | None = None
    until: date | None = None
    failed: str | None = None

    def conditions(self) -> list[ColumnElement[bool]]:
        """For a query that joins runs and results."""
        wanted = {
            RunRow.family: self.family,
            RunRow.vehicle: self.vehicle,
            ResultRow.verdict: self.verdict,
            RunRow.purpose: self.purpose,
            RunRow.plant: self.plant,
            ResultRow.first_cause: self.cause,
        }
        told = [column == value for column, value in wanted.items() if value is not None]
        if self.since is not None:
            told.append(RunRow.started >= datetime.combine(self.since, time.min, UTC))
        if self.until is not None:
            day_after = self.until + timedelta(days=1)
            told.append(RunRow.started < datetime.combine(day_after, time.min, UTC))
        if self.failed is not None:
            failing = select(FigureRow.run_id).where(
                FigureRow.figure == self.failed, FigureRow.verdict == "fail"
            )
            told.append(RunRow.id.in_(failing))
        return told


EVERY = Filter()


def runs(store: Store, only: Filter = EVERY) -> pl.DataFrame:
    """One row a run: what it is, its verdict and first cause; newest first.

    Returns
    -------
    DataFrame
        ``id, name, vehicle, family, heater, purpose, plant, operator, logger, started`` (UTC)
        ``, duration_s, ambient_degC, verdict, first_cause, first_probability``.
    """
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
        .where(*only.conditions())
        .order_by(RunRow.started.desc().nulls_last(), RunRow.vehicle, RunRow.id)
    )
    return _frame(store, query)


def figures(
    store: Store, names: Collection[str] | None = None, only: Filter = EVERY
) -> pl.DataFrame:
    """One row a run and figure.

    Parameters
    ----------
    store
        The store.
    names
        Figures wanted; None for all.
    only
        Runs wanted.

    Returns
    -------
    DataFrame
        ``run_id, figure, value, u, random, unit, verdict, low, high``; `low` and `high` are the
        limits the verdict was given with.
    """
    query = select(
        FigureRow.run_id,
        FigureRow.figure,
        FigureRow.value,
        FigureRow.u,
        FigureRow.random,
        FigureRow.unit,
        FigureRow.verdict,
        FigureRow.low,
        FigureRow.high,
        FigureRow.place,
    )
    if names is not None:
        query = query.where(FigureRow.figure.in_(sorted(names)))
    if only != EVERY:
        query = (
            query.join(RunRow, RunRow.id == FigureRow.run_id)
            .join(ResultRow, ResultRow.run_id == FigureRow.run_id)
            .where(*only.conditions())
        )
    # sorted here: a database takes as long for it as for all the rest
    return _frame(store, query).sort("run_id", "place").drop("place")


def results(store: Store, only: Filter = EVERY) -> pl.DataFrame:
    """What each result was made with: ``run_id, code_version, definitions_version`` and so on."""
    query = (
        select(
            ResultRow.run_id,
            ResultRow.code_version,
            ResultRow.definitions_version,
            ResultRow.limits_version,
        )
        .join(RunRow, RunRow.id == ResultRow.run_id)
        .where(*only.conditions())
        .order_by(ResultRow.run_id)
    )
    return _frame(store, query)


@dataclass(frozen=True, slots=True)
class Kept:
    """A run as a good car: what the analysis kept of it."""

    run_id: str
    vehicle: str
    family: str | None
    heater: str
    kept: dict[str, Any]


def kept(store: Store, only: Filter) -> list[Kept]:
    """What was kept of runs that have a result, in order of their ids."""
    query = (
        select(RunRow.id, RunRow.vehicle, RunRow.family, RunRow.heater, ResultRow.kept)
        .join(ResultRow, ResultRow.run_id == RunRow.id)
        .where(ResultRow.kept.is_not(None), *only.conditions())
        .order_by(RunRow.id)
    )
    with store.engine.connect() as connection:
        return [Kept(*row) for row in connection.execute(query)]


@dataclass(frozen=True, slots=True)
class Made:
    """What a run's result was made with; `versions` is None where it has none that is whole."""

    run_id: str
    family: str | None
    heater: str
    versions: Versions | None


def made_with(store: Store) -> list[Made]:
    """Of every run, what its result was made with, in order of the runs' ids."""
    query = (
        select(
            RunRow.id,
            RunRow.family,
            RunRow.heater,
            ResultRow.code_version,
            ResultRow.definitions_version,
            ResultRow.limits_version,
            ResultRow.kept.is_(None),
        )
        .join(ResultRow, ResultRow.run_id == RunRow.id, isouter=True)
        .order_by(RunRow.id)
    )
    with store.engine.connect() as connection:
        return [
            Made(run_id, family, heater, None if code is None or bare else Versions(code, *rest))
            for run_id, family, heater, code, *rest, bare in connection.execute(query)
        ]


def _frame(store: Store, query: Select[*tuple[Any, ...]]) -> pl.DataFrame:
    """A table with the query's columns; their types come from the catalog's."""
    import polars as pl

    types: dict[type, Any] = {
        str: pl.String,
        float: pl.Float64,
        int: pl.Int64,
        datetime: pl.Datetime("us", "UTC"),
    }
    schema = {column.name: types[column.type.python_type] for column in query.selected_columns}
    with store.engine.connect() as connection:
        result = connection.execute(query)
        rows: list[Any]
        if types[datetime] in schema.values():
            rows = [tuple(_utc(cell) for cell in row) for row in result]
        else:
            # texts and numbers are the same in the driver's own rows, at half the time
            rows = list(result.cursor.fetchall())
    return pl.DataFrame(rows, schema=schema, orient="row")


def _utc(cell: Any) -> Any:
    """SQLite forgets the time zone of what was stored in UTC; PostgreSQL answers in its own."""
    if not isinstance(cell, datetime):
        return cell
    return cell.replace(tzinfo=UTC) if cell.tzinfo is None else cell.astimezone(UTC)
