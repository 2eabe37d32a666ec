"""Tables of runs and figures as a store gives them, from a few numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from analysis.compare.table import fleet_table

RUNS: dict[str, Any] = {
    "id": pl.String,
    "name": pl.String,
    "vehicle": pl.String,
    "family": pl.String,
    "heater": pl.String,
    "purpose": pl.String,
    "plant": pl.String,
    "started": pl.Datetime("us", "UTC"),
    "ambient_degC": pl.Float64,
    "first_cause": pl.String,
}

FIGURES: dict[str, Any] = {
    "run_id": pl.String,
    "figure": pl.String,
    "value": pl.Float64,
    "u": pl.Float64,
    "random": pl.Float64,
    "unit": pl.String,
    "verdict": pl.String,
    "low": pl.Float64,
    "high": pl.Float64,
}

RISE = "steady_outlet_rise"


def id_of(number: int) -> str:
    """Id of the run with this number, told from others by its first digits."""
    return f"{number:012x}".ljust(64, "0")


def day(number: float) -> datetime:
    """A day of the winter."""
    return datetime(2026, 1, 1, 8, tzinfo=UTC) + timedelta(days=number)


def run(vehicle: str, value: float | None = None, **about: Any) -> dict[str, Any]:
    """One run; `figures` may hold more than the outlet rise."""
    figures = dict(about.pop("figures", {}))
    if value is not None:
        figures[RISE] = value
    usual = {
        "family": "Plover",
        "heater": "blend-air",
        "purpose": "baseline",
        "plant": None,
        "started": None,
        "ambient_degC": None,
        "first_cause": None,
    }
    return usual | about | {"vehicle": vehicle, "figures": figures}


def frames(runs: Iterable[Mapping[str, Any]]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The two tables of a store."""
    run_rows, figure_rows = [], []
    for number, told in enumerate(runs):
        about = dict(told)
        figures = about.pop("figures")
        run_id = id_of(number)
        name = f"{about['vehicle']}-{number}"
        run_rows.append({"id": run_id, "name": name} | about)
        figure_rows += [
            {
                "run_id": run_id,
                "figure": figure,
                "value": value,
                "u": 0.5,
                "random": 0.0,
                "unit": "s" if figure.endswith("_time") else "K",
                "verdict": "pass",
            }
            for figure, value in figures.items()
        ]
    return pl.DataFrame(run_rows, schema=RUNS), pl.DataFrame(figure_rows, schema=FIGURES)


def table_of(runs: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """What the comparisons take."""
    return fleet_table(*frames(runs))
