"""Lines over one pair of axes, on paper and on a narrow screen. Black on white, lines by dash."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from dashboard.report.axes import SIZE, Curve, Scale, draw_axes, draw_key
from dashboard.report.blocks import Label, Picture, Stroke
from ingest.arrays import Floats

WIDE: Final = (500.0, 228.0)
NARROW: Final = (345.0, 250.0)
LEFT, RIGHT, TOP, BOTTOM = 30.0, 8.0, 24.0, 34.0
MAIN: Final = 2.0
"""Lines of this width and more are what the picture is about: their names are bold."""
LABEL_PT: Final = 110.0
ABOVE, BELOW = -4.0, 11.0
MAX_POINTS: Final = 240
"""Points of a line on paper half a foot wide; each is the mean of the readings it stands for."""


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
    lines: Sequence[Curve],
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
    lines: Sequence[Curve],
    wanted: tuple[str, float] | None,
    titles: tuple[str, str],
    says: str,
    size: tuple[float, float],
) -> Picture:
    width, height = size
    drawn = [Curve(one.name, *thinned(one.x, one.y), one.width, one.dash, one.gray)
             for one in lines]  # fmt: skip
    heights = [one.y[~np.isnan(one.y)] for one in drawn]
    every = np.concatenate([*heights, np.array([wanted[1]] if wanted else [])])
    across = Scale.over(0.0, max(float(one.x[-1]) for one in drawn), LEFT, width - RIGHT, 9)
    up = Scale.over(float(every.min()), float(every.max()), height - BOTTOM, TOP, 6)
    strokes, labels = draw_axes(across, up, titles[1], (titles[0], 9.0))
    if wanted:
        level = up.at(wanted[1])
        strokes.append(Stroke(((LEFT, level), (width - RIGHT, level)), 1.2, (1.0, 2.5)))
        labels.append(_free_label(drawn, across, up, level, wanted[0]))
    for one in drawn:
        strokes += [
            Stroke(piece, one.width, one.dash, one.gray) for piece in _pieces(one, across, up)
        ]
    pieces, names = draw_key(drawn, LEFT, MAIN)
    return Picture(width, height, (*strokes, *pieces), (*labels, *names), says)


def _free_label(lines: Sequence[Curve], across: Scale, up: Scale, level: float, text: str) -> Label:
    """The level's name at one of its ends, above it or below, where most room is from the lines."""
    places: list[tuple[float, Label]] = []
    right = Label(across.stop, 0.0, text, "end", size=SIZE)
    left = Label(across.start, 0.0, text, size=SIZE)
    for label in (right, left):
        near = [
            up.at(float(value))
            for line in lines
            for minute, value in zip(line.x, line.y, strict=True)
            if not math.isnan(value) and abs(across.at(float(minute)) - label.x) < LABEL_PT
        ]
        for side in (ABOVE, BELOW):
            room = min((abs(level + side - 3.0 - each) for each in near), default=math.inf)
            places.append((room, replace(label, y=level + side)))
    return max(places, key=lambda place: place[0])[1]


def _pieces(line: Curve, across: Scale, up: Scale) -> list[tuple[tuple[float, float], ...]]:
    """The line between its holes."""
    known = ~np.isnan(line.y)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(np.int8), [0]])))
    return [
        tuple(
            (across.at(float(minute)), up.at(float(value)))
            for minute, value in zip(line.x[start:stop], line.y[start:stop], strict=True)
        )
        for start, stop in zip(edges[::2], edges[1::2], strict=True)
        if stop - start > 1
    ]
