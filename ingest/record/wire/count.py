"""What is counted and kept of a recording's ports."""

from __future__ import annotations

from array import array
from dataclasses import asdict, field, fields

from ingest.values import dataclass

SAMPLES_CAP: int = 20_000


@dataclass
class PortCounters:
    """Counts of one port, or of all.

    Parameters
    ----------
    bytes
        Received.
    lines
        Whole lines, used or not.
    rows
        Lines that went into the log.
    headers
        Lines that repeat the columns' names.
    garbage
        Lines that are no text, or no line of this format.
    half_lines
        Lines whose beginning or end is missing.
    bad_checksums
        Lines whose checksum is wrong or missing.
    changed_columns
        Lines with another number of columns than the ones before.
    unanswered
        Questions without an answer.
    losses
        Times the port went away.
    """

    bytes: int = 0
    lines: int = 0
    rows: int = 0
    headers: int = 0
    garbage: int = 0
    half_lines: int = 0
    bad_checksums: int = 0
    changed_columns: int = 0
    unanswered: int = 0
    losses: int = 0

    def plus(self, other: PortCounters) -> PortCounters:
        """Sum of two."""
        return PortCounters(
            **{each.name: getattr(self, each.name) + getattr(other, each.name)
               for each in fields(PortCounters)}
        )  # fmt: skip


@dataclass
class Counters(PortCounters):
    """Counts of a whole recording.

    Parameters
    ----------
    rejected
        Lines listed in rejected.csv, and those beyond its cap.
    events
        Events noted.
    by_port
        Counts by the port's label.
    """

    rejected: int = 0
    events: int = 0
    by_port: dict[str, PortCounters] = field(default_factory=dict)

    @classmethod
    def of(cls, by_port: dict[str, PortCounters], rejected: int, events: int) -> Counters:
        """Add the ports up."""
        total = PortCounters()
        for each in by_port.values():
            total = total.plus(each)
        copies = {name: each.plus(PortCounters()) for name, each in by_port.items()}
        return cls(**asdict(total), rejected=rejected, events=events, by_port=copies)


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch in which a port, or the whole recording, was away.

    Parameters
    ----------
    port
        The port's label; None where nothing was recorded at all.
    from_s, to_s
        Host clock, s; `to_s` is None while it lasts.
    reason
        Why.
    """

    port: str | None
    from_s: float
    to_s: float | None
    reason: str


@dataclass
class ClockSamples:
    """About one line a second: its number in the log and when it was received.

    Thinned to every other one when they become many, so that memory stays flat.
    """

    lines: array[int] = field(default_factory=lambda: array("q"))
    host_s: array[float] = field(default_factory=lambda: array("d"))
    every_s: float = 1.0

    def add(self, line: int, host_s: float) -> None:
        """Keep a line if it is time for one."""
        if self.host_s and host_s - self.host_s[-1] < self.every_s:
            return
        self.lines.append(line)
        self.host_s.append(host_s)
        if len(self.lines) > SAMPLES_CAP:
            self.lines, self.host_s = self.lines[::2], self.host_s[::2]
            self.every_s *= 2
