"""Lines over one pair of axes, on paper and on a narrow screen. Black on white, lines by dash."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from dashboard.report.blocks import Label, Picture, Stroke
from ingest.arrays import Floats

WIDE: Final = (500.0, 228.0)
NARROW: Final = (345.0, 250.0)
LEFT, RIGHT, TOP, BOTTOM = 30.0, 8.0, 24.0, 34.0
SIZE: Final = 9.0
LABEL_PT: Final = 110.0
ABOVE, BELOW = -4.0, 11.0
MAX_POINTS: Final = 240
"""Points of a line on paper half a foot wide; each is the mean of the readings it stands for."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the picture: minutes, or what else the level axis shows, against the shown value.

    NaN where there is none.
    """

    name: str
    minutes: Floats
    value: Floats
    width: float = 2.2
    dash: tuple[float, ...] = ()
    gray: float = 0.0


def thinned(minutes: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Means over even parts of a line, so that it has at most `MAX_POINTS` points."""
    part = math.ceil(minutes.size / MAX_POINTS)
    if part <= 1:
        return minutes, value
    whole = minutes.size // part * part
    known = ~np.isnan(value[:whole]).reshape(-1, part)
    count = known.sum(axis=1)
    total = np.where(known, value[:whole].reshape(-1, part), 0.0).sum(axis=1)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return minutes[:whole].reshape(-1, part).mean(axis=1), mean


ENGINE: Final = "Minutes after the engine was started"


def chart(
    lines: Sequence[Line],
    wanted: tuple[str, float] | None,
    unit: str,
    says: str,
    along: str = ENGINE,
) -> Picture:
    """Draw the lines over one pair of axes, for paper and for a narrow screen.

    Parameters
    ----------
    lines
        What to draw, the weightiest first; the lower line gets its name below it.
    wanted
        Name and height of the level that should be reached.
    unit
        Of the upright axis, for its title.
    says
        The picture in one sentence.
    along
        What the level axis shows.
    """
    narrow = _drawn(lines, wanted, (unit, along), says, NARROW)
    return replace(_drawn(lines, wanted, (unit, along), says, WIDE), narrow=narrow)


def _drawn(
    lines: Sequence[Line],
    wanted: tuple[str, float] | None,
    titles: tuple[str, str],
    says: str,
    size: tuple[float, float],
) -> Picture:
    width, height = size
    drawn = [Line(one.name, *thinned(one.minutes, one.value), one.width, one.dash, one.gray)
             for one in lines]  # fmt: skip
    heights = [one.value[~np.isnan(one.value)] for one in drawn]
    every = np.concatenate([*heights, np.array([wanted[1]] if wanted else [])])
    across = Scale.over(0.0, max(float(one.minutes[-1]) for one in drawn), LEFT, width - RIGHT, 9)
    up = Scale.over(float(every.min()), float(every.max()), height - BOTTOM, TOP, 6)
    strokes, labels = _axes(across, up, titles, size)
    if wanted:
        level = up.at(wanted[1])
        strokes.append(Stroke(((LEFT, level), (width - RIGHT, level)), 1.2, (1.0, 2.5)))
        place = level + _free_side(drawn, across, up, level)
        labels.append(Label(width - RIGHT, place, wanted[0], "end", size=SIZE))
    for one in drawn:
        strokes += [
            Stroke(piece, one.width, one.dash, one.gray) for piece in _pieces(one, across, up)
        ]
    labels += _key(drawn, strokes)
    return Picture(width, height, tuple(strokes), tuple(labels), says)


def _free_side(lines: Sequence[Line], across: Scale, up: Scale, level: float) -> float:
    """Where to write beside a level's right end: above it or below, away from the lines."""
    ends = [
        up.at(float(value))
        for line in lines
        for minute, value in zip(line.minutes, line.value, strict=True)
        if not math.isnan(value) and across.at(float(minute)) > across.stop - LABEL_PT
    ]
    room = {side: min((abs(level + side - 3.0 - end) for end in ends), default=math.inf)
            for side in (ABOVE, BELOW)}  # fmt: skip
    return max(room, key=lambda side: room[side])


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
        """A scale that holds `low` to `high` between round numbers, about `marks` of them."""
        rough = max(high - low, 1e-6) / marks
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


def _axes(
    across: Scale, up: Scale, titles: tuple[str, str], size: tuple[float, float]
) -> tuple[list[Stroke], list[Label]]:
    bottom, right = size[1] - BOTTOM, size[0] - RIGHT
    strokes = [
        Stroke(((LEFT, up.at(mark)), (right, up.at(mark))), 0.4, (), 0.75) for mark in up.marks()
    ]
    strokes.append(Stroke(((LEFT, bottom), (right, bottom)), 0.9))
    labels = [
        Label(LEFT - 5.0, up.at(mark) + 3.0, f"{mark:g}".replace("-", "−"), "end", size=SIZE)
        for mark in up.marks()
    ]
    for mark in across.marks():
        place = across.at(mark)
        strokes.append(Stroke(((place, bottom), (place, bottom + 3.0)), 0.9))
        labels.append(Label(place, bottom + 13.0, f"{mark:g}", "middle", size=SIZE))
    unit, along = titles
    labels.append(Label(LEFT, bottom + 27.0, along, size=SIZE))
    labels.append(Label(2.0, 9.0, unit, size=SIZE))
    return strokes, labels


def _pieces(line: Line, across: Scale, up: Scale) -> list[tuple[tuple[float, float], ...]]:
    """The line between its holes."""
    known = ~np.isnan(line.value)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(np.int8), [0]])))
    return [
        tuple(
            (across.at(float(minute)), up.at(float(value)))
            for minute, value in zip(line.minutes[start:stop], line.value[start:stop], strict=True)
        )
        for start, stop in zip(edges[::2], edges[1::2], strict=True)
        if stop - start > 1
    ]


def _key(lines: Sequence[Line], strokes: list[Stroke]) -> list[Label]:
    """Names beside a piece of each line, along the top."""
    labels = []
    place = LEFT
    for line in lines:
        strokes.append(
            Stroke(((place, 6.0), (place + 26.0, 6.0)), line.width, line.dash, line.gray)
        )
        labels.append(Label(place + 31.0, 9.0, line.name, bold=line.width > 2.0, size=SIZE))
        place += 31.0 + 4.9 * len(line.name) + 12.0
    return labels
