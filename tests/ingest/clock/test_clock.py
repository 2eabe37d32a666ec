"""Clocks of whole logs, read from files, against Python's own datetime and zoneinfo."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.clock.findings import UNEVEN, spacing_findings
from ingest.clock.log_clock import Clock, build_clock
from ingest.errors import UnusableRun
from ingest.setup.model import LogTable
from ingest.table.text.read import read_text_table

START = datetime(2026, 1, 14, 7, 31, tzinfo=UTC)
DETROIT = ZoneInfo("America/Detroit")


def moments(count: int, step: float, start: datetime = START) -> list[datetime]:
    return [start + timedelta(seconds=step * row) for row in range(count)]


def clock_of(
    tmp_path: Path,
    texts: Sequence[str],
    time: dict[str, object] | None,
    header: str = "t",
    **log: object,
) -> Clock:
    """Clock of a semicolon log with these time texts and one channel."""
    path = tmp_path / "log.csv"
    rows = [f"{text};{20 + row / 10:.1f}" for row, text in enumerate(texts)]
    path.write_text("\n".join([f"{header};OUT", *rows]) + "\n", encoding="utf-8")
    given = {"file": "log.csv", **({"time": time} if time else {}), **log}
    table = LogTable.model_validate(given)
    return build_clock(read_text_table(path, table), table)


def names(clock: Clock) -> list[str]:
    return [finding.fault for finding in clock.findings]


@pytest.mark.parametrize(
    ("unit", "per_second"),
    [("s", 1.0), ("ms", 1e3), ("us", 1e6), ("min", 1 / 60), ("h", 1 / 3600)],
)
def test_elapsed_units(tmp_path: Path, unit: str, per_second: float) -> None:
    texts = [f"{0.5 * row * per_second:.9f}" for row in range(50)]
    clock = clock_of(tmp_path, texts, {"column": "t", "unit": unit})
    assert clock.time == pytest.approx(0.5 * np.arange(50), abs=1e-5)
    assert clock.started is None
    assert clock.log_time([texts[7]])[0] == pytest.approx(3.5, abs=1e-5)


@pytest.mark.parametrize(("unit", "factor"), [("epoch s", 1.0), ("epoch ms", 1e3)])
def test_epoch_units(tmp_path: Path, unit: str, factor: float) -> None:
    texts = [f"{moment.timestamp() * factor:.3f}" for moment in moments(50, 0.1)]
    clock = clock_of(tmp_path, texts, {"column": "t", "unit": unit})
    assert clock.time.tolist() == [round(0.1 * row, 6) for row in range(50)]
    assert clock.started == START


def test_epoch_in_a_time_zone_says_its_wall_clock_there(tmp_path: Path) -> None:
    texts = [str(int(moment.timestamp())) for moment in moments(50, 1)]
    time = {"column": "t", "unit": "epoch s", "timezone": "America/Detroit"}
    started = clock_of(tmp_path, texts, time).started
    assert started == START
    assert started is not None
    assert started.hour == 2


@pytest.mark.parametrize(
    ("pattern", "written"),
    [
        ("iso8601", "%Y-%m-%dT%H:%M:%S.%f"),
        ("%d.%m.%Y %H:%M:%S,%f", "%d.%m.%Y %H:%M:%S,%f"),
        ("%m/%d/%Y %I:%M:%S.%f %p", "%m/%d/%Y %I:%M:%S.%f %p"),
    ],
)
def test_texts_in_a_time_zone(tmp_path: Path, pattern: str, written: str) -> None:
    true = moments(300, 0.25, datetime(2026, 1, 14, 11, 59, 30, tzinfo=DETROIT))
    time = {"column": "t", "format": pattern, "timezone": "America/Detroit"}
    texts = [moment.strftime(written) for moment in true]
    clock = clock_of(tmp_path, texts, time)
    expected = [(moment - true[0]).total_seconds() for moment in true]
    assert clock.time == pytest.approx(expected, abs=1e-9)
    assert clock.started == true[0]
    assert clock.log_time([texts[8]]).tolist() == [2.0]


@pytest.mark.parametrize(
    "start",
    [
        datetime(2026, 11, 1, 0, 30, tzinfo=DETROIT),  # clocks go back an hour at 2
        datetime(2026, 3, 8, 1, 30, tzinfo=DETROIT),  # clocks go ahead at 2
    ],
)
def test_a_drive_over_a_change_of_the_clocks(tmp_path: Path, start: datetime) -> None:
    true = [start.astimezone(UTC) + timedelta(seconds=10 * row) for row in range(1500)]
    texts = [moment.astimezone(DETROIT).strftime("%Y-%m-%d %H:%M:%S") for moment in true]
    time = {"column": "t", "format": "iso8601", "timezone": "America/Detroit"}
    clock = clock_of(tmp_path, texts, time)
    assert clock.time.tolist() == [10.0 * row for row in range(1500)]
    assert clock.started == true[0]
    assert not clock.findings
    # the repeated hour's texts stand for two moments each: their order tells which
    assert clock.log_time(texts).tolist() == clock.time.tolist()


def test_without_a_zone_the_end_of_summer_time_is_a_step_back(tmp_path: Path) -> None:
    true = [
        datetime(2026, 11, 1, 4, 30, tzinfo=UTC) + timedelta(seconds=10 * row)
        for row in range(1500)
    ]
    texts = [moment.astimezone(DETROIT).strftime("%Y-%m-%d %H:%M:%S") for moment in true]
    clock = clock_of(tmp_path, texts, {"column": "t", "format": "iso8601"})
    assert clock.time.tolist() == [10.0 * row for row in range(1500)]
    (finding,) = clock.findings
    assert finding.fault == "clock_step_back"
    assert finding.evidence["size_s"] == pytest.approx(-3590.0)
    assert "-3590 s" in finding.detail
    assert f"line {texts.index('2026-11-01 01:00:00', 400) + 2}" in finding.detail
    assert clock.log_time(texts).tolist() == clock.time.tolist()


def test_times_with_changing_offsets_of_their_own(tmp_path: Path) -> None:
    start = datetime(2026, 11, 1, 1, 50, tzinfo=DETROIT)
    true = [start.astimezone(UTC) + timedelta(seconds=10 * row) for row in range(200)]
    texts = [moment.astimezone(DETROIT).isoformat() for moment in true]
    clock = clock_of(tmp_path, texts, {"column": "t", "format": "iso8601"})
    assert clock.time.tolist() == [10.0 * row for row in range(200)]
    assert clock.started is not None
    assert clock.started.isoformat() == start.isoformat()


def test_events_without_the_offset_that_the_log_writes(tmp_path: Path) -> None:
    texts = [moment.isoformat() for moment in moments(60, 1, START.astimezone(DETROIT))]
    clock = clock_of(tmp_path, texts, {"column": "t", "format": "iso8601"})
    given = ["2026-01-14T02:31:07", "2026-01-14T07:31:08Z", "02:31:09"]
    assert clock.log_time(given).tolist() == [7.0, 8.0, 9.0]


def test_events_with_an_offset_that_the_log_does_not_write(tmp_path: Path) -> None:
    texts = [moment.strftime("%Y-%m-%dT%H:%M:%S") for moment in moments(60, 1)]
    clock = clock_of(tmp_path, texts, {"column": "t", "format": "iso8601"})
    assert clock.started is not None
    assert clock.started.tzinfo is None
    assert clock.log_time(["2026-01-14T07:31:07-05:00"]).tolist() == [7.0]


def test_time_of_day_over_midnight(tmp_path: Path) -> None:
    true = moments(600, 0.5, datetime(2026, 1, 14, 23, 58, tzinfo=UTC))
    texts = [moment.strftime("%H:%M:%S.%f")[:-4] for moment in true]
    clock = clock_of(tmp_path, texts, {"column": "t", "unit": "hh:mm:ss"})
    assert clock.time - clock.time[0] == pytest.approx(0.5 * np.arange(600))
    assert names(clock) == ["clock_rolled_over"]
    found = clock.log_time(
        ["23:57:00", "23:58:30", "23:59:59.9", "00:00:00", "00:01:00", "00:30:00"]
    )
    assert (found - clock.time[0]).tolist() == pytest.approx([-60, 30, 119.9, 120, 180, 1920])


def test_a_twelve_hour_clock_without_am_and_pm_over_noon(tmp_path: Path) -> None:
    true = moments(600, 0.5, datetime(2026, 1, 14, 11, 58, tzinfo=UTC))
    texts = [moment.strftime("%I:%M:%S.%f") for moment in true]
    clock = clock_of(tmp_path, texts, {"column": "t", "format": "%I:%M:%S.%f"})
    assert clock.time - clock.time[0] == pytest.approx(0.5 * np.arange(600))


def test_events_after_a_restart_are_placed_by_their_order(tmp_path: Path) -> None:
    texts = [f"{row}" for row in [*range(100), *range(50)]]
    clock = clock_of(tmp_path, texts, {"column": "t", "unit": "s"})
    assert names(clock) == ["logger_restart"]
    assert clock.log_time(["10", "90", "20", "45"]).tolist() == [10, 90, 120, 145]


@pytest.mark.parametrize("columns", [["Date", "Time"], [1, 2]])
@pytest.mark.parametrize("pattern", ["iso8601", "%Y-%m-%d%H:%M:%S", "%Y-%m-%dT%H:%M:%S", None])
def test_date_and_time_apart(tmp_path: Path, columns: list[object], pattern: str | None) -> None:
    texts = [moment.strftime("%Y-%m-%d;%H:%M:%S") for moment in moments(100, 1)]
    time = {"columns": columns, **({"format": pattern} if pattern else {})}
    clock = clock_of(tmp_path, texts, time, header="Date;Time")
    assert clock.time.tolist() == list(range(100))
    assert clock.log_time(["2026-01-14 07:31:40", "07:31:41"]).tolist() == [40.0, 41.0]


def test_a_time_of_day_alone_is_on_the_logs_own_day(tmp_path: Path) -> None:
    true = moments(100, 60, datetime(2026, 1, 14, 23, 30, tzinfo=DETROIT))
    texts = [moment.strftime("%Y-%m-%d %H:%M:%S") for moment in true]
    time = {"column": "t", "format": "iso8601", "timezone": "America/Detroit"}
    clock = clock_of(tmp_path, texts, time)
    given = ["23:31:00", "00:00:00", "2026-01-15 00:10:00", "7 o'clock"]
    assert clock.log_time(given)[:3].tolist() == [60.0, 1800.0, 2400.0]
    assert np.isnan(clock.log_time(given)[3])
    assert clock.placed(given)[1] == [True, True, False, False]


def test_rows_without_a_time_are_kept_apart(tmp_path: Path) -> None:
    texts = [f"{row}" for row in range(100)]
    texts[5], texts[50], texts[51] = "", "---", "9:99"
    clock = clock_of(tmp_path, texts, {"column": "t", "unit": "s"})
    assert clock.rejected_count == 3
    assert [each.line for each in clock.rejected] == [7, 52, 53]
    assert clock.rejected[2].text == "9:99"
    assert names(clock)[0] == "rows_without_time"
    assert clock.findings[0].detail.endswith("3 of 100 (lines 7, 52, 53).")
    assert clock.rows.size == 97


def test_uneven_sampling_is_said(tmp_path: Path) -> None:
    step = np.tile([0.5, 1.5], 100)
    texts = [f"{value:.1f}" for value in np.cumsum(step)]
    clock = clock_of(tmp_path, texts, {"column": "t", "unit": "s"})
    assert names(clock) == ["uneven_sampling"]


@given(
    usual=st.floats(0.05, 10.0),
    others=st.lists(st.floats(0.01, 20.0), max_size=30),
    count=st.integers(1, 120),
)
def test_uneven_sampling_is_said_by_its_percentiles(usual: float, others: list[float], count: int):
    step = np.array([usual] * count + others)
    time = np.concatenate([[0.0], np.cumsum(step)])
    found = spacing_findings(time, 0, 1)
    if step.size < 20:
        assert not found
        return
    low, middle, high = np.percentile(np.diff(time), [5, 50, 95])
    assert len(found) == int(high - low > 2 * UNEVEN * middle)
    if found:
        assert found[0].evidence == {"median_s": middle, "p5_s": low, "p95_s": high}


def test_whole_seconds_at_ten_hertz_are_said(tmp_path: Path) -> None:
    texts = [moment.strftime("%H:%M:%S") for moment in moments(200, 0.1)]
    clock = clock_of(tmp_path, texts, {"column": "t", "unit": "hh:mm:ss"})
    assert names(clock) == ["equal_times"]
    assert clock.time - clock.time[0] == pytest.approx(0.1 * np.arange(200), abs=1e-6)


def test_rows_of_a_clock_that_stood_still_are_spread_as_is_said(tmp_path: Path) -> None:
    texts = [*map(str, range(300)), *["300"] * 10, *map(str, range(310, 400))]
    clock = clock_of(tmp_path, texts, {"column": "t", "unit": "s"})
    assert clock.time[300:311] == pytest.approx([*np.arange(300.0, 301.0, 0.1), 310.0])
    (finding,) = clock.findings
    assert "to the next time, or over the usual step where that is shorter" in finding.detail


@pytest.mark.parametrize(
    ("header", "written", "expected"),
    [
        ("Time (s)", "{s:.1f}", {"unit": "s"}),
        ("Elapsed [ms]", "{ms:.0f}", {"unit": "ms"}),
        ("time_ms", "{ms:.0f}", {"unit": "ms"}),
        ("SECONDS", "{s:.4f}", {"unit": "s"}),
        ("Timestamp", "{m:%Y-%m-%dT%H:%M:%S.%f}", {"format": "iso8601"}),
        ("Date/Time", "{m:%d.%m.%Y %H:%M:%S}", {"format": "%d.%m.%Y %H:%M:%S"}),
        ("Date/Time", "{m:%m/%d/%Y %I:%M:%S %p}", {"format": "%m/%d/%Y %I:%M:%S %p"}),
        ("DateTime", "{m:%d %b %Y %H:%M:%S}", {"format": "%d %b %Y %H:%M:%S"}),
        ("Uhrzeit", "{m:%H:%M:%S.%f}", {"unit": "hh:mm:ss"}),
        ("Date;Time", "{m:%Y-%m-%d};{m:%H:%M:%S}", {"format": "iso8601"}),
        ("Date;Time", "{m:%d/%m/%Y};{m:%H:%M:%S}", {"format": "%d/%m/%Y %H:%M:%S"}),
    ],
)
def test_time_is_found_where_it_can_be_told(
    tmp_path: Path, header: str, written: str, expected: dict[str, str]
) -> None:
    texts = [
        written.format(s=row, ms=1000 * row, m=moment) for row, moment in enumerate(moments(60, 1))
    ]
    if "%d/%m" in written or "%m/%d" in written:
        assert START.day > 12  # else day and month could not be told apart
    clock = clock_of(tmp_path, texts, None, header=header)
    assert (clock.time - clock.time[0]).tolist() == list(range(60))
    said = {"unit": clock.reader.unit} if clock.reader.form is None else None
    if "format" in expected or said is None:
        assert clock.reader.form is not None
        assert clock.reader.form.said == (expected.get("format") or expected["unit"])
    else:
        assert said == expected


@pytest.mark.parametrize(
    ("header", "written", "phrase"),
    [
        ("Time", "{s}", 'write unit = "s"'),  # seconds? minutes? never guessed
        ("Time", "0{s}/02/2026 10:00:0{s}", "day and month may be either"),
        ("Sample", "{s}", "no column that is called a time"),
        ("Time (s);Timestamp", "{s};{s}", "several columns that may be the time"),
    ],
)
def test_time_is_not_guessed(tmp_path: Path, header: str, written: str, phrase: str) -> None:
    texts = [written.format(s=row) for row in range(1, 10)]
    with pytest.raises(UnusableRun, match=phrase):
        clock_of(tmp_path, texts, None, header=header)


@pytest.mark.parametrize(
    ("time", "text", "phrases"),
    [
        ({"column": "x", "unit": "s"}, "{s}", ["'x'"]),
        ({"column": "t", "unit": "fortnights"}, "{s}", ["unit: found 'fortnights'", '"epoch ms"']),
        ({"column": "t", "format": "%Q"}, "{s}", ["format: found '%Q' with directive %Q"]),
        ({"column": "t", "unit": "s"}, "07:31:{s:02d}", ["(line 2)", 'unit = "hh:mm:ss"']),
        ({"column": "t", "unit": "hh:mm:ss"}, "{s}.5", ["'0.5'", "written as hh:mm:ss"]),
        ({"column": "t", "format": "iso8601"}, "14.01.2026 07:31:{s:02d}", ['"%d.%m.%Y %H:%M:%S"']),
        (
            {"column": "t", "format": "iso8601", "timezone": "Mars"},
            "{s}",
            ["timezone: found 'Mars'"],
        ),
        ({"column": "t", "unit": "epoch s"}, "17683759{s:02d}000", ["the year 5", "epoch s"]),
        ({"column": "t", "unit": "s"}, "5", ["the same time in every row", "sort the rows"]),
        ({"column": "t", "unit": "s"}, "", ["name the column"]),
        ({"columns": ["t", "OUT"], "unit": "s"}, "{s}", ["2 columns with unit"]),
        ({"columns": [], "unit": "s"}, "{s}", ["an empty list"]),
    ],
)
def test_times_that_cannot_be_used(
    tmp_path: Path, time: dict[str, object], text: str, phrases: list[str]
) -> None:
    texts = [text.format(s=row) for row in range(60)]
    with pytest.raises(UnusableRun) as caught:
        clock_of(tmp_path, texts, time)
    for phrase in phrases:
        assert phrase in str(caught.value)


def test_every_mistake_in_the_time_table_is_said_at_once(tmp_path: Path) -> None:
    time = {"column": "x", "unit": "parsec", "timezone": "Mars"}
    with pytest.raises(UnusableRun) as caught:
        clock_of(tmp_path, ["1", "2", "3"], time)
    assert len(caught.value.faults) == 3
