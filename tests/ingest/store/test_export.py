"""Readings with their controls, as a table and as a file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import UnusableRun
from ingest.export.readings import readings_with_controls, write_readings
from ingest.load.gridding import max_gap, on_grid
from ingest.run import Run
from tests.support.signals.runs import Event, make_run

EVENTS: list[Event] = [
    (-5.0, "temp_lever", 100),
    (10.0, "blower", 3),
    (10.0, "mode", "floor"),
    (20.0, "temp_lever", 40),
    (25.0, "mode", "defrost"),
    (30.0, "note", "knock"),
]


def ramp(step: float = 0.5, events: list[Event] = EVENTS) -> Run:
    """Outlet rises by 1 K/s for a minute."""
    time = np.arange(0.0, 60.0 + step / 2, step)
    return make_run(time, {"outlet": 20.0 + time, "road_speed": 0.1 * time}, events)


def test_the_loggers_own_times_are_kept() -> None:
    run = ramp()
    frame = readings_with_controls(run)
    assert frame.columns == [
        "time_s",
        "outlet_degC",
        "road_speed_m_s",
        "temp_lever_pct",
        "blower",
        "mode",
    ]
    assert frame.select(run.readings.columns).equals(run.readings)


def test_a_position_holds_until_the_next_event() -> None:
    frame = readings_with_controls(ramp())
    row = {time: frame.row(index, named=True) for index, time in enumerate(frame["time_s"])}
    assert row[0.0]["temp_lever_pct"] == 100.0  # noted before the log began
    assert row[0.0]["blower"] is None
    assert row[9.5]["mode"] is None
    assert (row[10.0]["blower"], row[10.0]["mode"]) == (3.0, "floor")
    assert (row[19.5]["temp_lever_pct"], row[20.0]["temp_lever_pct"]) == (100.0, 40.0)
    assert row[60.0]["mode"] == "defrost"


def test_controls_never_noted_have_no_column() -> None:
    assert readings_with_controls(ramp(events=[])).columns == [
        "time_s",
        "outlet_degC",
        "road_speed_m_s",
    ]


def test_a_logged_lever_wins_over_the_noted_one() -> None:
    time = np.arange(40.0)
    logged = np.where(time < 30, 55.0, np.nan)
    frame = readings_with_controls(make_run(time, {"temp_lever": logged}, EVENTS))
    lever = frame["temp_lever_pct"].to_list()
    assert lever == [55.0] * 30 + [40.0] * 10


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0, 7.0])
def test_a_grid_has_whole_multiples_of_its_step(step: float) -> None:
    frame = readings_with_controls(ramp(), step)
    count = round(60 / step) + 1 if step != 7.0 else 9
    assert frame["time_s"].to_list() == [round(row * step, 9) for row in range(count)]


def test_a_grid_cell_is_the_mean_around_its_time() -> None:
    frame = readings_with_controls(ramp(step=0.1), 2.0)
    inner = frame.slice(1, frame.height - 2)
    # samples from t - 1.0 to t + 0.9: half open, so the mean lies half a sample early
    assert inner["outlet_degC"].to_numpy() == pytest.approx(20 + inner["time_s"] - 0.05)


def test_a_grid_finer_than_the_log_is_interpolated() -> None:
    frame = readings_with_controls(ramp(step=4.0), 0.5)
    assert frame["outlet_degC"].to_numpy() == pytest.approx(20 + frame["time_s"].to_numpy())


def test_nothing_is_invented_across_a_gap() -> None:
    time = np.concatenate([np.arange(0.0, 30.0, 0.5), np.arange(45.0, 60.0, 0.5)])
    frame = readings_with_controls(make_run(time, {"outlet": time}), 1.0)
    missing = frame.filter(pl.col("outlet_degC").is_null())["time_s"].to_list()
    assert missing == [float(second) for second in range(31, 45)]


def test_a_short_gap_is_bridged() -> None:
    time = np.concatenate([np.arange(0.0, 30.0, 0.5), np.arange(39.0, 60.0, 0.5)])
    frame = readings_with_controls(make_run(time, {"outlet": time}), 1.0)
    assert frame["outlet_degC"].null_count() == 0


def test_a_slow_channel_may_be_bridged_over_four_of_its_own_intervals() -> None:
    assert max_gap(np.arange(0.0, 100.0, 0.5)) == 10.0
    assert max_gap(np.arange(0.0, 1000.0, 5.0)) == 20.0
    assert max_gap(np.zeros(1)) == 10.0


def test_a_channel_is_not_continued_beyond_its_ends() -> None:
    time = np.arange(0.0, 60.0)
    late = np.where((time > 20) & (time < 40), 1.0, np.nan)
    frame = readings_with_controls(make_run(time, {"outlet": time, "cabin": late}), 0.5)
    valid = frame.filter(pl.col("cabin_degC").is_not_null())["time_s"]
    assert (valid.min(), valid.max()) == (21.0, 39.0)


@pytest.mark.parametrize("step", [0.0, -1.0, float("nan"), float("inf"), 1e-9])
def test_steps_that_make_no_grid(step: float) -> None:
    with pytest.raises(UnusableRun, match="--grid"):
        readings_with_controls(ramp(), step)


@pytest.mark.parametrize("suffix", [".csv", ".parquet", ".CSV"])
def test_a_file_reads_back_as_it_was(tmp_path: Path, suffix: str) -> None:
    frame = readings_with_controls(ramp(), 1.0)
    path = tmp_path / f"readings{suffix}"
    path.write_text("what was there before", encoding="utf-8")
    write_readings(frame, path)
    read = pl.read_parquet if suffix == ".parquet" else pl.read_csv
    assert read(path).equals(frame)
    assert [each.name for each in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize("name", ["readings.xlsx", "readings"])
def test_other_endings_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(UnusableRun, match=r"\.csv or \.parquet"):
        write_readings(ramp().readings, tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(UnusableRun, match="cannot be written"):
        write_readings(ramp().readings, tmp_path / "nowhere" / "readings.csv")


@given(
    st.lists(st.floats(0, 100), min_size=1, max_size=40, unique=True).map(sorted),
    st.floats(0.1, 30),
)
def test_grid_values_lie_between_the_readings_around_them(times: list[float], step: float) -> None:
    time = np.array(times)
    value = np.sin(time)
    centers = np.arange(0, 100, step)
    found = on_grid(time, value, centers)
    for center, reading in zip(centers, found, strict=True):
        after = np.searchsorted(time, center)
        near = np.abs(time - center) <= step / 2 * (1 + 1e-9)
        around = [each for each in (after - 1, after) if 0 <= each < time.size]
        pool = np.concatenate([value[near], value[around]])
        if np.isfinite(reading):
            assert pool.min() - 1e-9 <= reading <= pool.max() + 1e-9
        else:
            assert not (np.abs(time - center) < step / 2 * (1 - 1e-9)).any()
            gap = time[after] - time[after - 1] if 0 < after < time.size else np.inf
            assert gap > max_gap(time)
