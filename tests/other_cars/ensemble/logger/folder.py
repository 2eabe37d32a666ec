"""Writes one run as the contract's run folder: log, events, run.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.other_cars.ensemble.logger.notes import Notes
from tests.other_cars.ensemble.march import Drive
from tests.other_cars.sensors import Column

Floats = NDArray[np.float64]


def write_run(
    folder: Path, drive: Drive, times: Floats, columns: list[Column], notes: Notes | None, *,
    vehicle: str, purpose: str,
) -> None:  # fmt: skip
    """Write the folder; without `notes` nobody noted anything."""
    folder.mkdir(parents=True, exist_ok=True)
    pl.DataFrame(
        {"t": np.round(times, 2)}
        | {column.header: np.round(column.values, column.decimals) for column in columns}
    ).with_columns(pl.all().exclude("t").fill_nan(None)).write_csv(folder / "log.csv")
    if notes is not None:
        lines = [f"{at:g},{control},{position}" for at, control, position in notes.events]
        text = "\n".join(["time,control,position", *lines]) + "\n"
        (folder / "events.csv").write_text(text, encoding="utf-8")
    setup = _setup(drive, columns, notes, vehicle=vehicle, purpose=purpose)
    (folder / "run.toml").write_text(setup, encoding="utf-8")


def _toml(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


def _setup(
    drive: Drive, columns: list[Column], notes: Notes | None, *, vehicle: str, purpose: str
) -> str:
    lines = [
        "[run]", f'vehicle = "{vehicle}"', f'family = "{drive.car.family}"',
        f'purpose = "{purpose}"', f'heater = "{drive.car.heater}"',
    ]  # fmt: skip
    if notes is None:
        lines.append(f"engine_start = {drive.trip.start_s:.0f}")
    if drive.car.structure.heated_by:
        lines.append('coolant_heated_by = "coolant heater"')
    lines += ["", "[log]", 'file = "log.csv"', 'time = { column = "t", unit = "s" }', ""]
    for column in columns:
        lines += [f"[channels.{column.point}]", f'column = "{column.header}"']
        lines.append(f'unit = "{column.unit}"')
        lines += [f"{key} = {_toml(value)}" for key, value in column.settings.items()]
        lines.append("")
    if notes is not None:
        lines += ["[events]", 'file = "events.csv"']
    return "\n".join(lines) + "\n"
