"""Writes bench runs: parts on an invented bench, with their truth known by construction."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from analysis.pipeline import Analysis, analyze
from ingest.arrays import Floats
from ingest.load.load import load_run


def write_bench(
    folder: Path,
    bench: str,
    columns: Mapping[str, Floats],
    *,
    time: Floats,
    channels: str = "",
    run: str = "",
    events: str | None = None,
    digits: int = 3,
) -> Path:
    """A run folder; `bench` is the text of its [bench] table, `channels` text of each channel."""
    folder.mkdir(parents=True, exist_ok=True)
    text = f'[run]\nvehicle = "bench"\npurpose = "bench"\n{run}\n[bench]\n{bench}\n'
    text += '[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'
    for name in columns:
        text += f"[channels.{json.dumps(name)}]\ncolumn = {json.dumps(name)}\n{channels}\n"
    if events is not None:
        text += '[events]\nfile = "events.csv"\n'
        (folder / "events.csv").write_text("time,control,position\n" + events)
    (folder / "run.toml").write_text(text)
    rows = [",".join(["t", *columns])]
    for at, *values in zip(time, *columns.values(), strict=True):
        rows.append(",".join([f"{at:.1f}", *(f"{value:.{digits}f}" for value in values)]))
    (folder / "log.csv").write_text("\n".join(rows) + "\n")
    return folder


def answered(folder: Path) -> Analysis:
    """What the main job says of it."""
    return analyze(load_run(folder))


def dipped(rng: np.random.Generator, bath: float, time: Floats, *, room: float = 22.0) -> Floats:
    """Readings of a sensor, lag three seconds, that is put into a bath after half a minute."""
    wet = np.clip(time - 30.0, 0.0, None)
    return bath + (room - bath) * np.exp(-wet / 3.0) + rng.normal(0.0, 0.05, time.size)
