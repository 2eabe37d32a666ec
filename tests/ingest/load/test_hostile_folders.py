"""Run folders whose files are no files, never end, or hold what no logger wrote.

Common practice, no source: what must be said is one line a fault, and nothing may be waited for.
"""

from __future__ import annotations

import csv
import os
from pathlib import Path

import polars as pl
import pytest

from ingest.check_sheet import read_sheet
from ingest.errors import UnusableRun
from ingest.export.readings import write_readings
from ingest.load.load import load_run
from tests.support.run_folders import RUN, log_text, setup_text, write_run

HEADER = "time,control,position\n"
GOOD = HEADER + "0,temp_lever,100\n"


def refusal(folder: Path) -> str:
    with pytest.raises(UnusableRun) as caught:
        load_run(folder)
    (line,) = str(caught.value).splitlines()
    return line


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "elsewhere.txt").write_text("root:secret\n", encoding="utf-8")
    return write_run(tmp_path / "run", events=GOOD)


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices as files are a matter of POSIX")
@pytest.mark.parametrize("name", ["run.toml", "log.csv", "events.csv", "checks.csv"])
@pytest.mark.parametrize("kind", ["pipe", "device", "outside", "circle", "nowhere", "folder"])
def test_what_is_no_file_of_the_folder_is_refused(folder: Path, name: str, kind: str) -> None:
    path = folder / name
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        target = {"device": "/dev/zero", "outside": "../elsewhere.txt", "circle": name}
        path.symlink_to(target.get(kind, "not-there"))
    if name == "checks.csv":
        with pytest.raises(UnusableRun) as caught:
            read_sheet(folder)
        said = str(caught.value)
    else:
        said = refusal(folder)
    assert name in said
    assert "secret" not in said


def test_a_setup_named_by_its_user_may_be_a_pipe_no_more_than_another(folder: Path) -> None:
    if os.name != "posix":
        pytest.skip("pipes as files are a matter of POSIX")
    os.mkfifo(folder / "other.toml")
    with pytest.raises(UnusableRun, match="a pipe or a device"):
        load_run(folder / "log.csv", folder / "other.toml")


@pytest.mark.parametrize("lost", ["", ",", ";", "\t"])
def test_lost_line_ends_are_said(tmp_path: Path, lost: str) -> None:
    log = log_text(range(5000)).replace("\n", lost)
    assert "line ends are lost" in refusal(write_run(tmp_path, log=log))


@pytest.mark.parametrize(
    "events",
    [
        GOOD + "5,note," + "x" * 5_000_000,
        "x," * 2_500_000,
        GOOD + '5,note,"' + "x\n" * 2_400_000,
        GOOD + "1\n" * 1_000_000,
    ],
    ids=["long note", "only commas", "open quotation mark", "a million lines"],
)
def test_an_events_file_of_megabytes_is_no_list_of_events(tmp_path: Path, events: str) -> None:
    assert refusal(write_run(tmp_path, events=events)).startswith("events.csv: found ")


def test_one_long_line_of_events_is_set_aside(tmp_path: Path) -> None:
    run = load_run(write_run(tmp_path, events=GOOD + "5,note," + "x" * 140_000 + "\n"))
    assert [each.line for each in run.rejected if each.file == "events.csv"] == [3]
    assert run.controls["control"].to_list() == ["temp_lever"]


def test_events_of_which_none_can_be_used_are_refused(tmp_path: Path) -> None:
    said = refusal(write_run(tmp_path, events=HEADER + "0,lever,5\nsoon,blower,2\n5,blower,fast\n"))
    assert "no line that can be used" in said
    assert "did you mean temp_lever" in said


@pytest.mark.parametrize("events", ["", HEADER, HEADER + "\n,,\n"])
def test_an_empty_events_file_is_a_finding(tmp_path: Path, events: str) -> None:
    run = load_run(write_run(tmp_path, events=events))
    assert "no_events" in [finding.fault for finding in run.findings]


def test_a_cell_beyond_the_limit_of_the_csv_module(folder: Path) -> None:
    cell = "x" * (csv.field_size_limit() + 1)
    sheet = f"time,check,found,remark\n2026-01-01,cable_adjustment,yes,{cell}\n"
    (folder / "checks.csv").write_text(sheet, encoding="utf-8")
    with pytest.raises(UnusableRun, match=r"checks\.csv line 2"):
        read_sheet(folder)
    log = log_text(range(60)).replace("\n30,", f'\n"{cell}",1,2\n30,')
    run = load_run(write_run(folder.parent / "other", log=log))
    assert run.readings.height == 60


@pytest.mark.parametrize("started", ["0001-01-01T00:00:00+12:00", "9999-12-31T23:59:59-12:00"])
def test_a_start_at_the_ends_of_the_calendar(tmp_path: Path, started: str) -> None:
    setup = setup_text(run=f"{RUN}started = {started}\n")
    assert "a date between 1970 and 2100" in refusal(write_run(tmp_path, setup=setup))


@pytest.mark.parametrize(
    "first", ["9999-12-31T23:59:{:02d}", "0001-01-01T00:00:{:02d}+05:00", "2026-02-30T00:00:{:02d}"]
)
def test_dates_beyond_the_calendar(tmp_path: Path, first: str) -> None:
    setup = setup_text(time='time = { column = "t", format = "iso8601" }\n')
    said = refusal(write_run(tmp_path, log_text([first.format(row) for row in range(60)]), setup))
    assert "time column 't'" in said


def test_an_offset_of_days_is_no_time(tmp_path: Path) -> None:
    # RFC 3339, 5.6: time-hour of an offset is 00 to 23
    setup = setup_text(time='time = { column = "t", format = "iso8601" }\n')
    times = [f"2026-01-01T00:00:{row:02d}+99:00" for row in range(60)]
    assert "cannot be read" in refusal(write_run(tmp_path, log_text(times), setup))


def test_readings_that_no_sensor_gives_are_left_out_with_a_finding(tmp_path: Path) -> None:
    # found by the fuzzer: squares of 1e308 overflow
    log = (
        log_text(range(60))
        .replace("\n30,23.0,", "\n30,1e308,")
        .replace("\n31,23.1,", "\n31,-1e12,")
    )
    run = load_run(write_run(tmp_path, log=log))
    assert run.readings["outlet_degC"].null_count() == 2
    (found,) = [each for each in run.findings if each.fault == "out_of_range"]
    assert found.evidence["count"] == 2


def test_one_time_near_the_largest_number_is_no_time(tmp_path: Path) -> None:
    # found by the fuzzer: the sum of the clock's steps overflowed
    times = [f"{row}" for row in range(60)]
    times[30] = "1e308"
    run = load_run(write_run(tmp_path, log_text(times)))
    assert run.readings["time_s"].max() == 59.0


def test_a_blower_far_beyond_any_switch_is_set_aside(tmp_path: Path) -> None:
    # found by the fuzzer: a step of 1e308
    run = load_run(write_run(tmp_path, events=GOOD + "5,blower,1e308\n"))
    assert run.controls["control"].to_list() == ["temp_lever"]


@pytest.mark.parametrize("unit", ["s", "epoch s", "epoch ms"])
def test_times_near_the_largest_number_there_is(tmp_path: Path, unit: str) -> None:
    setup = setup_text(time=f'time = {{ column = "t", unit = "{unit}" }}\n')
    said = refusal(write_run(tmp_path, log_text([f"{row}e306" for row in range(1, 60)]), setup))
    assert len(said) < 300


def test_names_of_channels_are_no_formulas_in_a_csv(tmp_path: Path) -> None:
    # what a spreadsheet runs: a cell that begins with =, +, - or @ (OWASP, CSV injection)
    names = ["time_s", "=1+1", "+cmd|' /C calc'!A0", "-2", "@SUM(A1)", "\t=1", "outlet_degC"]
    frame = pl.DataFrame({name: [1.0] for name in names})
    write_readings(frame, tmp_path / "out.csv")
    with (tmp_path / "out.csv").open(encoding="utf-8", newline="") as file:
        header = next(csv.reader(file))
    assert [name for name in header if name[:1] in "=+-@\t"] == []
    assert [name.removeprefix("'") for name in header] == names
