"""Laws: what changes nothing about a car changes no figure, verdict or cause.

One sample run, its log read once a second and written again in other ways. The truth is the same
run's own answer: a law needs none from outside. 1 mV = 1000 µV, 1 mile = 1609.344 m,
°F = 1.8 °C + 32 (NIST SP 811, appendix B.8).
"""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.pipeline import analyze
from analysis.result import document
from ingest.load.load import load_run

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "SC-014-complaint"


@dataclasses.dataclass
class Written:
    """A run as files: a table with its time first, its events and its set-up."""

    names: list[str]
    units: list[str]
    rows: list[list[str]]
    events: list[list[str]]
    setup: str
    again: int = 0
    """Where the names and units rows stand a second time."""

    def change(self, column: str, unit: str, of: Callable[[float], float]) -> None:
        at = self.names.index(column)
        self.units[at] = unit
        for row in self.rows:
            row[at] = f"{of(float(row[at])):.10g}"

    def figures(self, folder: Path) -> dict[str, Any]:
        folder.mkdir()
        rows = [self.names, self.units, *self.rows]
        if self.again:
            rows[self.again : self.again] = [self.names, self.units]
        for name, lines in {"log.csv": rows, "events.csv": self.events}.items():
            text = "".join(",".join(line) + "\n" for line in lines)
            (folder / name).write_text(text, encoding="utf-8")
        (folder / "run.toml").write_text(self.setup, encoding="utf-8")
        told = document(analyze(dataclasses.replace(load_run(folder), name="the run")))
        for key in ("sha256", "started", "duration_s"):
            told["run"].pop(key, None)
        told.pop("quality")
        return told


def as_logged() -> Written:
    lines = (SAMPLE / "log.csv").read_text(encoding="utf-8").splitlines()
    start = next(at for at, line in enumerate(lines) if line.startswith("Elapsed,"))
    names, units, *rows = csv.reader(lines[start:])
    events = list(csv.reader((SAMPLE / "events.csv").read_text(encoding="utf-8").splitlines()))
    setup = (SAMPLE / "run.toml").read_text(encoding="utf-8")
    return Written(names, units, rows[::2], events, setup)


def other_units(run: Written) -> None:
    run.setup = run.setup.replace('unit = "mV"', 'unit = "uV"')
    for name in run.names[1:9]:
        run.change(name, "uV", lambda value: 1000.0 * value)
    for name in ("ECT", "CJ"):
        run.change(name, "degF", lambda value: 1.8 * value + 32.0)
    run.change("SPD", "mph", lambda value: value / 1.609344)
    run.setup = run.setup.replace('unit = "degC"', 'unit = "degF"')
    run.setup = run.setup.replace('unit = "km/h"', 'unit = "mph"')


def order_of_columns(run: Written) -> None:
    order = np.random.default_rng(5).permutation(np.arange(len(run.names))).tolist()
    run.names, run.units = ([each[at] for at in order] for each in (run.names, run.units))
    run.rows = [[row[at] for at in order] for row in run.rows]


def order_of_channels(run: Written) -> None:
    head, *tables = run.setup.split("\n[channels.")
    last, _, rest = tables[-1].partition("\n[events]")
    tables[-1] = last
    run.setup = "\n[channels.".join([head, *reversed(tables)]) + f"\n[events]{rest}"


def later_start(run: Written) -> None:
    """The logger was switched on a quarter of an hour earlier, and its clock counts from there."""
    for row in run.rows:
        row[0] = f"{float(row[0]) + 900.0:.2f}"
    for row in run.events[1:]:
        row[0] = f"{float(row[0]) + 900.0:.2f}"


def another_day(run: Written) -> None:
    assert "2026-01-14" in run.setup
    run.setup = run.setup.replace("2026-01-14", "2026-02-20")


def milliseconds(run: Written) -> None:
    run.change("Elapsed", "ms", lambda value: 1000.0 * value)
    run.setup = run.setup.replace(
        'column = "Elapsed", unit = "s"', 'column = "Elapsed", unit = "ms"'
    )
    for row in run.events[1:]:
        row[0] = f"{1000.0 * float(row[0]):.0f}"


def one_more_column(run: Written) -> None:
    run.names.append("Spare")
    run.units.append("V")
    for at, row in enumerate(run.rows):
        row.append(f"{at % 7}.5")


def one_more_channel(run: Written) -> None:
    one_more_column(run)
    run.setup += '\n[channels.spare]\ncolumn = "Spare"\nsensor = "voltage"\nunit = "V"\n'


def split_in_two(run: Written) -> None:
    """A logger that writes its head again in the middle."""
    run.again = len(run.rows) // 2


def order_of_events(run: Written) -> None:
    """Notes put down afterwards, those of the lever first."""
    head, *notes = run.events
    run.events = [head, *sorted(notes, key=lambda row: row[1] != "temp_lever")]


def numbers(told: object, path: str = "") -> dict[str, Any]:
    """Every leaf of a document by its path."""
    if isinstance(told, list):
        told = dict(enumerate(told))
    if isinstance(told, dict):
        inside = [numbers(each, f"{path}/{key}") for key, each in told.items()]
        return {at: leaf for part in inside for at, leaf in part.items()}
    return {path: told}


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    told = as_logged().figures(tmp_path_factory.mktemp("as-logged") / "run")
    assert sum(each["value"] is not None for each in told["figures"].values()) > 12
    return numbers(told)


@pytest.mark.parametrize(
    ("change", "within"),
    [
        (order_of_columns, 0.0),
        (order_of_channels, 1e-9),
        (one_more_column, 0.0),
        (one_more_channel, 0.0),
        (split_in_two, 0.0),
        (another_day, 0.0),
        (order_of_events, 0.0),
        (milliseconds, 1e-9),
        (later_start, 1e-6),
        (other_units, 1e-6),
    ],
)
def test_a_law(
    change: Callable[[Written], None], within: float, expected: dict[str, Any], tmp_path: Path
) -> None:
    run = as_logged()
    change(run)
    found = numbers(run.figures(tmp_path / "run"))
    if change is one_more_channel:
        found = {key: each for key, each in found.items() if not key.endswith("spare")}
    different = {
        key: (expected.get(key), found.get(key))
        for key in expected.keys() | found.keys()
        if expected.get(key) != found.get(key)
        and not (
            isinstance(expected.get(key), float)
            and isinstance(found.get(key), float)
            and found[key] == pytest.approx(expected[key], rel=within, abs=within)
        )
    }
    assert different == {}
