"""What is to be heard: a new step, the count to a move, an alarm. Rung by terminal and page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

STEP: Final = "step"
COUNT: Final = "count"
NOW: Final = "now"
ALARM: Final = "alarm"
REPEAT_S: Final = 15.0
"""An alarm that stands is rung again after this."""


class Cues:
    """Numbers what is to be heard; whoever shows the state rings when the number has grown."""

    def __init__(self) -> None:
        self._number = 0
        self._kind = ""
        self._step: tuple[object, ...] | None = None
        self._alarms: set[str] = set()
        self._rung_at = -1e9

    def hear(
        self, now: float, step: Mapping[str, Any] | None, alarms: Sequence[str]
    ) -> dict[str, Any]:
        """The cue for a state: its number and kind.

        Parameters
        ----------
        now
            Time, s.
        step
            The step as the state holds it.
        alarms
            Texts of the alarms; their digits may change without ringing anew.
        """
        place = None
        if step is not None:
            counting = step["counting"]
            place = (step["number"], step["waits"], counting, bool(step["paused"]))
            if place != self._step and self._step is not None:
                was_counting = self._step[2] is not None
                if counting is not None:
                    self._ring(COUNT)
                elif was_counting and not step["waits"]:
                    self._ring(NOW)
                else:
                    self._ring(STEP)
        self._step = place
        bare = {"".join(mark for mark in text if not mark.isdigit()) for text in alarms}
        if bare - self._alarms or (bare and now - self._rung_at >= REPEAT_S):
            self._ring(ALARM)
            self._rung_at = now
        self._alarms = bare
        return {"number": self._number, "kind": self._kind}

    def _ring(self, kind: str) -> None:
        self._number += 1
        self._kind = kind
