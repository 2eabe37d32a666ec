"""Reading a clean log, names, units, marks and odd lines told, as a multiple of pandas.read_csv.

Run it from the project's folder with ``python benchmarks/tables.py``: 18,000 rows by 12 columns.
"""

from __future__ import annotations

import sys
import tempfile
import timeit
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from ingest.setup.model import LogTable
from ingest.table.text.read import read_text_table

ROWS = 18_000
CHANNELS = 11
REPEATS = 30


def write_log(path: Path) -> None:
    """A log of temperatures every 0.1 s, two decimals."""
    draw = np.random.default_rng(1)
    readings = draw.normal(50.0, 10.0, (ROWS, CHANNELS))
    names = ",".join(["Time (s)", *(f"CH{at} (degC)" for at in range(CHANNELS))])
    lines = [
        f"{row / 10:.1f}," + ",".join(f"{value:.2f}" for value in values)
        for row, values in enumerate(readings)
    ]
    path.write_text("\n".join([names, *lines]) + "\n", encoding="utf-8")


def best(action: Callable[[], object]) -> float:
    """Shortest of several runs, s."""
    return min(timeit.repeat(action, number=1, repeat=REPEATS))


def read_all(path: Path) -> None:
    """Every column as numbers."""
    table = read_text_table(path, LogTable(file=path.name))
    for at in range(table.width):
        table.numbers(at)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        write_log(path)
        reference = best(lambda: pd.read_csv(path))
        ours = best(lambda: read_all(path))
    print(f"pandas.read_csv    {1000 * reference:6.2f} ms")
    print(f"read_text_table         {1000 * ours:6.2f} ms   {ours / reference:.2f} times")


if __name__ == "__main__":
    main()
