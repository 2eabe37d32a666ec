"""The recording's own clock: seconds since it started, from a journal's records.

Within one start of the computer the monotonic clock counts; across one, all there is to go by is
the wall's clock. A step of the wall's clock moves nothing, and is said.
"""

from __future__ import annotations

import json
import time
from dataclasses import field
from typing import Final

from ingest.json_text import parse_json
from ingest.record.journal import Record, boot_identity
from ingest.values import dataclass

STEP_S: Final = 0.5
"""Smallest change of the wall's clock against the monotonic one that is called a step."""
_MIN_GAP_S: Final = 0.001


def clock_note(*, first: bool) -> bytes:
    """Payload of a clock record.

    Parameters
    ----------
    first
        Whether it begins a segment.
    """
    note = {"first": first, "boot": boot_identity(), "wall": time.time()}
    return json.dumps(note).encode()


@dataclass
class HostClock:
    """Turns the clocks of records into seconds since the recording started.

    Parameters
    ----------
    last_s
        Time of the newest record, s.
    steps
        Steps of the wall's clock: when (s), and by how much (s).
    by_wall
        Gaps whose length is known by the wall's clock alone: when they ended, s.
    started_ns
        Wall clock of the start, ns since 1970; None before the first record.
    """

    last_s: float = 0.0
    steps: list[tuple[float, float]] = field(default_factory=list)
    by_wall: list[float] = field(default_factory=list)
    started_ns: int | None = None
    _zero_ns: int = 0
    _boot: str | None = None
    _last_wall_ns: int = 0
    _ahead_s: float = 0.0

    def seconds(self, mono_ns: int) -> float:
        """Time of a moment in the segment being read, s."""
        return (mono_ns - self._zero_ns) / 1e9

    def mono_ns(self, seconds: float) -> int:
        """The other way round."""
        return self._zero_ns + round(seconds * 1e9)

    def see(self, record: Record) -> float:
        """Note that a record was read; gives its time, s."""
        now = self.seconds(record.mono_ns)
        self.last_s = max(self.last_s, now)
        self._last_wall_ns = record.wall_ns
        return now

    def begin(self, record: Record) -> float:
        """Begin a segment at its clock record; gives the length of the gap before it, s."""
        boot = parse_json(record.payload).get("boot")
        if self.started_ns is None:
            self.started_ns = record.wall_ns
            self._zero_ns = record.mono_ns
            gap = 0.0
        else:
            gap = self.seconds(record.mono_ns) - self.last_s
            if boot is None or boot != self._boot or gap < 0:
                gap = max((record.wall_ns - self._last_wall_ns) / 1e9, _MIN_GAP_S)
                self._zero_ns = record.mono_ns - round((self.last_s + gap) * 1e9)
                self.by_wall.append(self.last_s + gap)
        self._boot = boot
        self._ahead_s = self._ahead(record)
        self.see(record)
        return gap

    def compare(self, record: Record) -> None:
        """Compare the wall's clock at a later clock record."""
        ahead = self._ahead(record)
        if abs(ahead - self._ahead_s) > STEP_S:
            self.steps.append((self.seconds(record.mono_ns), ahead - self._ahead_s))
        self._ahead_s = ahead

    def _ahead(self, record: Record) -> float:
        return record.wall_ns / 1e9 - self.seconds(record.mono_ns)
