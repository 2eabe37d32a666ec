"""Digits damaged on the wire of a logger without a checksum.

A damaged digit is a plausible reading. It shows in what no sensor can do: a temperature that jumps
in one line and is back in the next, though its sensor takes seconds to follow anything; a time that
does not lie between its neighbors'. Such a reading is left empty, such a time is put between its
neighbors by when the line arrived; the line as it came is listed with the others that were not
used. How many lines were damaged follows from the digits whose damage cannot hide.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Iterator
from dataclasses import field
from typing import TYPE_CHECKING, Final

from ingest.points import POINTS
from ingest.record.wire.digits import (
    decimals,
    digits_from,
    number_of,
    one_digit_off,
    place_of,
)
from ingest.record.wire.own_time import OwnTime, own_time
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import Setup

JUMPED: Final = "a reading that jumps in one line and is back in the next"
OUT_OF_STEP: Final = "a time out of step, put right by the line's arrival"

TIMES: Final = 10.0
"""A jump is this many times the usual departure from the neighbors' mean (6.7 standard deviations
of normal noise) ..."""

STEPS: Final = 1.5
"""... and more than the one step of the last decimal that rounding makes."""

SURELY: Final = 0.85
"""A jump is laid to a digit that cannot hide where it is at least this share of its worth: noise
takes a little off, and nine of the next lower ones hardly ever make as much."""

BACK: Final = 0.4
"""The reading after it lies within this share of the jump of the reading before."""

WHOLE: Final = 0.9
"""A channel with this share of whole numbers is logged in whole numbers."""

FAHRENHEIT: Final = frozenset({"degF", "°F", "F"})
OFF_CELSIUS: Final = 0.035
"""A control unit counts in whole degrees Celsius (SAE J1979); shown in Fahrenheit with one decimal
they lie at most this far off, in degrees Celsius."""

KEPT: Final = 60
FEWEST: Final = 12
"""Lines from which the usual departure is known."""

ARRIVAL_S: Final = 2.0
"""Lines arrive in bunches, up to this late."""

LOST_LINES: Final = 5.0
"""So many usual steps the logger's clock may go on from one line to the next."""

MAX_RATE: Final = 500.0
"""Above so many lines a second they are not looked at: no heater is logged so fast."""

PLAIN: Final = 8.0
"""A jump of this many limits that one other digit explains is a plain case of damage."""

PROOF: Final = 3
PROOF_LINES: Final = 600
PROOF_SHARE: Final = 0.7
"""Nothing is touched until so many plain cases came within so many lines, and were this share of
the jumps as large: a spark on a sensor's wire is no digit, and a good log is left as it is."""

MIN_SAID: Final = 3
"""Damaged lines from which on their share is worth saying."""


@dataclass(frozen=True, slots=True)
class Ready:
    """A line that may be logged.

    Parameters
    ----------
    text
        As it is logged.
    host_s
        When it arrived, s.
    was
        As it came, where it was mended; else None.
    reason
        What was mended.
    """

    text: str
    host_s: float
    was: str | None = None
    reason: str = ""


@dataclass(slots=True)
class _Column:
    """One temperature: the reading before the held line's, and what is usual."""

    before: float | None = None
    usual: deque[float] = field(default_factory=lambda: deque(maxlen=KEPT))
    changes: deque[float] = field(default_factory=lambda: deque(maxlen=KEPT))

    whole: deque[bool] = field(default_factory=lambda: deque(maxlen=KEPT))
    celsius: deque[bool] = field(default_factory=lambda: deque(maxlen=KEPT))
    fahrenheit: bool = False

    def see(self, value: float) -> None:
        """Learn from a reading that differs from the one before how the channel is rounded."""
        if value != self.before:  # a car that stands reads 0.0 however its speed is written
            self.whole.append(value.is_integer())
            self.celsius.append(self.fahrenheit and _is_whole_celsius(value))

    def off_grid(self, value: float, cell: str) -> tuple[bool, int] | None:
        """Whether a reading is none of those the channel rounds to, and how many digits tell.

        None where it is not known to round to whole numbers or to whole degrees Celsius.
        """
        if _mostly(self.whole):
            return not value.is_integer(), decimals(cell)
        if _mostly(self.celsius):
            return not _is_whole_celsius(value), decimals(cell) + 1
        return None

    def limit(self, cell: str) -> float | None:
        """Departure from the neighbors' mean that is no noise; None while that is not known."""
        if len(self.usual) < FEWEST:
            return None
        step = 10.0 ** -decimals(cell)
        if self.changes:  # numbers in coarser steps than they are written with
            step = max(step, sorted(self.changes)[len(self.changes) // 5])
        return max(TIMES * statistics.median(self.usual), STEPS * step)


@dataclass(slots=True)
class _Held:
    """A line that waits for the next."""

    text: str
    cells: list[str]
    host_s: float
    time: float | None
    values: dict[int, float]


class DamageCheck:
    """Looks at every line when the next is there.

    Parameters
    ----------
    setup
        The set-up.
    names
        The columns' names where they are known beforehand; else the log's own line gives them.
    """

    def __init__(self, setup: Setup, names: tuple[str, ...]) -> None:
        self._setup = setup
        self._columns: dict[int, _Column] = {}
        self._time: OwnTime | None = None
        self._held: _Held | None = None
        self._last_time: tuple[float, float] | None = None
        self._cases: deque[tuple[int, bool]] = deque(maxlen=4 * KEPT)
        self._steps: deque[float] = deque(maxlen=KEPT)
        self._wide = math.inf  # from the line before to the line after, s
        self._second, self._rate = 0.0, 0
        self.lines = 0
        self.jumps = 0
        self.times = 0
        self._sure = 0
        self._found = 0
        self._digits = 0
        self._headless = setup.log.header is False
        if names or self._headless:
            self._learn(names)

    def take(self, text: str, delimiter: str, now: float) -> Iterator[Ready]:
        """Take a line; gives those that are ready for the log.

        Parameters
        ----------
        text, delimiter
            The line and what cuts it.
        now
            When it arrived, s.
        """
        cells = text.split(delimiter)
        whole = '"' not in text or not any(cell.count('"') % 2 for cell in cells)
        if not self._columns and self._time is None and whole:
            self._learn(tuple(cell.strip().strip('"') for cell in cells))
        known = self._columns or self._time is not None
        if not known or not whole or self._is_fast(now):
            yield from self.flush()
            yield Ready(text, now)
            return
        values = {
            at: number
            for at in self._columns
            if at < len(cells) and (number := number_of(cells[at])) is not None
        }
        time = None if self._time is None else self._time.read(cells)
        line = _Held(text, cells, now, time, values)
        held, self._held = self._held, line
        if held is not None:
            yield self._judge(held, line, delimiter)

    def flush(self) -> Iterator[Ready]:
        """The line that waits for one that will not come."""
        held, self._held = self._held, None
        if held is not None:
            yield Ready(held.text, held.host_s)
        for column in self._columns.values():
            column.before = None
        self._last_time = None

    def share(self) -> float | None:
        """Share of lines with a damaged digit; None where too few were seen to tell.

        What was found among the digits that cannot hide, over all digits there are.
        """
        if self._found < MIN_SAID or not self._sure or not self.lines:
            return None
        return min(1.0, self._found / self._sure * self._digits / self.lines)

    def _learn(self, names: tuple[str, ...]) -> None:
        columns: dict[int, _Column] = {}
        for point, table in self._setup.channels.items():
            if point in POINTS:
                at = None if table.column is None else place_of(table.column, names)
                if at is not None:
                    columns[at] = _Column(fahrenheit=table.unit in FAHRENHEIT)
        self._time = own_time(self._setup.log.time, names)
        if columns or self._time is not None:
            self._columns = columns

    def _is_fast(self, now: float) -> bool:
        if now - self._second >= 1.0:
            self._second, self._rate = now, 0
        self._rate += 1
        return self._rate > MAX_RATE

    def _judge(self, held: _Held, line: _Held, delimiter: str) -> Ready:
        reasons = []
        cells = list(held.cells)
        self.lines += 1
        self._digits += sum(map(str.isdigit, held.text))
        for at, column in self._columns.items():
            if self._jumps(column, held.values.get(at), line.values.get(at), cells[at : at + 1]):
                self.jumps += 1
                cells[at] = ""
                reasons.append(JUMPED)
        mended = self._mended_time(held, line)
        if mended is not None:
            self._cases.append((self.lines, True))
        if mended is not None and self._time is not None and self._is_proved():
            self.times += 1
            self._found += 1
            cells = self._time.put_right(cells, *mended)
            reasons.append(OUT_OF_STEP)
        if not reasons:
            return Ready(held.text, held.host_s)
        return Ready(
            delimiter.join(cells), held.host_s, held.text, "; ".join(dict.fromkeys(reasons))
        )

    def _jumps(
        self, column: _Column, value: float | None, after: float | None, cell: list[str]
    ) -> bool:
        before = column.before
        if value is None:
            return False
        off_grid = column.off_grid(value, cell[0])
        column.see(value)
        if off_grid is not None:
            is_off, telling = off_grid
            self._sure += telling
            if is_off and self._is_proved():
                self._found += 1
                return True
        if before is None or after is None:
            column.before = value
            return False
        departure = abs(value - 0.5 * (before + after))
        limit = column.limit(cell[0])
        if limit is not None:
            self._sure += digits_from(cell[0], limit)
            if departure > limit and abs(after - before) <= BACK * departure:
                explained = one_digit_off(cell[0], 0.5 * (before + after), limit)
                if departure > PLAIN * limit:
                    self._cases.append((self.lines, explained))
                if explained and self._is_proved():
                    self._found += departure >= SURELY * 10.0 ** math.ceil(math.log10(limit))
                    return True
        column.usual.append(departure)
        if value != before:
            column.changes.append(abs(value - before))
        column.before = value
        return False

    def _is_proved(self) -> bool:
        """Whether this line is known to damage digits."""
        while self._cases and self._cases[0][0] < self.lines - PROOF_LINES:
            self._cases.popleft()
        explained = sum(each for _, each in self._cases)
        return explained >= max(PROOF, PROOF_SHARE * len(self._cases))

    def _plausible(self, step: float, arrived: float) -> bool:
        """Whether the logger's clock may have gone on by so much while the arrival did by so much.

        A replay may come faster than its clock runs, hence the usual step.
        """
        if len(self._steps) < FEWEST:
            return step >= 0.0
        usual = statistics.median(self._steps)
        most = max(ARRIVAL_S + 1.05 * arrived, LOST_LINES * usual)
        return max(0.0, 0.95 * arrived - ARRIVAL_S) <= step <= most

    def _mended_time(self, held: _Held, line: _Held) -> tuple[float, float, float] | None:
        """Where the held line's time should stand, and between what; None where it stands right."""
        last, self._last_time = self._last_time, None
        own, after = held.time, line.time
        if last is None:
            self._last_time = None if own is None else (own, held.host_s)
            return None
        then, then_host = last
        gap, whole = held.host_s - then_host, line.host_s - then_host
        high = then + ARRIVAL_S + max(gap, 0.0)
        follows = after is not None and self._plausible(after - then, whole)
        if after is not None and follows:
            self._wide = after - then
        if self._time is not None:
            self._sure += self._time.telling(held.cells, self._wide)
        if after is not None and follows:
            if own is not None and then <= own <= after:
                self._steps.append(own - then)
                self._last_time = (own, held.host_s)
                return None
            share = min(max(gap / whole, 0.1), 0.9) if whole > 0 else 0.5
            mended, high = then + share * (after - then), after
        elif own is not None and self._plausible(own - then, gap):
            self._last_time = (own, held.host_s)
            return None
        elif (
            own is not None
            and after is not None
            and self._plausible(after - own, line.host_s - held.host_s)
        ):
            self._last_time = (own, held.host_s)  # the logger's clock was set, or began anew
            return None
        else:
            mended = then + max(gap, 1e-3)
        self._last_time = (mended, held.host_s)
        return mended, then, high


def _mostly(seen: deque[bool]) -> bool:
    return len(seen) >= FEWEST and sum(seen) >= WHOLE * len(seen)


def _is_whole_celsius(fahrenheit: float) -> bool:
    celsius = (fahrenheit - 32.0) / 1.8
    return abs(celsius - round(celsius)) <= OFF_CELSIUS
