"""Local time to UTC, against zoneinfo row by row."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.arrays import Floats
from ingest.clock.zone import UnknownZoneError, both_utc, to_utc, zone_of

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001
DETROIT = ZoneInfo("America/Detroit")


def wall(moment: datetime) -> float:
    """What a clock on the wall shows, s."""
    return (moment.replace(tzinfo=None) - EPOCH).total_seconds()


def drive(start: datetime, minutes: int, zone: ZoneInfo) -> tuple[Floats, Floats]:
    """True UTC and the wall clock's reading, every 30 s."""
    moments = [start.astimezone(UTC) + timedelta(seconds=30 * i) for i in range(2 * minutes)]
    true = np.array([moment.timestamp() for moment in moments])
    shown = np.array([wall(moment.astimezone(zone)) for moment in moments])
    return true, shown


@given(
    st.datetimes(datetime(1990, 1, 1), datetime(2037, 1, 1)),  # noqa: DTZ001
    st.sampled_from(["America/Detroit", "Europe/Amsterdam", "Asia/Kolkata", "Australia/Lord_Howe"]),
)
def test_both_passes_are_those_of_zoneinfo(moment: datetime, name: str) -> None:
    zone = ZoneInfo(name)
    first, second = both_utc(np.array([wall(moment)]), zone)
    assert first[0] == pytest.approx(moment.replace(tzinfo=zone, fold=0).timestamp(), abs=1e-6)
    assert second[0] == pytest.approx(moment.replace(tzinfo=zone, fold=1).timestamp(), abs=1e-6)


@pytest.mark.parametrize("minute", [0, 20, 59])
def test_a_drive_through_the_end_of_summer_time(minute: int) -> None:
    # 2026-11-01: at 02:00 daylight time clocks in Detroit go back to 01:00
    true, shown = drive(datetime(2026, 11, 1, 0, minute, tzinfo=DETROIT), 180, DETROIT)
    assert (np.diff(shown) < 0).sum() == 1
    assert to_utc(shown, DETROIT).tolist() == true.tolist()


def test_a_drive_that_starts_in_the_second_pass() -> None:
    start = datetime(2026, 11, 1, 1, 30, tzinfo=DETROIT, fold=1)
    true, shown = drive(start, 60, DETROIT)
    assert to_utc(shown, DETROIT).tolist() == true.tolist()


def test_a_drive_that_ends_in_the_first_pass() -> None:
    true, shown = drive(datetime(2026, 11, 1, 0, 30, tzinfo=DETROIT), 60, DETROIT)
    assert to_utc(shown, DETROIT).tolist() == true.tolist()


def test_a_drive_into_summer_time() -> None:
    # 2026-03-08: at 02:00 clocks in Detroit go ahead to 03:00
    true, shown = drive(datetime(2026, 3, 8, 1, 30, tzinfo=DETROIT), 60, DETROIT)
    assert np.diff(shown).max() == 3630.0
    assert to_utc(shown, DETROIT).tolist() == true.tolist()


def test_unread_times_stay_unread() -> None:
    shown = np.array([np.nan, wall(datetime(2026, 1, 14, 7, 31)), np.nan])  # noqa: DTZ001
    found = to_utc(shown, DETROIT)
    assert np.isnan(found[[0, 2]]).all()
    assert found[1] == datetime(2026, 1, 14, 12, 31, tzinfo=UTC).timestamp()


def test_a_date_no_calendar_knows_is_unread() -> None:
    assert np.isnan(to_utc(np.array([1e300, -1e18]), DETROIT)).all()


@pytest.mark.parametrize(
    ("name", "hours"), [("UTC", 0), ("Z", 0), ("-05:00", -5), ("UTC+2", 2), ("+0530", 5.5)]
)
def test_fixed_offsets(name: str, hours: float) -> None:
    moment = datetime(2026, 1, 14, tzinfo=zone_of(name))
    assert moment.utcoffset() == timedelta(hours=hours)


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("America/Detriot", "America/Detroit"),
        ("", "^$"),
        ("../etc/passwd", "^$"),
        ("+25:00", "a day"),
    ],
)
def test_unknown_zones(name: str, hint: str) -> None:
    with pytest.raises(UnknownZoneError, match=hint):
        zone_of(name)
