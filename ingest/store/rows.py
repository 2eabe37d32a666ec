"""Rows of the catalog from a run and what the analysis made of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from ingest.store.catalog import FigureRow, ResultRow, RunRow
from ingest.values import dataclass

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from ingest.run import Run


@dataclass(frozen=True)
class Outcome:
    """What the analysis made of a run.

    Parameters
    ----------
    document
        The result document (schema 1 of the contract).
    kept
        What later runs are judged with if this one is a good car; the store does not look into it.
    random
        Random part of each figure's standard uncertainty, by figure.
    """

    document: dict[str, Any]
    kept: dict[str, Any] | None = None
    random: Mapping[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Versions:
    """What made a result: it is out of date where any of them differs from today's."""

    code: str
    definitions: str
    limits: str


def clean(text: str) -> str:
    """Text as every database takes it: no NUL, no half of a surrogate pair."""
    return text.replace("\0", "\ufffd").encode("utf-8", "replace").decode("utf-8")


def _clean(text: str | None) -> str | None:
    return None if text is None else clean(text)


def ambient(run: Run) -> float | None:
    """Mean temperature of the outside air, or of the air that enters where that is not logged."""
    column = next((run.sensors[p].column for p in ("ambient", "inlet_air") if run.has(p)), None)
    mean = run.readings[column].mean() if column else None
    return float(mean) if isinstance(mean, float) else None


def run_row(run_id: str, run: Run, readings_sha256: str) -> RunRow:
    """Make the row of a run."""
    about = run.setup.run
    return RunRow(
        id=run_id,
        name=clean(run.name),
        vehicle=clean(about.vehicle),
        family=_clean(about.family),
        heater=about.heater,
        purpose=about.purpose,
        plant=_clean(about.plant),
        operator=_clean(about.operator),
        logger=_clean(about.logger),
        started=_as_utc(run.started),
        duration_s=run.duration_s,
        ambient_degC=ambient(run),
        readings=run.readings.height,
        readings_sha256=readings_sha256,
        added=datetime.now(UTC),
    )


def put_result(session: Session, run_id: str, outcome: Outcome, versions: Versions) -> None:
    """Add the rows of a result."""
    document = outcome.document
    causes = document.get("causes") or [{}]
    session.add(
        ResultRow(
            run_id=run_id,
            code_version=versions.code,
            definitions_version=versions.definitions,
            limits_version=clean(versions.limits),
            verdict=document["verdict"],
            first_cause=causes[0].get("cause"),
            first_probability=causes[0].get("probability"),
            document=document,
            kept=outcome.kept,
            computed=datetime.now(UTC),
        )
    )
    session.add_all(
        FigureRow(
            run_id=run_id,
            figure=name,
            value=figure["value"],
            u=figure["u"],
            random=outcome.random.get(name),
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
