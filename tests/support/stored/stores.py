"""Small runs for stores, and a result that costs nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ingest.files import find_files
from ingest.load.load import load_run
from ingest.run import Run
from ingest.store.rows import Outcome, Versions
from ingest.store.store import Added, Store
from ingest.store.verify import Loss, check_files
from tests.support.run_folders import log_text, setup_text, write_run

TODAY = Versions("1.0", "1", "default-1")

VERDICTS = ("pass", "fail", "undecided")


def make_place(
    folder: Path, vehicle: str, number: int = 0, purpose: str = "complaint", **about: str
) -> Path:
    """A small run folder; `number` makes its log differ from others."""
    told = {"family": "Plover", "plant": "North", **about}
    lines = "".join(f"{key} = {toml(value)}\n" for key, value in told.items())
    run = f'[run]\nvehicle = {toml(vehicle)}\npurpose = "{purpose}"\n{lines}'
    log = log_text([f"{row * 0.5:.1f}" for row in range(40 + number)])
    return write_run(folder, log=log, setup=setup_text(run=run))


def toml(value: str) -> str:
    """A text as TOML writes it."""
    escaped = "".join(
        f"\\u{ord(mark):04x}" if ord(mark) < 32 or mark in '"\\' else mark for mark in value
    )
    return f'"{escaped}"'


def outcome_of(run: Run) -> Outcome:
    """A result made of nothing but the run's length, so that tests know what it must be."""
    verdict = VERDICTS[run.readings.height % 3]
    figure = {"value": run.duration_s, "unit": "s", "u": 0.5, "verdict": verdict, "limit": None}
    nothing = {"value": None, "unit": "K", "u": None, "verdict": "not measured", "limit": None}
    document: dict[str, Any] = {
        "schema": 1,
        "run": {"name": run.name},
        "figures": {
            "warm_up_time": figure | {"limit": {"high": 900.0}},
            "steady_outlet_rise": nothing,
        },
        "verdict": verdict,
        "causes": [
            {"cause": "healthy", "probability": 0.75, "next_check": "=look()"},
            {"cause": "weak_airflow", "probability": 0.25, "next_check": "the fan"},
        ],
    }
    return Outcome(document, {"length": run.duration_s}, {"warm_up_time": 0.25})


def add(store: Store, place: Path) -> Added:
    """Add a run folder."""
    return store.add(load_run(place), find_files(place).raw(), outcome_of, TODAY)


def versions_for(_family: str | None, _heater: str) -> Versions:
    """Today's versions, the same for every car."""
    return TODAY


def verify(store: Store) -> list[Loss]:
    """Everything in a store that is not as it was written; empty where all is well."""
    return [damage for damage in check_files(store)[1] if damage is not None]
