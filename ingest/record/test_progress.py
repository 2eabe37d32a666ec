"""A test plan under way: what to do now, how long still, what is missing.

`PlanRun.advance` is the whole of it: times, readings and keys in, an `Instruction` out. It reads no
clock and no port, so that a test can play an hour of driving in a moment.

A control is moved by a person, and the moment is the person's: a step that moves one waits for the
key `GO`, or counts down to it (`COUNT`), and begins then. A step counts only with its readings:
while they are away it pauses, and begins anew when they are back.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from ingest.record.conditions import Conditions, Figures, Standing
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.record.test_plan import Plan, Step

GO: Final = "go"
"""Done: it is done, or moved, at this moment; the step that waits for it begins."""
COUNT: Final = "count"
"""Count down: three, two, one, and the step that waits begins at "now"."""
NEXT: Final = "next"
"""Leave this step out; it is listed as missed."""
AGAIN: Final = "again"
"""Begin this step anew."""
BACK: Final = "back"
"""Go back to the step before."""
REDO: Final = "redo"
"""Do the missed steps now."""
KEYS: Final = (GO, COUNT, NEXT, AGAIN, BACK, REDO)

COUNT_S: Final = 3.0
SAID_S: Final = 30.0
"""A warning stays on the screen for so long."""


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
    counting
        Seconds until "now" while it is counted down, whole; None while it is not.
    remaining_s
        How long still at least; None where time does not decide.
    missing
        What the step still waits for, sentences.
    paused
        Why the step stands still, sentences; empty while it goes on.
    following
        What comes next, empty at the end.
    missed
        Names of the steps left out so far.
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
    counting: int | None = None
    remaining_s: float | None = None
    missing: tuple[str, ...] = ()
    paused: tuple[str, ...] = ()
    following: str = ""
    missed: tuple[str, ...] = ()
    moves: tuple[Move, ...] = ()
    warnings: tuple[str, ...] = ()
    finished: bool = False


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
        self._conditions = Conditions(self.plan.steps, points)
        self._queue = list(range(len(self.plan.steps)))
        self._done: list[int] = []
        self._missed: list[int] = []
        self._began: float | None = None
        self._now = 0.0
        self._elapsed: float | None = None
        self._counted_to: float | None = None
        self._paused = False
        self._stands: dict[str, str] = {}
        self._warnings: deque[tuple[float, str]] = deque(maxlen=3)

    def state(self) -> dict[str, Any]:
        """Where the plan stands, for `restore` after a restart."""
        began = self._began
        elapsed = self._elapsed if began is None else round(self._now - began, 1)
        return {
            "steps": len(self.plan.steps),
            "queue": list(self._queue),
            "done": list(self._done),
            "missed": list(self._missed),
            "elapsed": elapsed,
        }

    def restore(self, state: Mapping[str, object]) -> None:
        """Go on where `state` was taken, with the time left then; else begin the plan anew."""
        lists = [state.get(name) for name in ("queue", "done", "missed")]
        size = len(self.plan.steps)
        if state.get("steps") != size or not all(_are_places(each, size) for each in lists):
            return
        self._queue, self._done, self._missed = (list(each) for each in lists)  # type: ignore[call-overload]
        elapsed = state.get("elapsed")
        if not self._queue or not isinstance(elapsed, (int, float)) or elapsed < 0:
            return
        if self._is_undone_next(self._queue[0]):
            self._spoil("the recording was interrupted")
        else:
            self._elapsed = float(elapsed)

    @property
    def step(self) -> Step | None:
        """The step under way; None when all are done."""
        return self.plan.steps[self._queue[0]] if self._queue else None

    def advance(
        self,
        now: float,
        readings: Mapping[str, float],
        figures: Figures,
        keys: Iterable[str] = (),
        *,
        stands: Mapping[str, str] | None = None,
        lost: Sequence[str] = (),
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
            Of `KEYS`, in order.
        stands
            Position of every control as it was noted last.
        lost
            Why the step's readings are not to be had, sentences; empty while they are.
        """
        self._now = now
        self._stands = dict(stands or {})
        self._conditions.remember(now, readings)
        moves: list[Move] = []
        self._look_after_pause(now, lost)
        for key in keys:
            self._key(key, now, moves)
        while (step := self.step) is not None and not self._paused:
            if self._began is None and not self._begins(step, now, moves):
                break
            if not self._over(step, now, figures):
                break
            self._leave()
        return self._instruction(now, figures, tuple(moves), tuple(lost))

    def _look_after_pause(self, now: float, lost: Sequence[str]) -> None:
        if self._elapsed is not None and self._began is None and not lost:
            self._began, self._elapsed = now - self._elapsed, None
        if lost:
            self._counted_to = None
            self._paused = self._paused or self._began is not None
        elif self._paused:
            self._paused = False
            if self._queue and self._is_undone_next(self._queue[0]):
                self._spoil("its readings were interrupted")
            elif (step := self.step) is not None:
                self._began = now
                self._warn(f"Step “{step.name}” begins anew: its readings were interrupted.")

    def _is_undone_next(self, place: int) -> bool:
        """Whether a step is a moment that the step after it undoes: a hold, then the release."""
        step = self.plan.steps[place]
        after = place + 1
        return (
            step.confirm
            and after < len(self.plan.steps)
            and self.plan.steps[after].confirm
            and any(name in self.plan.steps[after].set for name in step.set)
        )

    def _spoil(self, why: str) -> None:
        """Undo a hold that was interrupted, and do it again."""
        place = self._queue[0]
        step = self.plan.steps[place]
        self._warn(f"Step “{step.name}” is done again: {why}.")
        self._queue[:1] = [place + 1, place]
        self._began = self._elapsed = None

    def _begins(self, step: Step, now: float, moves: list[Move]) -> bool:
        if self._counted_to is not None:
            if now < self._counted_to:
                return False
            self._begin(step, self._counted_to, moves)
        elif not self._waits(step):
            self._begin(step, now, moves)
        return self._began is not None

    def _waits(self, step: Step) -> bool:
        """Whether a step begins with a person's move."""
        return step.confirm or any(
            self._stands.get(control) != position for control, position in step.set.items()
        )

    def _key(self, key: str, now: float, moves: list[Move]) -> None:
        step = self.step
        if key == REDO:
            self._redo()
        elif key == BACK:
            self._back()
        elif step is None:
            return
        elif key in (GO, COUNT):
            if self._began is not None or not self._waits(step):
                self._warn("Nothing waits for Done now: the step is under way.")
            elif self._paused:
                self._warn("No step begins while the readings are away.")
            elif key == COUNT:
                self._counted_to = now + COUNT_S
            else:
                self._begin(step, now, moves)
        elif key == NEXT:
            self._warn(f"Step “{step.name}” was left out.")
            place = self._queue[0]
            if place not in self._missed:
                self._missed.append(place)
            self._leave(done=False)
        elif key == AGAIN:
            if self._began is not None and self._is_undone_next(self._queue[0]):
                self._spoil("you asked for it")
            self._began = self._elapsed = self._counted_to = None

    def _back(self) -> None:
        if not self._done:
            self._warn("There is no step before this one.")
            return
        self._queue.insert(0, self._done.pop())
        self._began = self._elapsed = self._counted_to = None
        self._paused = False

    def _redo(self) -> None:
        places: list[int] = []
        for place in sorted(self._missed):
            if place not in places:
                places.append(place)
            if self._is_undone_next(place) and place + 1 not in places:
                places.append(place + 1)
        if not places:
            self._warn("No step was left out.")
            return
        self._missed.clear()
        self._queue = [*places, *self._queue]
        self._began = self._elapsed = self._counted_to = None
        self._paused = False

    def _begin(self, step: Step, when: float, moves: list[Move]) -> None:
        self._began, self._counted_to = when, None
        for control, position in step.set.items():
            if step.confirm or self._stands.get(control) != position:
                moves.append(Move(control, position, when))
                self._stands[control] = position

    def _warn(self, text: str) -> None:
        self._warnings.append((self._now, text))

    def _leave(self, *, done: bool = True) -> None:
        place = self._queue.pop(0)
        if done:
            self._done.append(place)
        self._began = self._elapsed = self._counted_to = None
        self._paused = False

    def _over(self, step: Step, now: float, figures: Figures) -> bool:
        assert self._began is not None  # noqa: S101 - asked of steps that have begun
        if step.until is None:
            return True
        outcome = self._conditions.outcome(step.until, self._began, now, figures)
        if outcome.met:
            return True
        if step.timeout_s is None or now - self._began < step.timeout_s:
            return False
        missing = "; ".join(outcome.missing)
        self._warn(f"Step “{step.name}” ran out of time: {missing}")
        return True

    def _instruction(
        self, now: float, figures: Figures, moves: tuple[Move, ...], lost: tuple[str, ...]
    ) -> Instruction:
        steps = self.plan.steps
        warnings = tuple(text for at, text in self._warnings if now - at <= SAID_S)
        missed = tuple(steps[place].name for place in sorted(self._missed))
        step = self.step
        if step is None:
            done = "All steps are done. End the recording."
            if missed:
                done = "All other steps are done. Do the missed ones, or end the recording."
            return Instruction(
                len(steps) + 1, len(steps), "done", done, missed=missed, moves=moves,
                warnings=warnings, finished=True,
            )  # fmt: skip
        later = steps[self._queue[1]] if len(self._queue) > 1 else None
        outcome = Standing(False, None)
        if self._began is not None and step.until is not None:
            outcome = self._conditions.outcome(step.until, self._began, now, figures)
        to = self._counted_to
        return Instruction(
            self._queue[0] + 1,
            len(steps),
            step.name,
            step.do,
            step.caution or "",
            self._began is None and self._elapsed is None and self._waits(step),
            None if to is None else max(1, -int(-(to - now) // 1)),
            outcome.remaining_s,
            tuple(outcome.missing),
            lost,
            later.do if later else "",
            missed,
            moves,
            warnings,
        )


def _are_places(found: object, size: int) -> bool:
    return isinstance(found, list) and all(
        isinstance(each, int) and 0 <= each < size for each in found
    )
