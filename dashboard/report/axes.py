"""Axes of the reports' small pictures. Black on white, lines told apart by dash and weight."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from dashboard.report.blocks import Label, Stroke
from ingest.arrays import Floats
from ingest.values import dataclass

SIZE: Final = 9.0
"""Of the letters, pt."""

KEY_PT: Final = 24.0
LETTER_PT: Final = 4.9
"""A piece of a line in the key, and about what a letter beside it takes."""


NO_EXTENT: Final = 1e-6
"""Values nearer to each other than this have no scale of their own."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One line of a picture: values along both axes (NaN where there is none)."""

    name: str
    x: Floats
    y: Floats
    width: float = 1.8
    dash: tuple[float, ...] = ()
    gray: float = 0.0


@dataclass(frozen=True, slots=True)
class Scale:
    """From values to points along one axis, with round marks."""

    low: float
    high: float
    start: float
    stop: float
    step: float

    @classmethod
    def over(cls, low: float, high: float, start: float, stop: float, marks: int) -> Scale:
        """A scale that holds `low` to `high` between round numbers, about `marks` of them.

        Values that are all alike, as of a sensor that stood still, lie in the middle of one unit.
        """
        if high - low < NO_EXTENT:
            low, high = low - 0.5, high + 0.5
        rough = (high - low) / marks
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(power * each for each in (1.0, 2.0, 5.0, 10.0) if power * each >= rough)
        return cls(math.floor(low / step) * step, math.ceil(high / step) * step, start, stop, step)

    def at(self, value: float) -> float:
        """Where a value lies, pt."""
        share = (value - self.low) / (self.high - self.low)
        return round(self.start + share * (self.stop - self.start), 2)

    def marks(self) -> list[float]:
        """The round numbers."""
        count = round((self.high - self.low) / self.step)
        return [self.low + self.step * each for each in range(count + 1)]


def draw_axes(
    across: Scale, up: Scale, title: str, upright: tuple[str, float]
) -> tuple[list[Stroke], list[Label]]:
    """Both axes with their marks, and a faint line at each mark of the upright one.

    Parameters
    ----------
    across, up
        The scales; they also say where the axes lie.
    title
        Of the axis along the bottom.
    upright
        Title of the other one, and its height, pt.
    """
    left, right, bottom = across.start, across.stop, up.start
    strokes = [
        Stroke(((left, up.at(mark)), (right, up.at(mark))), 0.4, (), 0.75) for mark in up.marks()
    ]
    strokes.append(Stroke(((left, bottom), (right, bottom)), 0.9))
    labels = [
        Label(left - 4.0, up.at(mark) + 3.0, _number(mark), "end", size=SIZE) for mark in up.marks()
    ]
    for mark in across.marks():
        place = across.at(mark)
        strokes.append(Stroke(((place, bottom), (place, bottom + 3.0)), 0.9))
        labels.append(Label(place, bottom + 13.0, _number(mark), "middle", size=SIZE))
    labels.append(Label(left, bottom + 27.0, title, size=SIZE))
    labels.append(Label(2.0, upright[1], upright[0], size=SIZE))
    return strokes, labels


def draw_key(lines: Sequence[Curve], left: float, bold: float) -> tuple[list[Stroke], list[Label]]:
    """Names beside a piece of each line, along the top from `left` on; bold from a width on."""
    strokes, labels = [], []
    place = left
    for line in lines:
        piece = ((place, 6.0), (place + KEY_PT, 6.0))
        strokes.append(Stroke(piece, line.width, line.dash, line.gray))
        place += KEY_PT + 5.0
        labels.append(Label(place, 9.0, line.name, bold=line.width >= bold, size=SIZE))
        place += LETTER_PT * len(line.name) + 12.0
    return strokes, labels


def _number(value: float) -> str:
    return f"{round(value, 9) + 0.0:g}".replace("-", "−")
