"""A test plan under way: what to do now, how long still, what is missing.

`PlanRun.advance` is the whole of it: times, readings and keys in, an `Instruction` out. It reads no
clock and no port, so that a test can play an hour of driving in a moment.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from ingest.record.test_plan import Plan, Step, Until

GO: Final = "go"
"""Key: it is done (where a step waits for it)."""
NEXT: Final = "next"
"""Key: leave this step now."""
AGAIN: Final = "again"
"""Key: begin this step anew."""

SAMPLE_S: Final = 1.0
KEPT_S: Final = 620.0
COVERED: Final = 0.9
"""Share of its time a point must have been read in to be called steady."""


@dataclass(frozen=True, slots=True)
class Move:
    """A control event that a step makes."""

    control: str
    position: str
    when: float


@dataclass(frozen=True, slots=True)
class Instruction:
    """What the screen says.

    Parameters
    ----------
    number, count
        This step's number and how many there are; `number` is above `count` when all are done.
    name, do
        The step's name, and what to do now.
    caution
        What to beware of in this step.
    waits_for_key
        Whether the step begins only with the operator's key.
    remaining_s
        How long still at least; None where time does not tell.
    missing
        What the step still waits for, sentences.
    following
        What comes next, empty at the end.
    moves
        Control events to note now.
    warnings
        What went wrong with the plan itself.
    finished
        Whether the plan is done.
    """

    number: int
    count: int
    name: str
    do: str
    caution: str = ""
    waits_for_key: bool = False
    remaining_s: float | None = None
    missing: tuple[str, ...] = ()
    following: str = ""
    moves: tuple[Move, ...] = ()
    warnings: tuple[str, ...] = ()
    finished: bool = False


@dataclass
class _Outcome:
    """Whether a condition is met, how long it takes at least, and what it waits for."""

    met: bool
    remaining_s: float | None = 0.0
    missing: list[str] = field(default_factory=list)


class PlanRun:
    """A plan under way.

    Parameters
    ----------
    plan
        The plan.
    points
        Measuring points that are logged; steps that need others are left out. None for all.
    """

    def __init__(self, plan: Plan, points: frozenset[str] | None = None) -> None:
        self.plan = plan if points is None else plan.for_points(points)
        self._points = points
        self._place = 0
        self._began: float | None = None
        self._history: dict[str, deque[tuple[float, float]]] = {
            point: deque() for step in self.plan.steps for point in _steady_points(step.until)
        }
        self._warnings: deque[str] = deque(maxlen=3)

    def state(self) -> dict[str, float | int | None]:
        """Where the plan stands, for `restore` after a restart."""
        return {"place": self._place, "began": self._began}

    def restore(self, state: Mapping[str, object]) -> None:
        """Go on where `state` was taken; anything else begins the plan anew."""
        place, began = state.get("place"), state.get("began")
        if isinstance(place, int) and 0 <= place <= len(self.plan.steps):
            self._place = place
            self._began = float(began) if isinstance(began, (int, float)) else None

    def advance(
        self,
        now: float,
        readings: Mapping[str, float],
        figures: Mapping[str, tuple[float, float]],
        keys: Iterable[str] = (),
    ) -> Instruction:
        """Move on by what has come in.

        Parameters
        ----------
        now
            Time, s, on the clock of the recording; never going back.
        readings
            Newest reading by measuring point, stored units; stale ones left out.
        figures
            Value and standard uncertainty of the figures that could be measured so far.
        keys
            `GO`, `NEXT` or `AGAIN`, in order.
        """
        self._remember(now, readings)
        moves: list[Move] = []
        for key in keys:
            self._key(key, now, moves)
        while self._place < len(self.plan.steps):
            step = self.plan.steps[self._place]
            if self._began is None:
                if step.confirm:
                    break
                self._begin(step, now, moves)
            if not self._over(step, now, figures):
                break
            self._leave()
        return self._instruction(now, figures, tuple(moves))

    def _key(self, key: str, now: float, moves: list[Move]) -> None:
        if self._place >= len(self.plan.steps):
            return
        step = self.plan.steps[self._place]
        if key == GO and self._began is None:
            self._begin(step, now, moves)
        elif key == NEXT:
            self._warnings.append(f"Step “{step.name}” was left by hand.")
            self._leave()
        elif key == AGAIN:
            self._began = None

    def _begin(self, step: Step, now: float, moves: list[Move]) -> None:
        self._began = now
        moves += [Move(control, position, now) for control, position in step.set.items()]

    def _leave(self) -> None:
        self._place += 1
        self._began = None

    def _over(self, step: Step, now: float, figures: Mapping[str, tuple[float, float]]) -> bool:
        if step.until is None or self._met(step.until, now, figures).met:
            return True
        if step.timeout_s is None or now - self._since() < step.timeout_s:
            return False
        missing = "; ".join(self._met(step.until, now, figures).missing)
        self._warnings.append(f"Step “{step.name}” ran out of time: {missing}")
        return True

    def _since(self) -> float:
        assert self._began is not None  # noqa: S101 - asked of steps that have begun
        return self._began

    def _remember(self, now: float, readings: Mapping[str, float]) -> None:
        for point, kept in self._history.items():
            value = readings.get(point)
            if value is not None and (not kept or now - kept[-1][0] >= SAMPLE_S):
                kept.append((now, value))
            while kept and kept[0][0] < now - KEPT_S:
                kept.popleft()

    def _met(
        self, until: Until, now: float, figures: Mapping[str, tuple[float, float]]
    ) -> _Outcome:
        parts = [self._met(each, now, figures) for each in until.all]
        if until.time_s is not None:
            left = max(0.0, until.time_s - (now - self._since()))
            parts.append(_Outcome(left <= 0.0, left))
        if until.steady is not None:
            steady = until.steady
            parts.append(self._steady(steady.point, steady.within, steady.for_s, now))
        if until.enough is not None:
            parts.append(_enough(until.enough.figure, until.enough.u, figures))
        if until.any:
            sensible = [each for each in until.any if self._logged(each)] or until.any
            parts.append(_either([self._met(each, now, figures) for each in sensible]))
        known = [part.remaining_s for part in parts if part.remaining_s is not None]
        return _Outcome(
            all(part.met for part in parts),
            max(known, default=None),
            [text for part in parts if not part.met for text in part.missing],
        )

    def _logged(self, until: Until) -> bool:
        """Whether every point a condition asks for is logged."""
        return self._points is None or self._points.issuperset(_steady_points(until))

    def _steady(self, point: str, within: float, for_s: float, now: float) -> _Outcome:
        said = point.replace("_", " ")
        if self._points is not None and point not in self._points:
            return _Outcome(False, None, [f"{said} is not logged, so nobody knows if it is steady"])
        begin = max(self._since(), now - for_s)
        seen = [each for each in self._history[point] if each[0] >= begin]
        if now - self._since() < for_s:
            left = for_s - (now - self._since())
            return _Outcome(False, left, [f"{said} must be watched {left:.0f} s more"])
        if len(seen) < COVERED * for_s / SAMPLE_S / 2.0:
            return _Outcome(False, None, [f"{said} gives no readings"])
        third = max(1, len(seen) // 3)
        first, last = seen[:third], seen[-third:]
        change = _mean(last) - _mean(first)
        if abs(change) <= within:
            return _Outcome(True)
        way = "rises" if change > 0 else "falls"
        return _Outcome(False, None, [f"{said} still {way} ({change:+.1f} in {for_s:.0f} s)"])

    def _instruction(
        self, now: float, figures: Mapping[str, tuple[float, float]], moves: tuple[Move, ...]
    ) -> Instruction:
        steps, warnings = self.plan.steps, tuple(self._warnings)
        if self._place >= len(steps):
            done = "All steps are done. End the recording."
            return Instruction(
                len(steps) + 1, len(steps), "done", done, moves=moves, warnings=warnings,
                finished=True,
            )  # fmt: skip
        step = steps[self._place]
        later = steps[self._place + 1] if self._place + 1 < len(steps) else None
        outcome = _Outcome(False, None)
        if self._began is not None and step.until is not None:
            outcome = self._met(step.until, now, figures)
        return Instruction(
            self._place + 1,
            len(steps),
            step.name,
            step.do,
            step.caution or "",
            step.confirm and self._began is None,
            outcome.remaining_s,
            tuple(outcome.missing),
            later.do if later else "",
            moves,
            warnings,
        )


def _steady_points(until: Until | None) -> set[str]:
    if until is None:
        return set()
    found = {until.steady.point} if until.steady else set()
    return found.union(*(_steady_points(each) for each in (*until.any, *until.all)))


def _mean(pairs: list[tuple[float, float]]) -> float:
    return sum(value for _, value in pairs) / len(pairs)


def _enough(figure: str, u: float, figures: Mapping[str, tuple[float, float]]) -> _Outcome:
    said = figure.replace("_", " ")
    if figure not in figures:
        return _Outcome(False, None, [f"{said} cannot be measured yet"])
    found = figures[figure][1]
    if found <= u:
        return _Outcome(True)
    return _Outcome(False, None, [f"{said} is known to ±{2 * found:.2g}, wanted ±{2 * u:.2g}"])


def _either(parts: list[_Outcome]) -> _Outcome:
    """The nearest of several conditions."""
    if any(part.met for part in parts):
        return _Outcome(True)
    known = [part.remaining_s for part in parts if part.remaining_s is not None]
    missing = [text for part in parts for text in part.missing]
    return _Outcome(False, min(known, default=None), [" or ".join(missing)] if missing else [])
