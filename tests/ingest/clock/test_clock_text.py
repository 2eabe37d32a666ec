"""Times as text, against Python's own datetime."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.clock import text as clock_text
from ingest.clock.pattern import PatternError, strptime_format
from ingest.clock.text import (
    CLOCK,
    CLOCK_SHORT,
    HOURS,
    ISO,
    MINUTES,
    TextFormat,
    read_stamps,
)

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001
MOMENTS = st.datetimes(datetime(1970, 1, 1), datetime(2099, 12, 31))  # noqa: DTZ001


def seconds(texts: list[str], form: TextFormat) -> list[float]:
    return read_stamps(pl.Series(texts, dtype=pl.String), form).seconds.tolist()


def matches(text: str, form: TextFormat) -> bool:
    return not math.isnan(seconds([text], form)[0])


def since_epoch(moment: datetime) -> float:
    return (moment - EPOCH).total_seconds()


@pytest.mark.parametrize(
    "pattern",
    [
        "%Y-%m-%d %H:%M:%S.%f",
        "%d.%m.%Y %H:%M:%S",
        "%m/%d/%Y %I:%M:%S %p",
        "%d/%m/%y %I:%M:%S.%f %p",
        "%b %d, %Y %H:%M:%S",
        "%A %d %B %Y %H:%M:%S",
        "%Y%m%d%H%M%S",
        "%Y-%j %H:%M",
        "%F %T",
        "%D %R",
        "%dth of %B %Y, %Hh%Mm%Ss",
        "100%% %Y-%m-%d %H:%M:%S",
    ],
)
@given(moments=st.lists(MOMENTS, min_size=1, max_size=30))
def test_patterns_read_what_strptime_reads(pattern: str, moments: list[datetime]) -> None:
    texts = [moment.strftime(pattern) for moment in moments]
    plain = pattern.replace("%F", "%Y-%m-%d").replace("%T", "%H:%M:%S")
    plain = plain.replace("%D", "%m/%d/%y").replace("%R", "%H:%M")
    expected = [since_epoch(datetime.strptime(text, plain)) for text in texts]  # noqa: DTZ007
    assert seconds(texts, strptime_format(pattern)) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    "pattern",
    [
        "%Y-%m-%d %H:%M:%S.%f",
        "%d.%m.%Y %H:%M:%S,%f",
        "%m/%d/%Y %I:%M:%S.%f %p",
        "%Y-%m-%dT%T.%f%z",
        "%F %T%.f",
        "%F %T.%3f",
        "%H:%M:%S:%f",
        "%S.%f %M %H",
    ],
)
def test_whole_seconds_may_be_written_without_the_fraction_of_the_pattern(pattern: str) -> None:
    true = [
        datetime(2026, 1, 14, 7, 30, 59, tzinfo=UTC) + timedelta(seconds=0.25 * i)
        for i in range(12)
    ]
    written = pattern.replace("%T", "%H:%M:%S").replace("%.f", ".%f").replace("%3f", "%f")
    texts = [
        moment.strftime(re.sub("[.,:]%f", "", written) if moment.microsecond == 0 else written)
        for moment in true
    ]
    found = seconds(texts, strptime_format(pattern))
    assert np.subtract(found, found[0]).tolist() == [0.25 * i for i in range(12)]


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("07:31:00.25", "%H:%M:%S"),
        ("07:31:00.", "%H:%M:%S.%f"),
        ("07:31.5", "%H:%M:%S.%f"),
        ("07:31 ", "%H:%M.%f"),
    ],
)
def test_fractions_come_and_go_after_seconds_only(text: str, pattern: str) -> None:
    assert not matches(text, strptime_format(pattern))


@given(
    moments=st.lists(
        st.datetimes(
            datetime(1971, 1, 1),  # noqa: DTZ001
            datetime(2099, 1, 1),  # noqa: DTZ001
            timezones=st.sampled_from(
                [UTC, timezone(timedelta(hours=-5)), timezone(timedelta(hours=5, minutes=30))]
            ),
        ),
        min_size=1,
        max_size=30,
    ),
    gap=st.sampled_from("T "),
)
def test_iso_texts_with_offsets_give_the_utc_that_fromisoformat_gives(
    moments: list[datetime], gap: str
) -> None:
    texts = [moment.isoformat(sep=gap) for moment in moments]
    stamps = read_stamps(pl.Series(texts), ISO)
    expected = [datetime.fromisoformat(text).timestamp() for text in texts]
    assert (stamps.seconds - stamps.offset).tolist() == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("2026-01-14T07:31:00Z", "2026-01-14T07:31:00+00:00"),
        ("20260114T073100.250", "2026-01-14T07:31:00.250"),
        ("2026-01-14 07:31:00,25", "2026-01-14T07:31:00.250"),
        ("2026/01/14  07:31", "2026-01-14T07:31:00"),
        ("2026-01-14t7:31:00-0500", "2026-01-14T07:31:00-05:00"),
        ("2026-01-14", "2026-01-14T00:00:00"),
        ("2024-02-29T23:59:59.999999", "2024-02-29T23:59:59.999999"),
    ],
)
def test_spellings_of_iso_8601(text: str, same: str) -> None:
    moment = datetime.fromisoformat(same)
    stamps = read_stamps(pl.Series([f" {text} "]), ISO)
    offset = moment.utcoffset()
    assert stamps.seconds[0] == pytest.approx(since_epoch(moment.replace(tzinfo=None)), abs=1e-6)
    assert (
        np.isnan(stamps.offset[0]) if offset is None else stamps.offset[0] == offset.total_seconds()
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "2026-02-29T10:00:00",  # no leap year
        "2026-13-01T10:00:00",
        "2026-00-10T10:00:00",
        "2026-01-00T10:00:00",
        "2026-01-14T24:00:00",
        "2026-01-14T10:60:00",
        "2026-01-14T10:00:61",
        "14.01.2026 10:00:00",
        "2026-01-14T10:00:00 extra",
        "२०२६-01-14T10:00:00",  # digits of another script
    ],
)
def test_texts_that_are_no_iso_time(text: str) -> None:
    assert not matches(text, ISO)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("07:06:35.006", 25595.006),
        ("7:06:35,5", 25595.5),
        ("00:00:00", 0.0),
        ("-00:00:10", -10.0),
        ("\u221200:00:10", -10.0),  # a real minus sign
        ("25:00:00", 90000.0),  # elapsed time goes past a day
        ("1 day, 0:00:01", 86401.0),
        ("2 days 01:00:00", 176400.0),
        ("1.02:03:04.5", 93784.5),
        ("01:02:03:004", 3723.004),  # milliseconds behind a colon
        ("12:00:01 AM", 1.0),
        ("12:00:00 PM", 43200.0),
        ("7:06:35\u202fp.m.", 68795.0),  # a narrow no-break space
        ("12:30.5", 750.5),  # minutes and seconds: only seconds have decimals
    ],
)
def test_hours_minutes_seconds(text: str, expected: float) -> None:
    assert seconds([text], CLOCK) == pytest.approx([expected], abs=1e-9)


@pytest.mark.parametrize(
    "text", ["12:30", "01:02:03:04", "00:61:00", "00:00:60", "13:00:00 PM", "1e3", "٠١:٠٢:٠٣"]
)
def test_texts_that_are_no_hours_minutes_seconds(text: str) -> None:
    assert not matches(text, CLOCK)


def test_two_fields_are_read_as_the_unit_says() -> None:
    assert seconds(["12:30"], MINUTES) == [750.0]
    assert seconds(["12:30"], HOURS) == [45000.0]
    assert seconds(["12:30 PM"], HOURS) == [45000.0]
    assert seconds(["59:59", "1:00:00"], CLOCK_SHORT) == [3599.0, 3600.0]


@given(st.lists(st.integers(0, 10**9), min_size=1, max_size=50))
def test_clock_texts_come_back(milliseconds: list[int]) -> None:
    texts = [
        f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"
        for ms in milliseconds
    ]
    assert seconds(texts, CLOCK) == pytest.approx([ms / 1000 for ms in milliseconds], abs=1e-9)


def test_unlike_texts_in_one_column_are_each_read_or_left_out() -> None:
    texts = ["2026-01-14T07:31:00", "", "---", "2026-01-14T07:31:00.5", "2026-01-14 07:31", "0"]
    found = seconds(texts, ISO)
    start = since_epoch(datetime(2026, 1, 14, 7, 31))  # noqa: DTZ001
    assert found[0] == start
    assert np.isnan(found[1])
    assert np.isnan(found[2])
    assert found[3] == start + 0.5
    assert found[4] == start
    assert np.isnan(found[5])


def test_hundreds_of_layouts_are_still_read() -> None:
    names = [f"{chr(97 + i // 26)}{chr(97 + i % 26)}x" for i in range(400)]
    texts = [f"{name} 2026-01-14 07:31:00" for name in names]
    assert len(set(seconds(texts, strptime_format("%a %Y-%m-%d %H:%M:%S")))) == 1


@pytest.mark.parametrize(
    ("pattern", "complaint"),
    [
        ("%Y-%m-%d", "no hour"),
        ("yyyy-MM-dd HH:mm:ss", "no hour"),
        ("%H:%M:%Q", "directive %Q"),
        ("%s", "directive %s"),
        ("%H:%M:%S %", "single %"),
        ("%H:%M:%S %H", "twice"),
        ("%m-%d %H:%M", "part of a date"),
        ("%c", "directive %c"),
    ],
)
def test_patterns_that_cannot_be_used(pattern: str, complaint: str) -> None:
    with pytest.raises(PatternError, match=complaint):
        strptime_format(pattern)


def test_a_twelve_hour_clock_without_am_and_pm_is_known_as_one() -> None:
    assert strptime_format("%I:%M:%S").twelve_hours
    assert not strptime_format("%I:%M:%S %p").twelve_hours
    assert seconds(["12:00:05"], strptime_format("%I:%M:%S")) == [5.0]


@given(st.lists(st.text(max_size=30), max_size=20), st.sampled_from([ISO, CLOCK, MINUTES, HOURS]))
def test_no_text_whatever_crashes_the_reader(texts: list[str], form: TextFormat) -> None:
    assert len(seconds(texts, form)) == len(texts)


@given(st.text(alphabet="%YmdHMSfpzZaAbBjyeIT- :./\\()[]*+?", max_size=20))
def test_no_pattern_whatever_crashes(pattern: str) -> None:
    try:
        form = strptime_format(pattern)
    except PatternError:
        return
    read_stamps(pl.Series(["2026-01-14 07:31:00", "07:31", pattern]), form)


ODD_TIMES = st.sampled_from(
    [
        *("", " ", None, "x", "OVER", "2026-01-14", "07:31:05", "2026-13-14T07:31:05.100-05:00"),
        *("2026-01-14T07:31:05.100-04:00", "2026-01-14T07:31:05.100+05:00", "2026-01-14T07:31:05Z"),
        *("2026-01-14T07:31:05.1-05:00", "2026-01-14 07:31:05.100-05:00", "2026-02-30T07:31:05Z"),
        *(
            " 2026-01-14T07:31:05.100-05:00",
            "2026-01-14T07:31:05.100-05:00 ",
            "2026-01-14T07:61:05Z",
        ),
        *(
            "2026-01-14T07:31:05,100-05:00",
            "2026-01-14T07:31:05.1O0-05:00",
            "2026-01-14T07:31:05.\n",
        ),
        *("2026-01-14T07:31:05.10°-05:00", "2026-01-14T07:31:05.100\u221205:00", "\n\n\n"),
        *("2026-01-14T07:31:05/100-05:00", "2026-01-14T07:31:05:100-05:00", "AM", "7:31 PM"),
    ]
)


@pytest.mark.parametrize("form", [ISO, CLOCK, strptime_format("%Y-%m-%dT%H:%M:%S.%f%z")])
@pytest.mark.parametrize("few", [0, 512], ids=["joined by column", "joined by list"])
@settings(deadline=None, max_examples=25)
@given(
    start=MOMENTS,
    step=st.sampled_from([0.1, 1.0, 3600.0, 86400.0 * 29]),
    shown=st.sampled_from(["%Y-%m-%dT%H:%M:%S.%f-05:00", "%Y-%m-%d %H:%M:%SZ", "%H:%M:%S.%f"]),
    odd=st.lists(st.tuples(st.integers(0, 15), ODD_TIMES), max_size=2),
)
def test_a_column_of_one_layout_reads_as_its_texts_do(few, form, start, step, shown, odd):
    texts = [(start + timedelta(seconds=row * step)).strftime(shown) for row in range(15)]
    for at, text in odd:
        texts.insert(at, text)
    series = pl.Series(texts, dtype=pl.String)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clock_text, "_FEW", few)
        stamps = read_stamps(series, form)
        patch.setattr(clock_text, "_all_alike", lambda *_: None)
        whole = read_stamps(series, form)
        one_by_one = [read_stamps(series[at : at + 1], form) for at in range(len(series))]
    for name in ("seconds", "offset"):
        found = getattr(stamps, name)
        np.testing.assert_array_equal(found, getattr(whole, name))
        np.testing.assert_array_equal(found, [getattr(each, name)[0] for each in one_by_one])


@pytest.mark.parametrize("few", [0, 512], ids=["joined by column", "joined by list"])
@pytest.mark.parametrize("zone", ["Z", "-05:00", "", "+0530"])
def test_a_column_of_one_layout_is_read_as_a_whole(monkeypatch, few, zone):
    monkeypatch.setattr(clock_text, "_FEW", few)
    monkeypatch.setattr(clock_text, "_same_length", None)
    moments = [datetime(2026, 1, 14, 23, 59, 50) + timedelta(seconds=s) for s in range(20)]  # noqa: DTZ001
    stamps = read_stamps(pl.Series([moment.isoformat() + zone for moment in moments]), ISO)
    assert stamps.seconds.tolist() == [since_epoch(moment) for moment in moments]
    shift = {"Z": 0.0, "-05:00": -18000.0, "": float("nan"), "+0530": 19800.0}[zone]
    np.testing.assert_array_equal(stamps.offset, np.full(20, shift))


def test_a_text_too_long_for_a_time_is_not_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    # a cell of 265,000 digits once took half a minute: every place of it by itself, every format
    looked = []
    read = clock_text._same_length

    def noting(
        texts: pl.Series, length: int, form: TextFormat
    ) -> tuple[clock_text.Floats, clock_text.Floats]:
        looked.append(length)
        return read(texts, length, form)

    monkeypatch.setattr(clock_text, "_same_length", noting)
    found = seconds(["1" * 265_000, "2026-01-14 07:31:00", "9" * 1000], ISO)
    assert [np.isfinite(each) for each in found] == [False, True, False]
    assert looked == [19]
