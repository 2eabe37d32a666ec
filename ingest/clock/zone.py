"""Local time to UTC; the hour that comes twice in autumn is told apart by the rows' order."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

import numpy as np

from ingest.arrays import Floats
from ingest.errors import did_you_mean

EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted from a naive epoch
_BLOCK_S: Final = 900
"""Zones change their offset at whole quarters of an hour."""
_REPEATED_S: Final = 1800.0
"""A step back of at least this, inside the repeated hour, is the end of summer time."""


class UnknownZoneError(ValueError):
    """No such time zone; the message may name a near one."""


def zone_of(name: str) -> tzinfo:
    """Time zone by its IANA name, ``UTC`` or a fixed offset such as ``-05:00``.

    Raises
    ------
    UnknownZoneError
        Where there is none.
    """
    text = name.strip()
    if text.upper() in {"UTC", "Z", "GMT"}:
        return UTC
    fixed = re.fullmatch(r"(?:UTC|GMT)?([+-])(\d{1,2})(?::?(\d\d))?", text, re.IGNORECASE)
    if fixed is not None:
        minutes = int(fixed[2]) * 60 + int(fixed[3] or 0)
        if minutes >= 24 * 60:
            raise UnknownZoneError("an offset of a day or more")
        return timezone(timedelta(minutes=-minutes if fixed[1] == "-" else minutes))
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UnknownZoneError(did_you_mean(text, available_timezones(), "")) from error


def both_utc(local: Floats, zone: tzinfo) -> tuple[Floats, Floats]:
    """UTC of local times, read as the first and as the second pass of a repeated hour.

    Parameters
    ----------
    local
        Shape (n,), s since 1970-01-01 as the clock on the wall shows it; NaN stays NaN.
    zone
        Its zone.

    Returns
    -------
    tuple
        Two arrays of shape (n,). They are equal but for repeated hours (the first is smaller) and
        for hours left out in spring (the first is larger: the offset before the change).
    """
    known = np.isfinite(local)
    blocks, place = np.unique(np.floor(local[known] / _BLOCK_S), return_inverse=True)
    first, second = local.copy(), local.copy()
    for result, fold in ((first, 0), (second, 1)):
        offsets = np.array([_offset(float(block) * _BLOCK_S, zone, fold) for block in blocks])
        if blocks.size:
            result[known] -= offsets[place]
    return first, second


def _offset(local: float, zone: tzinfo, fold: int) -> float:
    try:
        wall = (EPOCH + timedelta(seconds=local)).replace(tzinfo=zone, fold=fold)
        offset = wall.utcoffset()
    except (OverflowError, ValueError):  # outside the years a datetime knows
        return float("nan")
    return offset.total_seconds() if offset is not None else float("nan")


def to_utc(local: Floats, zone: tzinfo) -> Floats:
    """UTC of a log's local times, in the order of its rows.

    In an hour that comes twice the rows up to a step back of at least half an hour belong to the
    first pass and those after it to the second. Without such a step they join what comes before
    them, else what comes after them, else the first pass.

    Parameters
    ----------
    local
        Shape (n,), s since 1970-01-01 local; NaN stays NaN.
    zone
        Its zone.

    Returns
    -------
    ndarray
        Shape (n,), s since 1970-01-01 UTC.
    """
    first, second = both_utc(local, zone)
    twice = first < second
    if not twice.any():
        return first
    known = np.flatnonzero(np.isfinite(local))
    result = first
    edges = np.flatnonzero(np.diff(np.concatenate(([False], twice[known], [False]))))
    for start, stop in edges.reshape(-1, 2):
        rows = known[start:stop]
        back = np.flatnonzero(np.diff(local[rows]) <= -_REPEATED_S)
        if back.size:
            late = rows[back[0] + 1 :]
        elif start == 0 and stop < known.size:
            late = rows
        else:
            late = rows[:0]
        result[late] = second[late]
    return result
