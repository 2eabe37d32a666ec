"""Whether a step of a test plan may end: its time, a point that stands still, a figure known."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Final

from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.record.test_plan import Step, Until

SAMPLE_S: Final = 1.0
KEPT_S: Final = 620.0
COVERED: Final = 0.9
"""Share of its time a point must have been read in to be called steady."""

Figures = Mapping[str, tuple[float, float]]
"""Value and standard uncertainty by the figure's name."""


@dataclass
class Standing:
    """Whether a condition is met, how long it takes at least, and what it waits for."""

    met: bool
    remaining_s: float | None = 0.0
    missing: list[str] = field(default_factory=list)


class Conditions:
    """Judges the conditions of a plan's steps by what has been read.

    Parameters
    ----------
    steps
        The plan's steps.
    points
        Measuring points that are logged; None for all.
    """

    def __init__(self, steps: Iterable[Step], points: frozenset[str] | None) -> None:
        self._points = points
        self._history: dict[str, deque[tuple[float, float]]] = {
            point: deque() for step in steps for point in steady_points(step.until)
        }

    def remember(self, now: float, readings: Mapping[str, float]) -> None:
        """Keep the newest readings."""
        for point, kept in self._history.items():
            value = readings.get(point)
            if value is not None and (not kept or now - kept[-1][0] >= SAMPLE_S):
                kept.append((now, value))
            while kept and kept[0][0] < now - KEPT_S:
                kept.popleft()

    def outcome(self, until: Until, since: float, now: float, figures: Figures) -> Standing:
        """How a condition stands.

        Parameters
        ----------
        until
            The condition.
        since, now
            When the step began, and the time now, s.
        figures
            What could be measured so far.
        """
        parts = [self.outcome(each, since, now, figures) for each in until.all]
        if until.time_s is not None:
            left = max(0.0, until.time_s - (now - since))
            parts.append(Standing(left <= 0.0, left))
        if until.steady is not None:
            steady = until.steady
            parts.append(self._steady(steady.point, steady.within, steady.for_s, since, now))
        if until.enough is not None:
            parts.append(_enough(until.enough.figure, until.enough.u, figures))
        if until.any:
            sensible = [each for each in until.any if self._logged(each)] or until.any
            parts.append(_either([self.outcome(each, since, now, figures) for each in sensible]))
        known = [part.remaining_s for part in parts if part.remaining_s is not None]
        return Standing(
            all(part.met for part in parts),
            max(known, default=None),
            [text for part in parts if not part.met for text in part.missing],
        )

    def _logged(self, until: Until) -> bool:
        """Whether every point a condition asks for is logged."""
        return self._points is None or self._points.issuperset(steady_points(until))

    def _steady(
        self, point: str, within: float, for_s: float, since: float, now: float
    ) -> Standing:
        said = point.replace("_", " ")
        if self._points is not None and point not in self._points:
            return Standing(False, None, [f"{said} is not logged, so nobody knows if it is steady"])
        if now - since < for_s:
            left = for_s - (now - since)
            return Standing(False, left, [f"{said} must be watched {left:.0f} s more"])
        seen = [each for each in self._history[point] if each[0] >= max(since, now - for_s)]
        if len(seen) < COVERED * for_s / SAMPLE_S / 2.0:
            return Standing(False, None, [f"{said} gives no readings"])
        third = max(1, len(seen) // 3)
        change = _mean(seen[-third:]) - _mean(seen[:third])
        if abs(change) <= within:
            return Standing(True)
        way = "rises" if change > 0 else "falls"
        return Standing(False, None, [f"{said} still {way} ({change:+.1f} in {for_s:.0f} s)"])


def steady_points(until: Until | None) -> set[str]:
    """Points whose standing still a condition asks for."""
    if until is None:
        return set()
    found = {until.steady.point} if until.steady else set()
    return found.union(*(steady_points(each) for each in (*until.any, *until.all)))


def _mean(pairs: list[tuple[float, float]]) -> float:
    return sum(value for _, value in pairs) / len(pairs)


def _enough(figure: str, u: float, figures: Figures) -> Standing:
    said = figure.replace("_", " ")
    if figure not in figures:
        return Standing(False, None, [f"{said} cannot be measured yet"])
    found = figures[figure][1]
    if found <= u:
        return Standing(True)
    return Standing(False, None, [f"{said} is known to ±{2 * found:.2g}, wanted ±{2 * u:.2g}"])


def _either(parts: list[Standing]) -> Standing:
    """The nearest of several conditions."""
    if any(part.met for part in parts):
        return Standing(True)
    known = [part.remaining_s for part in parts if part.remaining_s is not None]
    missing = [text for part in parts for text in part.missing]
    return Standing(False, min(known, default=None), [" or ".join(missing)] if missing else [])
