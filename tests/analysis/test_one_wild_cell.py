"""One wild number in one cell is listed and changes nothing else, whatever it is.

The numbers are what loggers, buses and file formats write for no reading: all bits set in 8, 16 and
32 bits, the largest numbers of IEEE 754-2019 in four and eight bytes, netCDF's default fill value
(9.96921e36; NetCDF Users Guide, "Fill Values"), the overload of IEEE 488.2 instruments (9.9e37).
"""

from __future__ import annotations

import csv
import json
import math
import shutil
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import analysis.pipeline
from analysis.causes.signs.doubt import doubted
from analysis.pipeline import analyze
from analysis.quality import assess
from analysis.result import document
from ingest.load.load import load_run
from ingest.run import Run
from tests.support.screen import Screen

SAMPLES = Path(__file__).parents[2] / "sample_logs"
RUNS = ("SC-041-baseline", "SC-014-complaint")
WILD = (
    "4294967295", "2147483647", "-2147483648", "65535", "32767", "-32768", "3.402823E+38",
    "-3.402823E+38", "1.7e308", "1e308", "-1e308", "9.96921e36", "9.9e37", "1e20", "1e10", "999999",
    "-9999", "nan", "inf", "-inf",
)  # fmt: skip
WARM = ("outlet", "coolant_in", "coolant_out", "engine_coolant")
CHANNELS = [
    (run, point)
    for run in RUNS
    for point in tomllib.loads((SAMPLES / run / "run.toml").read_text("utf-8"))["channels"]
]
PLACE = 0.3
"""Where in the log, as a share of it: warm, in the steady window at the hot end."""


@cache
def lines(run: str) -> tuple[str, ...]:
    return tuple((SAMPLES / run / "log.csv").read_text("utf-8").splitlines())


def with_cell(folder: Path, run: str, point: str, cell: str) -> Path:
    """A run folder like the sample, but for one cell of its log."""
    column = tomllib.loads((SAMPLES / run / "run.toml").read_text("utf-8"))["channels"][point]
    rows = list(lines(run))
    header = next(at for at, line in enumerate(rows) if line.count(",") > 5)
    names = next(csv.reader([rows[header]]))
    at = header + 3 + round(PLACE * (len(rows) - header))
    cells = rows[at].split(",")
    cells[names.index(column["column"])] = cell
    rows[at] = ",".join(cells)
    target = folder / run
    target.mkdir(exist_ok=True)
    for name in ("run.toml", "events.csv"):
        shutil.copy(SAMPLES / run / name, target)
    (target / "log.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return target


@cache
def sound(run: str) -> Run:
    return assess(load_run(SAMPLES / run))


@cache
def sound_result(run: str) -> dict[str, Any]:
    return document(analyze(load_run(SAMPLES / run)))


@pytest.mark.parametrize(("run", "point"), CHANNELS)
def test_it_is_listed_and_its_channel_stays_what_it_is(
    tmp_path: Path, run: str, point: str
) -> None:
    before = sound(run)
    known = {(each.fault, each.detail) for each in before.findings}
    # every channel sees a third of the numbers, and every number a third of the channels
    third = WILD[CHANNELS.index((run, point)) % 3 :: 3]
    for cell in (*third, *(("0",) if point in WARM else ())):
        after = assess(load_run(with_cell(tmp_path, run, point, cell)))
        told = [each for each in after.findings if (each.fault, each.detail) not in known]
        assert any(each.channel == point for each in told), cell
        sensor, usual = after.sensors[point], before.sensors[point]
        assert sensor.resolution == pytest.approx(usual.resolution, rel=0.01), cell
        for one, other in zip(sensor.errors, usual.errors, strict=True):
            assert (one.u, one.slope) == pytest.approx((other.u, other.slope), rel=0.02), cell
        for each in before.sensors.values():
            was = before.readings[each.column].to_numpy()
            now = after.readings[each.column].to_numpy()
            gone = np.isnan(now) & ~np.isnan(was)
            if each.cold_junction == point:  # which a thermocouple cannot do without
                assert int(gone.sum()) <= 1, (cell, each.point)
                assert np.allclose(now[~gone], was[~gone], atol=0.2, equal_nan=True)
            else:
                assert int(gone.sum()) == (each.point == point), (cell, each.point)
                assert np.array_equal(now[~gone], was[~gone], equal_nan=True)


@pytest.mark.parametrize(("run", "point"), CHANNELS)
def test_every_figure_and_every_cause_stays(tmp_path: Path, run: str, point: str) -> None:
    before = sound_result(run)
    cell = WILD[CHANNELS.index((run, point)) % len(WILD)]
    after = document(analyze(load_run(with_cell(tmp_path, run, point, cell))))
    json.dumps(after, allow_nan=False)
    for name, was in before["figures"].items():
        now = after["figures"][name]
        assert (now["value"] is None) == (was["value"] is None), (cell, name, now["note"])
        if was["value"] is not None:
            assert abs(now["value"] - was["value"]) <= 0.1 * was["u"], (cell, name)
            assert now["u"] == pytest.approx(was["u"], rel=0.1), (cell, name)
    was_likely = {each["cause"]: each["probability"] for each in before["causes"]}
    for each in after["causes"]:
        assert abs(each["probability"] - was_likely[each["cause"]]) <= 0.02, (cell, each["cause"])
    assert math.fsum(each["probability"] for each in after["causes"]) == pytest.approx(
        1.0, abs=1e-4
    )


def test_many_wild_readings_do_put_the_sensor_in_doubt(tmp_path: Path) -> None:
    target = with_cell(tmp_path, RUNS[0], "outlet", "0")
    rows = (target / "log.csv").read_text("utf-8").splitlines()
    for at in range(1, len(rows), 5):
        cells = rows[at].split(",")
        cells[1] = "65535"
        rows[at] = ",".join(cells)
    (target / "log.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    found = analyze(load_run(target))
    assert [each.fault for each in doubted(found)] == ["absurd"]
    sensor_fault = next(each for each in found.causes if each.cause == "sensor_fault")
    assert sensor_fault.probability > 0.2


def test_whatever_happens_inside_a_run_is_that_runs_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    measure = analysis.pipeline.measure

    def broken(run: Run, *, soak: bool = True) -> Any:
        if run.name == "SC-001-baseline":
            raise OverflowError(34, "Numerical result out of range")
        return measure(run, soak=soak)

    monkeypatch.setattr(analysis.pipeline, "measure", broken)
    command = Screen(monkeypatch, capsys)
    places = [str(SAMPLES / name) for name in ("SC-001-baseline", *RUNS)]
    assert command("analyze", *places, "--json", "-") == 1
    failed, *others = json.loads(command.out)
    assert [each["run"]["name"] for each in others] == list(RUNS)
    assert all("error" not in each for each in others)
    (line,) = failed["error"]
    assert "SC-001-baseline" in line and "OverflowError" in line  # noqa: PT018
    assert "Traceback" not in command.err
    assert line in command.err
