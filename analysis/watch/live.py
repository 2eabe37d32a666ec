"""The watch beside a recording: newest readings in, standing alarms out."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np

from analysis.watch.bins import Junction, Seconds, make_seconds, width_for
from analysis.watch.judge import Alarm, is_over, judge, withdrawn

KEPT_S: Final = 900.0
LOOK_EVERY_S: Final = 1.0
FEWEST: Final = 20
NEAR_S: Final = 5.0
"""Two alarms of one point and kind that begin within this are one."""


class Watch:
    """Watches the sensors of a recording.

    Parameters
    ----------
    points
        The measuring points.
    junctions
        Thermocouples with a logged cold junction.
    """

    def __init__(self, points: tuple[str, ...], junctions: Mapping[str, Junction]) -> None:
        self._points = points
        self._junctions = junctions
        self._rows: deque[tuple[float, list[float]]] = deque()
        self._moves: list[tuple[float, str]] = []
        self._seen: dict[str, float] = {}
        self._looked = -np.inf
        self._standing: list[Alarm] = []
        self._dismissed: list[Alarm] = []

    def moved(self, moves: Iterable[tuple[float, str]]) -> None:
        """Say which controls were moved so far, and when, s: all of them, less those taken back."""
        self._moves = list(moves)

    def add(self, now: float, readings: Mapping[str, tuple[float | None, float]]) -> None:
        """Take the newest readings.

        Parameters
        ----------
        now
            Time on the recording's clock, s, not going back.
        readings
            By point: the value in its stored unit, None for no valid one, and when it came, s.
        """
        row, new = [], False
        for point in self._points:
            value, came = readings.get(point, (None, -np.inf))
            fresh = value is not None and came > self._seen.get(point, -np.inf)
            if fresh:
                self._seen[point] = came
            row.append(float(value) if fresh and value is not None else float("nan"))
            new |= fresh
        if new and (not self._rows or now > self._rows[-1][0]):
            self._rows.append((now, row))
        while self._rows and self._rows[0][0] < now - KEPT_S:
            self._rows.popleft()

    def forget(self) -> None:
        """Begin anew: after a gap nothing is known of what came before."""
        self._rows.clear()
        self._standing.clear()

    def dismiss(self) -> int:
        """Whoever sits beside them has looked: the standing alarms are put away; how many."""
        count = len(self._standing)
        self._dismissed += self._standing
        self._standing = []
        return count

    def alarms(self, now: float) -> list[Alarm]:
        """The alarms that stand now, oldest first."""
        if now - self._looked >= LOOK_EVERY_S:
            self._looked = now
            seconds = self._seconds()
            if seconds is not None:
                self._update(seconds)
        return list(self._standing)

    def _seconds(self) -> Seconds | None:
        if len(self._rows) < FEWEST:
            return None
        time = np.array([at for at, _ in self._rows])
        values = np.array([row for _, row in self._rows])
        # the recorder looks more often than a slow logger speaks
        width = max(
            (each for each in (width_for(time[~np.isnan(column)]) for column in values.T) if each),
            default=None,
        )
        if width is None:
            return None
        columns = dict(zip(self._points, values.T, strict=True))
        return make_seconds(time, columns, self._moves, self._junctions, width)

    def _update(self, seconds: Seconds) -> None:
        kept = [
            each
            for each in self._standing
            if not is_over(each, seconds) and not withdrawn(each, seconds)
        ]
        for each in judge(seconds):
            known = any(_same(each, other) for other in (*kept, *self._dismissed))
            if each.until_s is None and not known and not withdrawn(each, seconds):
                kept.append(each)
        self._standing = kept


def _same(one: Alarm, other: Alarm) -> bool:
    return (
        one.point == other.point
        and one.kind == other.kind
        and abs(one.since_s - other.since_s) <= NEAR_S
    )
