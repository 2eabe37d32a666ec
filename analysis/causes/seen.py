"""What this run could have seen: the power to show a moderate case of each cause.

A verdict of "nothing found" is worth what could have been found. For every cause that the heater's
layout allows, moderate cases are drawn from the knowledge table (the effects with their spreads,
the family's own spread, this run's uncertainties), and ranked by the same rule that ranks the run
itself. The share of them in which the cause comes first, or a figure fails its limit, is the power
of this run (the power of a test: J. Neyman, E. S. Pearson, Phil. Trans. R. Soc. A 231 (1933) 289).
Figures that this run does not give take no part: what was not logged cannot show anything.

Draws are the same numbers every time, so that one run always gets one answer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.causes.cases import drawn_cases, space_of
from analysis.causes.engine import sign_chances, tailed
from analysis.causes.evidence import Evidence, Usual, compare, value_at
from analysis.causes.knowledge import NO_FAULT, CauseRow, knowledge
from analysis.figures import figures_by_name
from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.verdict import GUARD, SOUND
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

ENOUGH: Final = 0.8
"""Power from which a cause counts as one that could not have stayed unseen."""

DRAWS: Final = 16
"""Cases drawn for each row of the knowledge table: the power is known to about 0.1."""

MORE_DRAWS: Final = 32
"""Further cases of causes whose power may lie on either side of `ENOUGH`: known to about 0.06."""

NEAR: Final = 0.25
"""How near to `ENOUGH` a power, or to `MAX_UNSEEN` an unseen harm, is to be looked at again."""

MAX_UNSEEN: Final = 0.15
"""An unseen harm up to which a run may pass. Cases beyond a limit by a hair are among it: those
that would matter stay unseen less often (power 0.8 and more)."""


@dataclass(frozen=True)
class Seen:
    """One cause and how far this run could have shown it.

    Parameters
    ----------
    cause, title
        The contract's name, and the cause in plain words.
    power
        Probability that this run would have shown a moderate case: first cause, or a failed figure.
    unseen_harm
        Probability that a moderate case takes heat by more than a limit in force allows and would
        have passed all the same: no measured figure beyond its limit, not even within the guard
        band, and most likely nothing wrong. A run passes only where this is small for every cause.
    """

    cause: str
    title: str
    power: float
    unseen_harm: float

    @property
    def visible(self) -> bool:
        """Whether a moderate case could not have stayed unseen."""
        return self.power >= ENOUGH

    @property
    def blocks_pass(self) -> bool:
        """Whether the cause may be there, do harm and stay unseen."""
        return self.unseen_harm > MAX_UNSEEN


def could_show(
    evidence: Evidence,
    figures: Mapping[str, Measurement],
    usual: Usual,
    limits: Mapping[str, Limit],
    layout: str,
) -> tuple[Seen, ...]:
    """Power of a run for each cause its layout allows; `healthy` is left out.

    Parameters
    ----------
    evidence
        The run's figures and signs, for which of them there are and how sure they are.
    figures
        All figures of the run.
    usual
        What is usual for its family.
    limits
        Limits in force, by figure.
    layout
        Heater layout of the contract.
    """
    space = space_of(layout)
    run = _Run.of(evidence, figures, usual, limits)
    every = np.flatnonzero([row.name != NO_FAULT for row in space.rows])
    power, harm = _shares(_Cases(layout, run, every, DRAWS))
    found = _by_cause(layout, power, harm)
    near = [at for at, row in enumerate(every) if _is_near(found[space.rows[row].name])]
    if near:
        again = _shares(_Cases(layout, run, every[near], MORE_DRAWS))
        for old, new in zip((power, harm), again, strict=True):
            old[near] = (DRAWS * old[near] + MORE_DRAWS * new) / (DRAWS + MORE_DRAWS)
        found = _by_cause(layout, power, harm)
    return tuple(found.values())


def _is_near(seen: Seen) -> bool:
    return abs(seen.power - ENOUGH) < NEAR or 0.0 < seen.unseen_harm < MAX_UNSEEN + NEAR


def _shares(cases: _Cases) -> tuple[Floats, Floats]:
    """Share of each row's cases that show, and that do harm unseen, shape (rows,)."""
    shown, passes = cases.fail()
    # what a limit has caught need not be ranked
    open_ = np.flatnonzero(~shown)
    shown[open_], sound = cases.rank(open_)
    passes[open_] &= sound
    by_row = np.stack((shown, cases.harm() & passes)).reshape(2, -1, cases.draws)
    power, unseen_harm = by_row.mean(axis=2)
    return power, unseen_harm


@cache
def _forms(layout: str) -> tuple[tuple[CauseRow, Floats], ...]:
    """A row of each cause but `healthy`, and how common each of all such rows is among its own."""
    rows = [row for row in space_of(layout).rows if row.name != NO_FAULT]
    found = {}
    for row in reversed(rows):
        share = np.array([each.prior if each.name == row.name else 0.0 for each in rows])
        found[row.name] = row, share / share.sum()
    return tuple(found[name] for name in dict.fromkeys(row.name for row in rows))


def _by_cause(layout: str, power: Floats, harm: Floats) -> dict[str, Seen]:
    """Each cause, its rows weighed by how common they are."""
    return {
        row.name: Seen(row.name, row.title, float(share @ power), float(share @ harm))
        for row, share in _forms(layout)
    }


class _Limited(NamedTuple):
    """A figure with a limit.

    Parameters
    ----------
    name, place
        Of the figure, and where it stands in the knowledge table.
    limit
        The limit in force.
    u, sd
        Standard uncertainty in the run, and with the family's spread, on the table's scale.
    """

    name: str
    place: int
    limit: Limit
    u: float = 0.0
    sd: float = 0.0


@dataclass(frozen=True)
class _Run:
    """What cases are held against: one run's uncertainties, its family and its limits.

    Parameters
    ----------
    family_sd
        How far sound cars of the family differ in each figure, on the table's scale.
    ranked
        Places of the figures that are ranked by, and their `sd` as of `_Limited`.
    measured, harmful
        Figures that may fail a limit, and those that may take heat.
    """

    evidence: Evidence
    usual: Usual
    family_sd: Floats
    ranked: tuple[tuple[int, float], ...]
    measured: tuple[_Limited, ...]
    harmful: tuple[_Limited, ...]

    @classmethod
    def of(
        cls,
        evidence: Evidence,
        figures: Mapping[str, Measurement],
        usual: Usual,
        limits: Mapping[str, Limit],
    ) -> _Run:
        """Of one run."""
        table = knowledge()
        # a figure taken at another point than usual (road speed at the outlet) is no evidence
        counted = {table.figures[name].stands_for for name in evidence.figures}
        counted |= set(evidence.figures)
        ranked, measured, harmful = [], [], []
        for place, name in enumerate(table.figures):
            compared = compare(evidence, usual, name)
            if compared is not None:
                ranked.append((place, compared[1]))
            limit, found, figure = limits.get(name), figures.get(name), figures_by_name().get(name)
            if limit is None:
                continue
            if found is not None and found.value is not None and name in counted:
                u = found.without(limit.cancels).u or 0.0
                alone = replace(evidence, figures={name: (found.value, u)})
                compared = compare(alone, usual, name)
                if compared is not None:
                    measured.append(_Limited(name, place, limit, u, compared[1]))
            if figure is not None and figure.heat is not None:
                low = figure.heat == "low"
                one = Limit(limit.low, None, "") if low else Limit(None, limit.high, "")
                harmful.append(_Limited(name, place, one))
        bases = [
            max(abs(usual.center[name]), 1e-9) if scale.scale == "relative" else 1.0
            for name, scale in table.figures.items()
        ]
        family = np.array([usual.spread[name] for name in table.figures]) / bases
        return cls(evidence, usual, family, tuple(ranked), tuple(measured), tuple(harmful))

    def in_unit(self, name: str, away: Floats) -> Floats:
        """Figures that lie `away` from usual, in their own unit, in this run's air."""
        scale = knowledge().figures[name]
        times = self.evidence.running.times(self.usual.running, scale)
        return value_at(self.usual, name, away, self.evidence.air_degC, times)


class _Cases:
    """Moderate cases of rows of the knowledge table, as one run would have seen them.

    Parameters
    ----------
    layout, run
        What they are held against.
    rows, draws
        Which rows, and how many cases of each; even.
    """

    def __init__(self, layout: str, run: _Run, rows: NDArray[np.intp], draws: int) -> None:
        self.space, self.run, self.draws = space_of(layout), run, draws
        drawn = drawn_cases(layout, draws)
        own, harm, of_car, self.of_reading, self.moved, self.harmed = (
            each[:, rows].reshape(each.shape[0], -1) for each in drawn[:6]
        )
        self.case = np.repeat(self.space.moderate[rows], draws)
        self.uniform = drawn.uniform[rows].reshape(self.case.size, -1)
        # how far each figure of each case truly lies from usual, on the table's scale
        known = [self.space.rows[row].harms_unless in run.evidence.figures for row in rows]
        told = np.repeat(known, draws)
        harm, self.harmed = np.where(told, own, harm), np.where(told, self.moved, self.harmed)
        of_family = run.family_sd[:, None] * of_car
        self.truly_away, self.at_worst = own + of_family, harm + of_family

    def away(self, place: int, sd: float) -> Floats:
        """How far a figure is measured from usual, with `sd` of family and reading together."""
        error = math.sqrt(max(sd**2 - float(self.run.family_sd[place]) ** 2, 0.0))
        return np.asarray(self.truly_away[place] + error * self.of_reading[place])

    def rank(self, which: NDArray[np.intp]) -> tuple[Bools, Bools]:
        """Whether a case's own cause would have come first, and whether it would have seemed sound.

        Each of the shape of `which`.
        """
        space, run = self.space, self.run
        # hypotheses by cases; never 0 for the hypothesis that the case was drawn from
        weight = np.repeat(space.prior[:, None], which.size, axis=1)
        for place, sd in run.ranked:
            effect = space.effects[place]
            if effect.move.size == 1:  # all hypotheses say the same of it
                continue
            away = self.away(place, sd)[which]
            width = np.hypot(sd, effect.spread)[:, None]
            density = tailed((away - effect.move[:, None]) / width)
            density /= width
            weight *= density.take(effect.which, axis=0)
        told = [name for name, seen in run.evidence.signs.items() if seen is not None]
        if told:
            chance = sign_chances(space.signs, run.usual, told)
            seen = self.uniform[which, : len(told)] < chance[space.sign[self.case[which]]]
            likely = np.log(chance) @ np.where(seen, 1.0, 0.0).T
            likely += np.log1p(-chance) @ np.where(seen, 0.0, 1.0).T
            weight *= np.exp(likely).take(space.sign, axis=0)
        by_cause = space.of_cause @ weight
        sound = by_cause[space.names.index(NO_FAULT)] >= SOUND * by_cause.sum(axis=0)
        first = by_cause.argmax(axis=0) == space.cause[self.case[which]]
        return np.asarray(first), np.asarray(sound)

    def fail(self) -> tuple[Bools, Bools]:
        """Whether a measured figure would have failed its limit; whether all had kept theirs."""
        failed = np.zeros(self.case.size, dtype=np.bool_)
        kept = np.ones(self.case.size, dtype=np.bool_)
        for name, place, limit, u, sd in self.run.measured:
            value = self.run.in_unit(name, self.away(place, sd))
            failed |= self.moved[place] & _beyond(value, limit, GUARD * u)
            kept &= ~(self.moved[place] & _beyond(value, limit, 0.0))
        return failed, kept

    def harm(self) -> Bools:
        """Whether the case takes heat from the occupants by more than a limit allows."""
        harmed = np.zeros(self.case.size, dtype=np.bool_)
        for name, place, limit, _, _ in self.run.harmful:
            value = self.run.in_unit(name, self.at_worst[place])
            harmed |= self.harmed[place] & _beyond(value, limit, 0.0)
        return harmed


def _beyond(value: Floats, limit: Limit, guard: float) -> Bools:
    """Whether values lie beyond a limit by more than a guard band."""
    low = -math.inf if limit.low is None else limit.low
    high = math.inf if limit.high is None else limit.high
    return np.asarray((value < low - guard) | (value > high + guard))
