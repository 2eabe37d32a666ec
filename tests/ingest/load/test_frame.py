"""A run from a table in memory: moments, durations and gaps are what the same log's text says."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from ingest.errors import UnusableRun
from ingest.load.frame import load_frame
from ingest.run import Run

BEGAN = datetime(2026, 1, 14, 7, 31, 0)  # noqa: DTZ001 - a clock on the wall
ROWS = 60
HEAD = '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\n'
CHANNEL = '[channels.outlet]\ncolumn = "out"\nunit = "degC"\n'
DETROIT = ZoneInfo("America/Detroit")


def loaded(folder: Path, times: pl.Series, told: str, out: pl.Series | None = None) -> Run:
    setup = folder / "run.toml"
    setup.write_text(f'{HEAD}time = {{ column = "t", {told} }}\n{CHANNEL}', encoding="utf-8")
    column = pl.Series("out", 20.0 + 0.5 * np.arange(ROWS)) if out is None else out
    return load_frame(pl.DataFrame([times.alias("t"), column.alias("out")]), setup)


def moments(zone: str | None = None) -> pl.Series:
    times = pl.Series([BEGAN + timedelta(seconds=0.25 * at) for at in range(ROWS)])
    return times if zone is None else times.dt.replace_time_zone(zone)


def seconds_of(run: Run) -> list[float]:
    return [round(each - run.readings["time_s"][0], 6) for each in run.readings["time_s"]]


EXPECTED = [0.25 * at for at in range(ROWS)]


@pytest.mark.parametrize(
    ("zone", "told", "began"),
    [
        (None, 'format = "iso8601"', None),
        (None, 'format = "iso8601", timezone = "America/Detroit"', BEGAN.replace(tzinfo=DETROIT)),
        ("America/Detroit", 'format = "iso8601"', BEGAN.replace(tzinfo=DETROIT)),
        ("UTC", 'format = "iso8601", timezone = "America/Detroit"', BEGAN.replace(tzinfo=UTC)),
        (None, 'format = "%d.%m.%Y %H:%M:%S.%f"', None),
        (
            None,
            'format = "%d.%m.%Y %H:%M:%S.%f", timezone = "America/Detroit"',
            BEGAN.replace(tzinfo=DETROIT),
        ),
        (None, 'unit = "epoch s", timezone = "America/Detroit"', BEGAN.replace(tzinfo=DETROIT)),
        (None, 'unit = "epoch s"', BEGAN.replace(tzinfo=UTC)),
        (None, 'unit = "epoch ms"', BEGAN.replace(tzinfo=UTC)),
        ("America/Detroit", 'unit = "epoch s"', BEGAN.replace(tzinfo=DETROIT)),
    ],
)
def test_moments_are_read_as_the_set_up_has_them_written(
    tmp_path: Path, zone: str | None, told: str, began: datetime | None
) -> None:
    run = loaded(tmp_path, moments(zone), told)
    assert seconds_of(run) == EXPECTED
    if began is not None:
        assert run.started == began


@pytest.mark.parametrize(
    ("unit", "seconds"), [("s", 1.0), ("ms", 0.001), ("us", 1e-6), ("min", 60.0), ("h", 3600.0)]
)
def test_durations_are_numbers_of_the_set_up_s_unit(
    tmp_path: Path, unit: str, seconds: float
) -> None:
    durations = pl.Series([timedelta(seconds=0.25 * at) for at in range(ROWS)])
    assert seconds_of(loaded(tmp_path, durations, f'unit = "{unit}"')) == EXPECTED
    numbers = pl.Series([0.25 * at / seconds for at in range(ROWS)])
    assert seconds_of(loaded(tmp_path, numbers, f'unit = "{unit}"')) == EXPECTED


def test_null_and_nan_are_no_reading(tmp_path: Path) -> None:
    values: list[float | None] = [20.0 + 0.5 * at for at in range(ROWS)]
    values[5], values[6] = None, float("nan")
    run = loaded(tmp_path, pl.Series(EXPECTED), 'unit = "s"', pl.Series(values))
    found = run.readings["outlet_degC"].to_list()
    assert np.flatnonzero([each is None or np.isnan(each) for each in found]).tolist() == [5, 6]
    assert found[7] == pytest.approx(23.5)


@pytest.mark.parametrize(
    "frame", [pl.DataFrame({"t": [], "out": []}), pl.DataFrame({"t": [1.0, 2.0]})]
)
def test_what_is_no_table_is_said(tmp_path: Path, frame: pl.DataFrame) -> None:
    setup = tmp_path / "run.toml"
    setup.write_text(f'{HEAD}time = {{ column = "t", unit = "s" }}\n{CHANNEL}', encoding="utf-8")
    with pytest.raises(UnusableRun) as caught:
        load_frame(frame, setup)
    (fault,) = caught.value.faults
    assert fault.where == "the frame"
