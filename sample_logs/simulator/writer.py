"""A run folder from a simulated run: the log in a dialect, the events, the set-up."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import NamedTuple

import numpy as np

from ingest.arrays import Floats
from sample_logs.simulator.columns import BAROMETER_KPA, Column, columns_of
from sample_logs.simulator.dialects import Dialect
from sample_logs.simulator.simulate import Simulated

ZONE = "America/Detroit"
LONG_INTERVAL_S = 2.0
"""How often each channel of a one-reading-a-row log comes round."""

TWELVE_HOUR_PATTERN = "%m/%d/%Y %I:%M:%S.%f %p"


class Labels(NamedTuple):
    """What the set-up says of a run beside its channels.

    Parameters
    ----------
    purpose
        As in the contract.
    log_began
        Wall clock of the log's first sample, with its time zone.
    operator
        Who held the pencil.
    """

    purpose: str = "complaint"
    log_began: datetime = datetime(2026, 1, 12, 7, 30, tzinfo=timezone(timedelta(hours=-5)))
    operator: str = ""


def write_run(
    simulated: Simulated, folder: Path, dialect: Dialect, labels: Labels | None = None
) -> None:
    """Write `run.toml`, the log and the events into a folder, which is made if need be.

    Parameters
    ----------
    simulated
        The run.
    folder
        Where to; existing files of the same names are replaced.
    dialect
        How the log is written.
    labels
        Purpose and wall clock where they matter.
    """
    labels = labels or Labels()
    folder.mkdir(parents=True, exist_ok=True)
    columns = columns_of(simulated, dialect)
    lines = (_long if dialect.long else _wide)(simulated, dialect, columns, labels)
    text = "".join(line + dialect.newline for line in lines)
    # bytes, so that no platform puts in its own line ends; UTF-16 gets its mark from the codec
    (folder / "log.csv").write_bytes(text.encode(dialect.encoding))
    (folder / "events.csv").write_bytes(_events(simulated, dialect, labels).encode("utf-8"))
    setup = _setup(simulated, dialect, columns, labels)
    (folder / "run.toml").write_bytes(setup.encode("utf-8"))


def _cells(values: Floats, decimals: int, dialect: Dialect) -> list[str]:
    missing = dialect.no_reading
    texts = [missing if value != value else f"{value:.{decimals}f}" for value in values.tolist()]
    return [text.replace(".", dialect.decimal) for text in texts] if decimals else texts


def _wide(
    simulated: Simulated, dialect: Dialect, columns: Sequence[Column], labels: Labels
) -> list[str]:
    times = _times(simulated.time, dialect, labels)
    labels_of_time = dialect.time_label.split("|")
    cells = [*times, *(_cells(column.values, column.decimals, dialect) for column in columns)]
    lines = list(dialect.preamble)
    if dialect.header:
        names = [*labels_of_time, *(dialect.label(column.point) for column in columns)]
        lines.append(_row(names, dialect))
    if dialect.units_row:
        unit = {"ms": "ms"}.get(dialect.time, "s")
        lines.append(_row([unit, *(_printed(column.unit) for column in columns)], dialect))
    lines += [_row(row, dialect) for row in zip(*cells, strict=True)]
    return lines


def _long(
    simulated: Simulated, dialect: Dialect, columns: Sequence[Column], labels: Labels
) -> list[str]:
    """One reading a row: the reader asks for one signal after the other."""
    (times,) = _times(simulated.time, dialect, labels)
    stride = max(1, round(LONG_INTERVAL_S * simulated.sensors.rate_hz))
    texts = [_cells(column.values, column.decimals, dialect) for column in columns]
    lines = [_row([dialect.time_label, "signal", "reading", "unit"], dialect)]
    for index in range(len(times)):
        for place, column in enumerate(columns):
            if (index + place) % stride == 0:
                row = [times[index], dialect.label(column.point), texts[place][index], column.unit]
                lines.append(_row(row, dialect))
    return lines


def _printed(unit: str) -> str:
    return {"degC": "°C", "degF": "°F"}.get(unit, unit)


def _row(cells: Sequence[str], dialect: Dialect) -> str:
    texts = [f'"{cell}"' for cell in cells] if dialect.quoted else cells
    return dialect.delimiter.join(texts) + (dialect.delimiter if dialect.trailing else "")


def _times(seconds: Floats, dialect: Dialect, labels: Labels) -> list[list[str]]:
    """The time column, or two where date and time are apart."""
    style = dialect.time
    if style == "ms":
        return [[f"{1000.0 * each:.0f}" for each in seconds.tolist()]]
    if style == "hh:mm:ss":
        return [[_clock(each) for each in seconds.tolist()]]
    if style == "s":
        return [[f"{each:.2f}".replace(".", dialect.decimal) for each in seconds.tolist()]]
    walls = [labels.log_began + timedelta(seconds=round(each, 3)) for each in seconds.tolist()]
    if style == "iso8601":
        return [[wall.isoformat(timespec="milliseconds") for wall in walls]]
    if style == "epoch ms":
        return [[f"{1000.0 * wall.timestamp():.0f}" for wall in walls]]
    if style == "12-hour":
        # strftime's %f has six digits; loggers of this kind write three
        return [[_twelve_hour(wall) for wall in walls]]
    dates = [wall.strftime("%d.%m.%Y") for wall in walls]
    return [dates, [wall.strftime("%H:%M:%S") for wall in walls]]


def _clock(seconds: float) -> str:
    tenths = round(10.0 * seconds)
    hours, rest = divmod(tenths, 36_000)
    minutes, rest = divmod(rest, 600)
    return f"{hours:02d}:{minutes:02d}:{rest // 10:02d}.{rest % 10}"


def _twelve_hour(wall: datetime) -> str:
    hour = wall.hour % 12 or 12
    half = "AM" if wall.hour < 12 else "PM"
    fraction = f"{wall.microsecond // 1000:03d}"
    return f"{wall:%m/%d/%Y} {hour:02d}:{wall:%M:%S}.{fraction} {half}"


def _events(simulated: Simulated, dialect: Dialect, labels: Labels) -> str:
    """Times written as in the log; date and time apart are joined by a blank."""
    moments = np.array([event[0] for event in simulated.events])
    parts = _times(moments, dialect, labels)
    times = [" ".join(each) for each in zip(*parts, strict=True)]
    lines = ["time,control,position"]
    for time, (_, control, position) in zip(times, simulated.events, strict=True):
        shown = position if isinstance(position, str) else f"{position:g}"
        written = f'"{time}"' if "," in time else time
        lines.append(f"{written},{control},{shown}")
    return "\n".join(lines) + "\n"


def _setup(
    simulated: Simulated, dialect: Dialect, columns: Sequence[Column], labels: Labels
) -> str:
    car = simulated.car
    lines = ["[run]"]
    lines += [
        f"vehicle = {json.dumps(car.vehicle)}",
        f"family = {json.dumps(car.family)}",
        f'purpose = "{labels.purpose}"',
        f'heater = "{car.heater}"',
        f"started = {_engine_started(simulated, labels).isoformat()}",
        f"logger = {json.dumps(dialect.name)}",
    ]
    if labels.operator:
        lines.append(f"operator = {json.dumps(labels.operator)}")
    if dialect.pressure == "absolute":
        lines.append(f'barometer = "{BAROMETER_KPA} kPa"')
    lines += ["", "[log]", 'file = "log.csv"', f"time = {_time_table(dialect)}"]
    if dialect.long:
        lines += ['layout = "long"', 'name = "signal"', 'value = "reading"', 'unit = "unit"']
    if not dialect.header:
        lines.append("header = false")
    first = 1 + len(dialect.time_label.split("|"))
    for number, column in enumerate(columns, start=first):
        name = json.dumps(dialect.label(column.point), ensure_ascii=False)
        lines += ["", f"[channels.{column.point}]"]
        lines.append(f"column = {name if dialect.header else number}")
        lines += column.setup
    lines += ["", "[events]", 'file = "events.csv"']
    return "\n".join(lines) + "\n"


def _engine_started(simulated: Simulated, labels: Labels) -> datetime:
    """Wall clock of the run's time zero: the engine start, as it was noted."""
    noted = next(time for time, control, _ in simulated.events if control == "engine")
    return labels.log_began + timedelta(seconds=round(noted))


def _time_table(dialect: Dialect) -> str:
    names = [json.dumps(label) for label in dialect.time_label.split("|")]
    column = f"column = {names[0] if dialect.header else 1}"
    if dialect.time in {"s", "ms", "hh:mm:ss", "epoch ms"}:
        return f'{{ {column}, unit = "{dialect.time}" }}'
    zone = f'timezone = "{ZONE}"'
    if dialect.time == "iso8601":
        return f'{{ {column}, format = "iso8601" }}'
    if dialect.time == "12-hour":
        return f'{{ {column}, format = "{TWELVE_HOUR_PATTERN}", {zone} }}'
    return f'{{ columns = [{", ".join(names)}], format = "%d.%m.%Y %H:%M:%S", {zone} }}'
