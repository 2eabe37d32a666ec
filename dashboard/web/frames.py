"""Results as the tables a store gives: one row a run, one row a run and figure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import polars as pl

RUN_COLUMNS: Final = (
    "id", "name", "vehicle", "family", "heater", "purpose", "plant", "operator", "logger",
    "started", "duration_s", "ambient_degC", "verdict", "first_cause", "first_probability",
)  # fmt: skip
"""Of the table of runs; see `ingest.store.read.runs`."""

FIGURE_COLUMNS: Final = (
    "run_id", "figure", "value", "u", "random", "unit", "verdict", "low", "high",
)  # fmt: skip
"""Of the table of figures; see `ingest.store.read.figures`."""

NUMBERS: Final = frozenset(
    ["duration_s", "ambient_degC", "first_probability", "value", "u", "random", "low", "high"]
)


def _schema(columns: Iterable[str]) -> dict[str, Any]:
    import polars as pl

    return {name: pl.Float64 if name in NUMBERS else pl.String for name in columns}


def runs_frame(records: list[dict[str, Any]]) -> pl.DataFrame:
    """The table of runs, newest first."""
    import polars as pl

    frame = pl.DataFrame(records, schema=_schema(RUN_COLUMNS))
    return frame.with_columns(
        pl.col("started").str.to_datetime(time_unit="us", time_zone="UTC")
    ).sort("started", "vehicle", descending=[True, False], nulls_last=True)


def figures_frame(records: list[dict[str, Any]]) -> pl.DataFrame:
    """The table of figures."""
    import polars as pl

    return pl.DataFrame(records, schema=_schema(FIGURE_COLUMNS))


def run_record(
    run_id: str, document: Mapping[str, Any], ambient: float | None, **more: str | None
) -> dict[str, Any]:
    """A row of the table of runs from a result; `more` are columns no result has."""
    about = document["run"]
    first = (document["causes"] or [{}])[0]
    return dict.fromkeys(RUN_COLUMNS) | {
        "id": run_id,
        **{key: about[key] for key in ("name", "vehicle", "family", "heater", "purpose")},
        "started": about["started"],
        "duration_s": about["duration_s"],
        "ambient_degC": ambient,
        "verdict": document["verdict"],
        "first_cause": first.get("cause"),
        "first_probability": first.get("probability"),
        **more,
    }


def figure_records(
    run_id: str, document: Mapping[str, Any], random: Mapping[str, float | None]
) -> list[dict[str, Any]]:
    """Rows of the table of figures from a result and the random part of each uncertainty."""
    return [
        {
            "run_id": run_id,
            "figure": name,
            "random": random.get(name) if each["value"] is not None else None,
            **{key: each[key] for key in ("value", "u", "unit", "verdict")},
            **{side: (each["limit"] or {}).get(side) for side in ("low", "high")},
        }
        for name, each in document["figures"].items()
    ]
