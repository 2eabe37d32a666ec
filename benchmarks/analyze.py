"""`lukewarm analyze` on many runs, as a multiple of pandas.read_csv on the same files.

Run it from the project's folder with ``python benchmarks/analyze.py [RUNS]``: run folders of
1,800 s at 10 Hz by 12 channels, three decimals, half of them thermocouples in mV. One whole
process of the command, its start included, against the reading alone; in pairs one right after the
other, because other work may share the computer. Then fewer runs and half the rows, which show that
the time is linear in both.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import polars as pl

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sample_logs.simulator import Protocol, SensorSet, Simulated, short_test, simulate
from sample_logs.simulator import standard_sensors as standard
from sample_logs.simulator.columns import columns_of
from sample_logs.simulator.dialects import PLAIN, Dialect
from sample_logs.simulator.families import FAMILIES, draw_car
from sample_logs.simulator.faults import with_fault
from sample_logs.simulator.writer import Labels, write_run

ROOT = Path(__file__).resolve().parents[1]
RUNS = 200
ROWS = 18_000
SECONDS = 1_800.0
DECIMALS = 3
PAIRS = 3
CAUSES = (
    "healthy",
    "thermostat_opens_low",
    "lever_short_of_hot",
    "healthy",
    "low_core_flow",
    "weak_airflow",
)
NOISE = 0.004
"""What makes the copies of one car differ, in each channel's own unit."""


class Cost(NamedTuple):
    """Time of the clock and of the processor, s."""

    wall: float
    cpu: float


def half_hour(plan: Protocol) -> Protocol:
    """A plan with its warm-up stretched or cut so that all of it takes `SECONDS`."""
    warming = sum(step.duration for step in plan.steps if step.label == "warm-up")
    factor = 1.0 + (SECONDS - plan.duration) / warming
    steps = tuple(
        replace(step, duration=step.duration * factor) if step.label == "warm-up" else step
        for step in plan.steps
    )
    return replace(plan, steps=steps)


def sensors_of(*, millivolts: bool) -> SensorSet:
    """Twelve columns: with raw thermocouples the cold junction takes the cabin's place."""
    dropped = ("outlet_defrost", "vacuum_actuator", *(("cabin",) if millivolts else ()))
    sensors = standard(rate_hz=ROWS / SECONDS, drop=dropped)
    return replace(
        sensors, specs=tuple(replace(s, resolution=10.0**-DECIMALS) for s in sensors.specs)
    )


def cars(time_style: str) -> Iterator[tuple[Simulated, Dialect]]:
    """One car of each family, some with a fault, and how their logs are written."""
    for number, (family, cause) in enumerate(zip(sorted(FAMILIES), CAUSES, strict=True)):
        millivolts = number % 2 == 1
        car = draw_car(family, f"SC-{700 + number}", seed=number)
        plan = half_hour(short_test(car.heater))
        case = with_fault(car, plan, sensors_of(millivolts=millivolts), cause, 0.5, seed=number)
        dialect = replace(PLAIN, time=time_style, temperature="mV" if millivolts else "degC")
        yield simulate(case.car, case.protocol, case.sensors, seed=number), dialect


def write_folders(root: Path, runs: int, time_style: str) -> list[Path]:
    """Run folders: the cars over and over, each copy with noise of its own."""
    draw = np.random.default_rng(20260114)
    written = list(cars(time_style))
    folders = []
    for number in range(runs):
        simulated, dialect = written[number % len(written)]
        folder = root / f"run-{number:03d}"
        if number < len(written):
            write_run(simulated, folder, dialect, Labels())
        else:
            folder.mkdir()
            for name in ("run.toml", "events.csv"):
                (folder / name).write_bytes((folders[number % len(written)] / name).read_bytes())
        write_log(folder / "log.csv", simulated, dialect, draw)
        folders.append(folder)
    return folders


def write_log(
    path: Path, simulated: Simulated, dialect: Dialect, draw: np.random.Generator
) -> None:
    """All readings with as many decimals, times to the tenth."""
    count = min(ROWS, simulated.time.size)
    table = pl.DataFrame(
        {dialect.time_label: times_of(simulated.time[:count], dialect)}
    ).with_columns(
        pl.Series(dialect.label(each.point), each.values[:count] + draw.normal(0.0, NOISE, count))
        .round(DECIMALS)
        .fill_nan(None)
        for each in columns_of(simulated, dialect)
    )
    table.write_csv(path, float_precision=DECIMALS)


def times_of(seconds: np.ndarray, dialect: Dialect) -> pl.Series:
    """The column of times as text."""
    if dialect.time == "s":
        return pl.Series([f"{each:.1f}" for each in seconds.tolist()])
    began = Labels().log_began.replace(tzinfo=None)
    walls = pl.Series(np.round(seconds * 1000.0).astype(np.int64)).cast(pl.Duration("ms"))
    zone = Labels().log_began.strftime("%z")
    return (began + walls).dt.strftime("%Y-%m-%dT%H:%M:%S%.3f") + f"{zone[:3]}:{zone[3:]}"


def halved(folders: Sequence[Path], root: Path) -> list[Path]:
    """The same runs with every second row."""
    made = []
    for folder in folders:
        half = root / folder.name
        half.mkdir(parents=True)
        for name in ("run.toml", "events.csv"):
            (half / name).write_bytes((folder / name).read_bytes())
        lines = (folder / "log.csv").read_text(encoding="utf-8").splitlines(keepends=True)
        text = "".join([lines[0], *lines[1::2]])
        (half / "log.csv").write_text(text, encoding="utf-8", newline="\n")
        made.append(half)
    return made


def cost_of(action: Callable[[], object]) -> Cost:
    """Time of an action, the processes it starts included."""
    wall, before = time.perf_counter(), os.times()
    action()
    wall, after = time.perf_counter() - wall, os.times()
    return Cost(wall, sum(after[:4]) - sum(before[:4]))


def read_all(folders: Sequence[Path]) -> None:
    """The reference: reading and nothing else."""
    for folder in folders:
        pd.read_csv(folder / "log.csv")


def analyze_all(folders: Sequence[Path], out: Path) -> None:
    """The command in a process of its own."""
    command = [sys.executable, str(ROOT / "lukewarm.py"), "analyze", *map(str, folders)]
    done = subprocess.run(
        [*command, "--json", str(out)], cwd=ROOT, check=False, capture_output=True
    )
    if done.returncode != 0:
        raise SystemExit(done.stderr.decode(errors="replace"))


def compare(what: str, folders: Sequence[Path], out: Path) -> None:
    """Print the ratio of the medians of pairs."""
    pairs = [
        (cost_of(lambda: read_all(folders)), cost_of(lambda: analyze_all(folders, out)))
        for _ in range(PAIRS)
    ]
    wall = statistics.median(job.wall / reading.wall for reading, job in pairs)
    cpu = statistics.median(job.cpu / reading.cpu for reading, job in pairs)
    each = 1000.0 * statistics.median(job.wall for _, job in pairs) / len(folders)
    each_cpu = 1000.0 * statistics.median(job.cpu for _, job in pairs) / len(folders)
    reading = 1000.0 * statistics.median(reading.wall for reading, _ in pairs) / len(folders)
    print(
        f"{what}: {each:.1f} ms a run ({each_cpu:.1f} ms of processor time), "
        f"pandas.read_csv {reading:.1f} ms: {wall:.1f} times ({cpu:.1f} of processor time)",
        flush=True,
    )


def main() -> None:
    """Print the ratios."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        out = root / "results.json"
        for style, name in (("s", "seconds"), ("iso8601", "ISO times")):
            (root / style).mkdir()
            folders = write_folders(root / style, runs, style)
            for count in sorted({runs // 4, runs // 2, runs}):
                compare(f"{count} runs of {ROWS} rows, {name}", folders[:count], out)
            half = halved(folders, root / f"{style}-half")
            compare(f"{runs} runs of {ROWS // 2} rows, {name}", half, out)


if __name__ == "__main__":
    main()
