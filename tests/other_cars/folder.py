"""Writes one run as the contract's run folder: log, events, run.toml."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.random import Generator
from numpy.typing import NDArray

from tests.other_cars.physics import Drive
from tests.other_cars.sensors import Column

Floats = NDArray[np.float64]


def write_run(
    rng: Generator, folder: Path, drive: Drive, times: Floats, columns: list[Column], *,
    vehicle: str, purpose: str,
) -> float:  # fmt: skip
    """Write the folder; returns the event clock's offset that is NOT stated in run.toml, s."""
    folder.mkdir(parents=True, exist_ok=True)
    clock = _Clock(rng)
    _write_log(rng, folder / "log.csv", clock, times, columns)
    offset = float(np.clip(rng.normal(0, 4), -12, 12)) if rng.random() < 0.45 else 0.0
    stated = round(offset, 1) if offset and rng.random() < 0.15 else 0.0
    jitter = float(rng.uniform(0.2, 0.8)) if offset else float(rng.choice([0.0, 0.4]))
    lines = ["time,control,position"]
    noted = [(at - offset + rng.normal(0, jitter), control, position)
             for at, control, position in drive.trip.events]  # fmt: skip
    for at, control, position in sorted(noted, key=lambda event: event[0]):
        lines.append(f"{clock.write(max(at, 0.0), 0 if jitter else 1)},{control},{position}")
    (folder / "events.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    setup = _setup(rng, drive, clock, columns, vehicle=vehicle, purpose=purpose, stated=stated)
    (folder / "run.toml").write_text(setup, encoding="utf-8")
    return offset - stated


class _Clock:
    """How this logger writes time."""

    def __init__(self, rng: Generator) -> None:
        self.kind = str(rng.choice(["s", "s", "ms", "hh:mm:ss", "iso8601"]))
        self.zero = datetime(2026, 1, 5, 6, 0, tzinfo=UTC) + timedelta(
            minutes=int(rng.integers(0, 60 * 24 * 40))
        )
        if self.kind == "hh:mm:ss":  # midnight is tried elsewhere
            self.zero = self.zero.replace(hour=int(rng.integers(6, 20)))

    def write(self, at: float, decimals: int = 3) -> str:
        if self.kind == "s":
            return f"{at:.{decimals}f}"
        if self.kind == "ms":
            return f"{at * 1000:.0f}"
        moment = self.zero + timedelta(seconds=round(at, decimals))
        if self.kind == "hh:mm:ss":
            return moment.strftime("%H:%M:%S.%f")[:-3]
        return moment.isoformat(timespec="milliseconds")

    def settings(self) -> str:
        if self.kind == "iso8601":
            return '{ column = "t", format = "iso8601" }'
        return f'{{ column = "t", unit = "{self.kind}" }}'


def _write_log(
    rng: Generator, path: Path, clock: _Clock, times: Floats, columns: list[Column]
) -> None:
    separator, comma = [(",", False), (",", False), (";", True), ("\t", False), (";", False)][
        int(rng.integers(5))
    ]
    frame = pl.DataFrame(
        {"t": [clock.write(float(at)) for at in times]}
        | {column.header: np.round(column.values, column.decimals) for column in columns}
    ).with_columns(pl.all().exclude("t").fill_nan(None))
    if comma and clock.kind in ("s", "ms"):
        frame = frame.with_columns(pl.col("t").str.replace(".", ",", literal=True))
    lines = []
    if rng.random() < 0.3:
        lines += ["Saltmarsh County fleet shop", "Channels: " + str(len(columns)), ""]
    lines.append(separator.join(["t", *(column.header for column in columns)]))
    if rng.random() < 0.25:
        lines.append(separator.join([clock.kind if clock.kind in ("s", "ms") else "",
                                     *(column.unit for column in columns)]))  # fmt: skip
    body = io.BytesIO()
    frame.write_csv(
        body, include_header=False, separator=separator, decimal_comma=comma,
        null_value=str(rng.choice(["OL", "", "OPEN"])),
    )  # fmt: skip
    path.write_bytes(("\n".join(lines) + "\n").encode() + body.getvalue())


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    return str(value)


def _setup(
    rng: Generator, drive: Drive, clock: _Clock, columns: list[Column], *,
    vehicle: str, purpose: str, stated: float,
) -> str:  # fmt: skip
    lines = [
        "[run]", f'vehicle = "{vehicle}"', f'family = "{drive.car.family}"',
        f'purpose = "{purpose}"', f'heater = "{drive.car.heater}"',
    ]  # fmt: skip
    if rng.random() < 0.5:
        lines.append(f"engine_start = {drive.trip.start_s + rng.normal(0, 0.3):.1f}")
    if any(column.settings.get("reference") == "absolute" for column in columns):
        lines.append('barometer = "98.6 kPa"')
    lines += ["", "[log]", 'file = "log.csv"', f"time = {clock.settings()}", ""]
    for column in columns:
        lines += [f"[channels.{column.point}]", f'column = "{column.header}"']
        lines.append(f'unit = "{column.unit}"')
        lines += [f"{key} = {_toml(value)}" for key, value in column.settings.items()]
        lines.append("")
    lines += ["[events]", 'file = "events.csv"']
    if stated:
        lines.append(f"offset = {stated}")
    return "\n".join(lines) + "\n"
