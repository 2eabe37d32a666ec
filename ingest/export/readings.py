"""`convert`: the readings in physical units with the controls joined, as a file."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl

from ingest.arrays import Floats
from ingest.errors import Fault, UnusableRun
from ingest.export.tables import harmless, require_ending
from ingest.files import SETUP_NAME, write_whole
from ingest.load.gridding import on_grid
from ingest.run import Run

CONTROL_COLUMNS: Final = {
    "temp_lever": "temp_lever_pct",
    "blower": "blower",
    "mode": "mode",
    "air_door": "air_door_pct",
    "defrost": "defrost_pct",
    "engine": "engine",
    "vacuum_isolated": "vacuum_isolated",
}
"""Controls and the columns their positions go to; notes hold no position and stay out."""

SUFFIXES: Final = (".csv", ".parquet")
MAX_GRID_ROWS: Final = 20_000_000


def readings_with_controls(run: Run, grid: float | None = None) -> pl.DataFrame:
    """Readings in physical units with the controls in force.

    Controls are joined as-of: a position holds from its event until the same control's next
    event, and is null before the first; a control that was never noted has no column. Where the
    lever's position is logged it stands in ``temp_lever_pct``, and the noted one only where the
    log has none.

    On a grid a cell is the mean of the samples within half a step of its time. A cell without a
    sample is interpolated between its neighbors in time only where these are no further apart
    than 10 s or four of the channel's own sampling intervals, whichever is longer; across a
    longer gap and beyond the channel's first and last reading it is null.

    Parameters
    ----------
    run
        The run.
    grid
        Step, s: the times are its whole multiples. None for the logger's own times.

    Returns
    -------
    DataFrame
        ``time_s`` (s from engine start), one column a measuring point with its unit
        (``outlet_degC``), one a control (``temp_lever_pct``, ``blower``, ``mode`` ...).

    Raises
    ------
    UnusableRun
        Where the step is no positive number or far too fine for the length of the run.
    """
    frame = run.readings if grid is None else _gridded(run, grid)
    time = frame["time_s"].to_numpy()
    for control, column in CONTROL_COLUMNS.items():
        events = run.controls.filter(pl.col("control") == control)
        if events.height == 0:
            continue
        held = _held(events, "position" if control == "mode" else "value", time)
        if column in frame.columns:
            held = frame[column].fill_null(held)
        frame = frame.with_columns(held.alias(column))
    return frame


def write_readings(frame: pl.DataFrame, path: Path) -> None:
    """Write a table as CSV (UTF-8) or Parquet, by the file's ending, as a whole or not at all.

    Raises
    ------
    WrongUse
        Where the ending is another one.
    UnusableRun
        Where the file cannot be written.
    """
    require_ending(path, SUFFIXES)
    csv = path.suffix.lower() == ".csv"
    write = harmless(frame).write_csv if csv else frame.write_parquet
    write_whole(path, write)


def output_paths(places: Sequence[Path], folder: Path) -> list[Path]:
    """A CSV for each run in one folder, named after the run; no two have the same name.

    Runs of one name get their parent folder's in front, and a number where that is not enough.

    Parameters
    ----------
    places
        Run folders, run.toml files or logs.
    folder
        Where the files are to be.
    """
    named = [_run_folder_or_log(place) for place in places]
    shared = Counter(place.name.casefold() for place in named)
    taken: set[str] = set()
    paths = []
    for place in named:
        stem = place.stem if place.suffix and not place.is_dir() else place.name
        if shared[place.name.casefold()] > 1:
            stem = f"{place.parent.name}-{stem}"
        name, number = stem, 1
        while name.casefold() in taken:  # not all systems tell capitals from small letters
            number += 1
            name = f"{stem}-{number}"
        taken.add(name.casefold())
        paths.append(folder / f"{name}.csv")
    return paths


def _run_folder_or_log(place: Path) -> Path:
    whole = place.resolve()
    return whole.parent if whole.name == SETUP_NAME else whole


def _held(events: pl.DataFrame, column: str, time: Floats) -> pl.Series:
    """The position in force at each time; null before the first event."""
    place = np.searchsorted(events["time_s"].to_numpy(), time, side="right") - 1
    at = pl.Series(np.maximum(place, 0), dtype=pl.UInt32)
    known = pl.Series(place >= 0)
    held = events[column].gather(at)
    return (
        pl.DataFrame({"held": held, "known": known})
        .select(pl.when("known").then("held"))
        .to_series()
    )


def _gridded(run: Run, step: float) -> pl.DataFrame:
    time = run.readings["time_s"].to_numpy()
    span = float(time[-1] - time[0]) if time.size else 0.0
    if not (math.isfinite(step) and step > 0 and span / step < MAX_GRID_ROWS):
        raise UnusableRun(
            Fault(
                "--grid",
                f"{step:g} s",
                f"a positive step that gives at most {MAX_GRID_ROWS:,} rows",
                "choose a step such as 1",
            )
        )
    first = math.ceil(round(float(time[0]) / step, 9)) if time.size else 0
    last = math.floor(round(float(time[-1]) / step, 9)) if time.size else -1
    # whole multiples divided, not steps added up: 0.1 s stays 0.3, not 0.30000000000000004
    centers = np.round(np.arange(first, last + 1) * step, 9)
    columns = {
        sensor.column: on_grid(*run.series(point), centers) for point, sensor in run.sensors.items()
    }
    return pl.DataFrame({"time_s": centers} | columns).with_columns(
        pl.exclude("time_s").fill_nan(None)
    )
