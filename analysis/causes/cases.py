"""Moderate cases of every cause, drawn once for a heater's layout: what a run is held against."""

from __future__ import annotations

from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.causes.engine import FigureEffect, different_effects
from analysis.causes.knowledge import (
    NO_FAULT,
    SEVERITIES,
    CauseRow,
    knowledge,
    row_effects,
    rows_of,
)
from ingest.arrays import Bools, Floats

MODERATE: Final = 2.0
"""Severity of a moderate case (`SEVERITIES`)."""

RANKED_AT: Final = (1.0, 2.0, 3.0)
"""Severities at which the causes of a drawn case are ranked: a coarse grid is enough for which one
comes first."""


class Space(NamedTuple):
    """Rows of one layout, each at the severities cases are ranked at.

    Parameters
    ----------
    rows
        Of the knowledge table.
    prior
        Of each hypothesis (row and severity), shape (h,).
    cause
        Index of its cause in `names`, shape (h,).
    names
        Causes, each once.
    of_cause
        1 for the hypotheses of each cause, else 0, shape (names, h).
    moves, spreads
        FigureEffect of each hypothesis on each figure, shape (h, f).
    signs, sign
        The different chances of all signs, shape (p, s), and which of them each has, shape (h,).
    moderate
        Which hypothesis is each row's moderate case, shape (rows,).
    effects
        The different effects on each figure.
    """

    rows: tuple[CauseRow, ...]
    prior: Floats
    cause: NDArray[np.intp]
    names: tuple[str, ...]
    of_cause: Floats
    moves: Floats
    spreads: Floats
    signs: Floats
    sign: NDArray[np.intp]
    moderate: NDArray[np.intp]
    effects: tuple[FigureEffect, ...]


@cache
def space_of(layout: str) -> Space:
    """Of one layout of heater (worked out once)."""
    table = knowledge()
    rows = tuple(rows_of(layout))
    names = tuple(dict.fromkeys(row.name for row in rows))
    figures, signs = list(table.figures), list(table.signs)
    places = [int(np.flatnonzero(severity == SEVERITIES)[0]) for severity in RANKED_AT]
    weights = np.array([table.severity_weights[place] for place in places])
    weights /= weights.sum()
    prior: list[float] = []
    cause: list[int] = []
    moderate: list[int] = []
    moves, spreads, sign = [], [], []
    different: dict[tuple[float, ...], int] = {}
    for row in rows:
        move, spread = row_effects(row, figures, table)
        healthy = row.name == NO_FAULT
        here = places[:1] if healthy else places
        moderate.append(len(prior) + (0 if healthy else RANKED_AT.index(MODERATE)))
        chance = tuple(row.signs.get(name, table.signs[name].usual) for name in signs)
        for place, weight in zip(here, [1.0] if healthy else weights, strict=True):
            prior.append(row.prior * float(weight))
            cause.append(names.index(row.name))
            moves.append(move[place])
            spreads.append(spread[place])
            sign.append(different.setdefault(chance, len(different)))
    return Space(
        rows,
        np.array(prior),
        np.array(cause),
        names,
        np.equal(np.arange(len(names))[:, None], cause).astype(float),
        np.array(moves),
        np.array(spreads),
        np.array(list(different)),
        np.array(sign),
        np.array(moderate),
        different_effects(np.array(moves), np.array(spreads)),
    )


class DrawnCases(NamedTuple):
    """Moderate cases of all rows of a layout, by figure; shapes (figures, rows, draws).

    Parameters
    ----------
    own, harm
        How far each lies from usual for its cause alone, on the table's scale: as the run would
        have shown it, and where it does most harm.
    of_car, of_reading
        Standard normal numbers, for the car among its family and for the reading.
    moved, harmed
        Whether the cause moves the figure, as `own` and `harm`: what it does not touch does not
        show it.
    uniform
        Uniform numbers, for the signs, shape (rows, draws, ...).
    """

    own: Floats
    harm: Floats
    of_car: Floats
    of_reading: Floats
    moved: Bools
    harmed: Bools
    uniform: Floats


@cache
def drawn_cases(layout: str, draws: int) -> DrawnCases:
    """Of one layout of heater (worked out once): the same numbers every time."""
    space, figures = space_of(layout), len(knowledge().figures)
    rows = len(space.rows)
    numbers = np.random.default_rng((106, draws))
    half = numbers.standard_normal((rows, draws // 2, 3 * figures))
    # each number with its opposite: the mean of the draws is then that of the distribution
    both = np.concatenate((half, -half), axis=1).reshape(rows, draws, 3, figures)
    of_case, of_car, of_reading = np.ascontiguousarray(both.transpose(2, 3, 0, 1))
    move, spread = space.moves[space.moderate].T, space.spreads[space.moderate].T
    worst, of_worst = _moderate_harms(space)
    return DrawnCases(
        move[:, :, None] + spread[:, :, None] * of_case,
        worst[:, :, None] + of_worst[:, :, None] * of_case,
        of_car,
        of_reading,
        np.repeat((move != 0.0)[:, :, None], draws, axis=2),
        np.repeat((worst != 0.0)[:, :, None], draws, axis=2),
        numbers.random((rows, draws, 3 * figures)),
    )


def _moderate_harms(space: Space) -> tuple[Floats, Floats]:
    """What each row's moderate case moves where it does most harm, shape (figures, rows) each."""
    table = knowledge()
    place = int(np.flatnonzero(SEVERITIES == MODERATE)[0])
    both = [row_effects(row, list(table.figures), table, harms=True) for row in space.rows]
    moves, spreads = (np.array([each[of][place] for each in both]).T for of in (0, 1))
    return moves, spreads
