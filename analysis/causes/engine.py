"""From evidence to probabilities: Bayes over single causes and pairs, integrated over severity."""

from __future__ import annotations

import math
from collections.abc import Mapping, Set
from functools import cache
from itertools import accumulate
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.causes.evidence import Evidence, Usual, compare
from analysis.causes.knowledge import (
    NO_FAULT,
    SEVERITIES,
    CauseRow,
    CheckRow,
    hypotheses,
    knowledge,
)
from analysis.causes.next_check import chance_found
from ingest.arrays import Bools, Floats
from ingest.check_sheet import MeasuredOutcome, Outcome
from ingest.values import dataclass

FREEDOM: Final = 6.0
"""Degrees of freedom of the t distribution residuals follow: cars of other kinds have longer tails
than a normal distribution allows."""

OUTLIER_SHARE: Final = 0.01
"""Share of figures that follow no rule at all."""

OUTLIER_WIDTH: Final = 8.0
"""How many times wider those scatter."""

FAILS_SOUND: Final = 0.3
"""What is left of the odds that a car is sound where it fails a limit in force: the ranking itself
does not know the limits, which good cars drew. From the structures of `benchmarks/ensemble.py
--part calibrate`, seeds 205 and 206: of 37 runs that failed and seemed sound to the ranking 6 were;
a factor that accuses none of them wrongly that it did not accuse already."""


@dataclass(frozen=True)
class Ranking:
    """Probabilities of the causes.

    Parameters
    ----------
    probability
        By cause; sums to 1. A pair's probability is shared by its two causes.
    by_explanation
        Probability of each explanation (one or two causes together) of `hypotheses(layout)`.
    layout
        Heater layout of the contract.
    severity
        Expected severity of each cause given that it is there (1 slight, 2 moderate, 3 severe).
    form
        The likeliest row of the knowledge table behind each cause.
    used
        Figures and signs that took part.
    """

    probability: dict[str, float]
    by_explanation: Floats
    layout: str
    severity: dict[str, float]
    form: dict[str, CauseRow]
    used: tuple[str, ...]

    def exactly(self, causes: Set[str]) -> float:
        """Probability that these causes are there, all of them and no other.

        A right result never lowers it for the causes that are there: what they say of the result
        is the most that any explanation says. Of one cause's own `probability` that does not hold,
        for a result also says with which others it comes.
        """
        members = hypotheses(self.layout).members
        return float(
            sum(
                share
                for rows, share in zip(members, self.by_explanation.tolist(), strict=True)
                if {row.name for row in rows} == causes
            )
        )


def rank(
    evidence: Evidence,
    usual: Usual,
    layout: str,
    checked: Mapping[str, Outcome] | None = None,
    *,
    failed: bool = False,
) -> Ranking:
    """Rank the causes of one run.

    Parameters
    ----------
    evidence
        The run's figures and signs.
    usual
        What is usual for its family.
    layout
        Heater layout of the contract.
    checked
        The check sheet: by check, whether it found something.
    failed
        Whether a figure fails a limit in force.
    """
    table = knowledge()
    space = hypotheses(layout)
    distinct = _distinct(layout)
    total = distinct.log_prior.copy()
    seen = [
        (effect, compared, name)
        for effect, name in zip(distinct.effects, table.figures, strict=True)
        if (compared := compare(evidence, usual, name)) is not None
    ]
    used = [name for _, _, name in seen]
    for (effect, _, _), density in zip(seen, _log_densities(seen), strict=True):
        total += density.take(effect.which)
    told = [name for name in table.signs if evidence.signs.get(name) is not None]
    used += told
    total += _sign_likelihood(distinct.patterns, evidence, usual, told).take(distinct.pattern)
    if failed:
        total[distinct.sound] += math.log(FAILS_SOUND)
    for name, found in (checked or {}).items():
        row = table.check_row(name)
        chance = np.array(
            [max(_chance(row, one.name, found) for one in them) for them in space.members]
        )
        total = total + np.log(chance if found else 1.0 - chance)[space.explanation]
    return _ranking(total, layout, tuple(used))


PRESENT: Final = 0.5
"""From this share on a cause means that the part itself, which its check looks at, is at fault."""


def _chance(row: CheckRow, cause: str, outcome: Outcome) -> float:
    """Probability that a check finds something, given a cause.

    What hands and eyes miss or imagine stands in the table. A part that was measured is at fault
    under its own causes and sound under those that have nothing to do with it, and the answer is
    wrong as often as the measurement says.
    """
    if not isinstance(outcome, MeasuredOutcome):
        return chance_found(row, cause)
    # what the whole check finds by the way, another part's doing, is not in the part measured
    fault = float(row.found.get(cause, 0.0) >= PRESENT)
    return outcome.error + (1.0 - 2.0 * outcome.error) * fault


class FigureEffect(NamedTuple):
    """The different effects that hypotheses have on one figure: most have none, or share one.

    Parameters
    ----------
    move, spread
        Of each different effect, shape (e,).
    which
        FigureEffect of each hypothesis, shape (h,).
    """

    move: Floats
    spread: Floats
    which: NDArray[np.intp]


class _Distinct(NamedTuple):
    """What hypotheses differ in.

    Parameters
    ----------
    log_prior
        Logarithm of their prior probability, shape (h,).
    effects
        By figure of the knowledge table.
    patterns
        The different chances of all signs that hypotheses give, shape (p, signs).
    pattern
        Which of them each gives, shape (h,).
    sound
        Which say that nothing is wrong, shape (h,).
    """

    log_prior: Floats
    effects: tuple[FigureEffect, ...]
    patterns: Floats
    pattern: NDArray[np.intp]
    sound: Bools


def different_effects(moves: Floats, spreads: Floats) -> tuple[FigureEffect, ...]:
    """The different effects on each figure, of moves and spreads of shape (h, figures)."""
    effects = []
    for move, spread in zip(moves.T.copy(), spreads.T.copy(), strict=True):
        # most have none, which need not be sorted
        some = np.flatnonzero((move != 0.0) | (spread != 0.0))
        different, which = np.unique(move[some] + 1j * spread[some], return_inverse=True)
        if some.size < move.size:
            different, which = np.concatenate(([0.0], different)), which + 1
        places = np.zeros(move.size, dtype=np.intp)
        places[some] = which
        effects.append(FigureEffect(different.real, different.imag, places))
    return tuple(effects)


@cache
def _distinct(layout: str) -> _Distinct:
    """Of one layout of heater (computed once)."""
    space = hypotheses(layout)
    effects = different_effects(space.moves, space.spread)
    # an explanation gives the same at all its severities
    begins = np.concatenate(([0], np.flatnonzero(np.diff(space.explanation)) + 1))
    places: dict[tuple[float, ...], int] = {}
    given = map(tuple, space.signs[begins].tolist())
    pattern = np.array([places.setdefault(each, len(places)) for each in given])
    sound = np.array([any(row.name == NO_FAULT for row in them) for them in space.members])
    return _Distinct(
        np.log(space.prior),
        effects,
        np.array(list(places)),
        pattern[space.explanation],
        sound[space.explanation],
    )


def _log_densities(seen: list[tuple[FigureEffect, tuple[float, float], str]]) -> list[Floats]:
    """Logarithm of the density of each figure seen, for each different effect on it.

    All figures are worked out in one piece: there are many, with few effects each.
    """
    if not seen:
        return []
    sizes = [effect.move.size for effect, _, _ in seen]
    away, sd = (np.repeat([compared[of] for _, compared, _ in seen], sizes) for of in (0, 1))
    move = np.concatenate([effect.move for effect, _, _ in seen])
    spread = np.concatenate([effect.spread for effect, _, _ in seen])
    density = log_density(away - move, sd, spread)
    return [density[end - size : end] for size, end in zip(sizes, accumulate(sizes), strict=True)]


def _sign_likelihood(patterns: Floats, evidence: Evidence, usual: Usual, told: list[str]) -> Floats:
    """Logarithm of how likely the signs are that could be told, for each pattern of chances."""
    chance = sign_chances(patterns, usual, told)
    seen = np.array([bool(evidence.signs[name]) for name in told], dtype=bool)
    return np.asarray(np.log(np.where(seen, chance, 1.0 - chance)).sum(axis=1))


def sign_chances(patterns: Floats, usual: Usual, told: list[str]) -> Floats:
    """How likely each sign is seen, for each pattern of chances, shape (patterns, len(told))."""
    signs = knowledge().signs
    order = list(signs)
    chance = patterns[:, [order.index(name) for name in told]]
    # the family's own rate of a sign stands in wherever the cause has no say
    base = np.array([signs[name].usual for name in told])
    chance = np.where(chance == base, np.array([usual.signs[name] for name in told]), chance)
    return np.minimum(np.maximum(chance, 1e-3), 1 - 1e-3)


def log_density(residual: Floats, sd: Floats, spread: Floats) -> Floats:
    """Logarithm of the density of a residual, on the scale of the knowledge table's moves.

    Parameters
    ----------
    residual
        How far a figure lies from where a hypothesis puts it.
    sd
        Standard uncertainty of the figure with its family's spread.
    spread
        Standard deviation of the hypothesis' effect.
    """
    width = np.hypot(sd, spread)
    return np.asarray(_CONSTANT - np.log(width) + np.log(tailed(residual / width)))


def tailed(away: Floats) -> Floats:
    """Density of a residual, up to a constant: `away` is how many of its widths it is from 0.

    Worked out in place: the cases of `analysis.causes.seen` are many, with many hypotheses each.
    """
    square: Floats = away * away
    square /= FREEDOM
    density = _falling(1.0 + square / OUTLIER_WIDTH**2)
    density *= OUTLIER_SHARE / OUTLIER_WIDTH
    square += 1.0
    usual = _falling(square)
    usual *= 1.0 - OUTLIER_SHARE
    density += usual
    return density


_CONSTANT: Final = (
    math.lgamma((FREEDOM + 1) / 2) - math.lgamma(FREEDOM / 2) - 0.5 * math.log(FREEDOM * math.pi)
)


def _falling(base: Floats) -> Floats:
    """How the t distribution of `FREEDOM` 6 falls: the base to the power of -7/2."""
    power: Floats = base * base
    power *= base
    power *= np.sqrt(base)
    return np.asarray(np.divide(1.0, power, out=power))


class _Parts(NamedTuple):
    """Which causes the explanations are made of, one entry for each row in each explanation.

    Parameters
    ----------
    names
        Causes, in the order in which they first appear.
    rows
        Row of the knowledge table, by entry.
    explanation, cause
        Its explanation and its cause in `names`, shape (entries,).
    share
        Its share of the explanation's probability, shape (entries,).
    alone
        Causes of the explanations by one cause at each severity.
    severities
        Where their hypotheses stand, shape (len(alone), severities).
    """

    names: tuple[str, ...]
    rows: tuple[CauseRow, ...]
    explanation: NDArray[np.intp]
    cause: NDArray[np.intp]
    share: Floats
    alone: tuple[str, ...]
    severities: NDArray[np.intp]


@cache
def _parts(layout: str) -> _Parts:
    """Of one layout of heater (computed once)."""
    space = hypotheses(layout)
    entries = [(index, row, len(rows)) for index, rows in enumerate(space.members) for row in rows]
    names = tuple(dict.fromkeys(row.name for _, row, _ in entries))
    # an explanation's hypotheses stand one after the other
    ends = np.cumsum(np.bincount(space.explanation)).tolist()
    alone = [
        (rows[0].name, range(begin, end))
        for begin, end, rows in zip([0, *ends], ends, space.members, strict=False)
        if len(rows) == 1 and end - begin == SEVERITIES.size
    ]
    return _Parts(
        names,
        tuple(row for _, row, _ in entries),
        np.array([index for index, _, _ in entries]),
        np.array([names.index(row.name) for _, row, _ in entries]),
        np.array([1.0 / together for _, _, together in entries]),
        tuple(name for name, _ in alone),
        np.array([where for _, where in alone]),
    )


def _ranking(total: Floats, layout: str, used: tuple[str, ...]) -> Ranking:
    space, parts = hypotheses(layout), _parts(layout)
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    summed = np.bincount(space.explanation, weight, len(space.members))
    by_explanation: Floats = summed.astype(np.float64)
    by_entry: Floats = by_explanation[parts.explanation]
    by_cause = np.bincount(parts.cause, by_entry * parts.share)
    probability = dict(zip(parts.names, by_cause.tolist(), strict=True))
    order = sorted(probability, key=lambda name: -probability[name])
    return Ranking(
        {name: probability[name] for name in order},
        by_explanation,
        layout,
        _severities(weight, parts),
        _likeliest_forms(by_entry, parts),
        used,
    )


def _likeliest_forms(by_entry: Floats, parts: _Parts) -> dict[str, CauseRow]:
    """The row behind each cause in its likeliest explanation, the first of those alike."""
    # the last entry written stays: the likeliest comes last, and of those alike the first
    rising = np.lexsort((-np.arange(by_entry.size), by_entry))
    best = np.zeros(len(parts.names), dtype=np.intp)
    best[parts.cause[rising]] = rising
    return {name: parts.rows[entry] for name, entry in zip(parts.names, best, strict=True)}


def _severities(weight: Floats, parts: _Parts) -> dict[str, float]:
    """Expected severity of each cause, from the rows in which it stands alone."""
    total: dict[str, float] = {}
    moment: dict[str, float] = {}
    shares = weight[parts.severities]
    sums, moments = shares.sum(axis=1).tolist(), (shares @ SEVERITIES).tolist()
    for name, share, first in zip(parts.alone, sums, moments, strict=True):
        total[name] = total.get(name, 0.0) + share
        moment[name] = moment.get(name, 0.0) + first
    return {name: moment[name] / total[name] for name in total if total[name] > 0}
