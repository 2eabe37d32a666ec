"""A line's own time, a number or a text: read, and put right where one digit of it was damaged."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from ingest.clock.reader import TimeReader, stated_reader
from ingest.record.wire.digits import (
    digits_from,
    number_of,
    others_by_one_digit,
    place_of,
    written_like,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.setup.model import TimeTable

SCALES: Final = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "epoch s": 1.0, "epoch ms": 1e-3}

_JOINT: Final = "\t"
"""Stands in no cell of a time; keeps a date and a time in two cells apart."""


def own_time(time: TimeTable | None, names: tuple[str, ...]) -> OwnTime | None:
    """How a line's own time is read; None where the set-up does not say all of it.

    Parameters
    ----------
    time
        The set-up's ``[log] time``.
    names
        The columns' names.
    """
    if time is None:
        return None
    refs = time.columns or (() if time.column is None else (time.column,))
    places = [place_of(ref, names) for ref in refs]
    if not places or None in places:
        return None
    known = tuple(place for place in places if place is not None)
    if time.unit in SCALES and len(known) == 1:
        return OwnTime(known, SCALES[time.unit], None)
    reader = stated_reader(time)
    return None if reader is None else OwnTime(known, 1.0, reader)


class OwnTime:
    """The time of a line.

    Parameters
    ----------
    places
        Its cell, or those of its date and its time.
    scale
        Of plain numbers, s.
    reader
        How texts are read; None for plain numbers.
    """

    def __init__(self, places: tuple[int, ...], scale: float, reader: TimeReader | None) -> None:
        self._places = places
        self._scale = scale
        self._reader = reader
        self._telling: dict[tuple[int, int], int] = {}

    def read(self, cells: Sequence[str]) -> float | None:
        """Time of a line, s; None where it has none."""
        if max(self._places) >= len(cells):
            return None
        if self._reader is None:
            number = number_of(cells[self._places[0]])
            return None if number is None or not math.isfinite(number) else number * self._scale
        (time,) = self._times([self._text(cells)])
        return None if math.isnan(time) else time

    def telling(self, cells: Sequence[str], step: float) -> int:
        """Digits of a line's time whose damage cannot hide within a step, s."""
        if max(self._places) >= len(cells):
            return 0
        if self._reader is None:
            return digits_from(cells[self._places[0]], step / self._scale)
        text = self._text(cells)
        key = (len(text), math.ceil(2.0 * math.log2(step)) if step > 0 else -99)
        if key not in self._telling:
            (own,) = self._times([text])
            changed = self._times(list(others_by_one_digit(text)))
            # nine other digits a place
            told = [not abs(each - own) < step for each in changed]
            self._telling[key] = sum(sum(told[at : at + 9]) > 4 for at in range(0, len(told), 9))
        return self._telling[key]

    def put_right(self, cells: Sequence[str], near: float, low: float, high: float) -> list[str]:
        """The cells with a time that lies between two others.

        Of the times that differ by one digit the nearest to where it should stand; where there is
        none, that moment where times are plain numbers, else no time.

        Parameters
        ----------
        cells
            Of the line.
        near
            Where its time should stand, s.
        low, high
            What it must lie between, s.
        """
        result = list(cells)
        text = self._text(cells)
        others = list(others_by_one_digit(text))
        fitting = [
            (abs(time - near), other)
            for time, other in zip(self._times(others), others, strict=True)
            if low < time < high
        ]
        if fitting:
            parts = min(fitting)[1].split(_JOINT)
        elif self._reader is None:
            parts = [written_like(text, near / self._scale)]
        else:
            parts = [""] * len(self._places)
        for place, part in zip(self._places, parts, strict=True):
            quote = '"' if '"' in cells[place] else ""
            result[place] = f"{quote}{part}{quote}"
        return result

    def _text(self, cells: Sequence[str]) -> str:
        return _JOINT.join(cells[place].strip().strip('"') for place in self._places)

    def _times(self, texts: list[str]) -> list[float]:
        if self._reader is None:
            numbers = map(number_of, texts)
            return [math.nan if each is None else each * self._scale for each in numbers]
        glue = self._reader.glue
        times: list[float] = self._reader.of_texts(
            [text.replace(_JOINT, glue) for text in texts]
        ).tolist()
        return times
