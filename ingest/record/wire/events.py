"""Control events of a recording: noted by hand or sent in between the lines, in the log's own time.

A line that notes an event reads ``!control,position``, or ``!@time!control,position`` where the
sender states the log's time of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ingest.events.controls import PositionError, read_position
from ingest.events.file import normal
from ingest.points import CONTROLS
from ingest.record.wire.stamp import HEAD_CHARACTERS, event_time, see_line
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.record.wire.derivation import Derivation

WAITING_CAP: Final = 10_000


@dataclass(frozen=True, slots=True)
class NotedEvent:
    """One event; `time` is stated only where its sender did."""

    host_s: float
    control: str
    position: str
    time: str | None = None
    by_hand: bool = False


def check_event(control: str, position: str) -> tuple[str, str]:
    """The control's name in its plain spelling, and its position.

    Raises
    ------
    PositionError
        Where there is no such control, or it cannot stand there.
    """
    name = normal(control)
    if name not in CONTROLS:
        raise PositionError(f"no control is called {control[:40]!r}")
    return name, read_position(name, position)[0]


class EventBook:
    """Events on their way to the events file.

    Parameters
    ----------
    derivation
        How the recording's log is made.
    """

    def __init__(self, derivation: Derivation) -> None:
        self._derivation = derivation
        self._head: list[str] = []
        self._head_size = 0
        self.waiting: list[NotedEvent] = []
        self.noted: list[NotedEvent] = []
        self.written: list[tuple[str, NotedEvent]] = []
        self.count = 0
        self._lines_waited = 0
        events = derivation.setup.events
        self._offset = 0.0 if events is None else events.offset

    def see_log(self, line: str) -> None:
        """Keep the log's beginning, by which its lines are read."""
        if self._head_size < HEAD_CHARACTERS:
            self._head.append(line)
            self._head_size += len(line) + 1

    @property
    def head(self) -> str:
        """The log's beginning, whole lines."""
        return "".join(f"{line}\n" for line in self._head)

    def note(self, host_s: float, control: str, position: str) -> None:
        """Note an event of the host's clock."""
        self._add(NotedEvent(host_s, control, position, by_hand=True))

    def undo(self) -> NotedEvent | None:
        """Take back the newest event noted by hand; None where there is none."""
        place = next((at for at in reversed(range(len(self.noted)))
                      if self.noted[at].by_hand), None)  # fmt: skip
        if place is None:
            return None
        gone = self.noted.pop(place)
        self.waiting = [each for each in self.waiting if each is not gone]
        self.written = [each for each in self.written if each[1] is not gone]
        return gone

    def from_line(self, text: str, host_s: float) -> str | None:
        """Note the event of a line; gives why where there is none.

        Parameters
        ----------
        text
            The line without its marker.
        host_s
            When it was received, s.
        """
        time, rest = None, text
        if text.startswith("@") and "!" in text:
            time, _, rest = text[1:].partition("!")
        control, comma, position = rest.partition(",")
        if not comma:
            return "an event without a position"
        try:
            name, position = check_event(control, position)
        except PositionError as error:
            return f"no event: {error}"
        if self._derivation.host_time:
            time = None  # the sender's clock is not this log's
        self._add(NotedEvent(host_s, name, position, time))
        return None

    def timed(self, last_line: tuple[str, float] | None) -> list[tuple[str, NotedEvent]]:
        """Take out the events whose time in the log is known, in order.

        Parameters
        ----------
        last_line
            The log's newest line and when it was received.
        """
        done: list[tuple[str, NotedEvent]] = []
        seen = None
        if not self._derivation.host_time and any(event.time is None for event in self.waiting):
            seen = last_line and see_line(self.head, last_line[0], self._derivation.setup.log)
        while self.waiting:
            event = self.waiting[0]
            time = event.time
            if time is None and self._derivation.host_time:
                time = f"{event.host_s:.3f}"
            elif time is None and seen is not None and last_line is not None:
                time = event_time(seen, event.host_s - last_line[1] - self._offset)
            if time is None:
                break
            done.append((time, self.waiting.pop(0)))
        self.written += done
        return done

    def try_again(self) -> bool:
        """Whether the line just logged is worth a new look for the events that wait.

        After 1, 2, 4, 8 ... lines, so that a log that never gives a time costs nothing.
        """
        self._lines_waited += 1
        return self._lines_waited & (self._lines_waited - 1) == 0

    def give_up(self) -> list[NotedEvent]:
        """Take out the events that wait in vain."""
        given_up, self.waiting = self.waiting, []
        return given_up

    def _add(self, event: NotedEvent) -> None:
        self.count += 1
        self._lines_waited = 0
        if len(self.waiting) < WAITING_CAP:
            self.waiting.append(event)
            self.noted.append(event)
