"""From evidence to probabilities: Bayes over single causes and pairs, integrated over severity."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.causes.evidence import Evidence, Usual, compare
from analysis.causes.knowledge import (
    SEVERITIES,
    CauseRow,
    Hypotheses,
    hypotheses,
    knowledge,
)
from analysis.causes.next_check import chance_found

Floats = NDArray[np.float64]

FREEDOM: Final = 6.0
"""Degrees of freedom of the t distribution residuals follow: cars of other kinds have longer tails
than a normal distribution allows."""

OUTLIER_SHARE: Final = 0.01
"""Share of figures that follow no rule at all."""

OUTLIER_WIDTH: Final = 8.0
"""How many times wider those scatter."""


@dataclass(frozen=True)
class Ranking:
    """Probabilities of the causes.

    Parameters
    ----------
    probability
        By cause; sums to 1. A pair's probability is shared by its two causes.
    explanations
        Probability of each explanation (one or two causes together), sorted, for those above 1 %.
    severity
        Expected severity of each cause given that it is there (1 slight, 2 moderate, 3 severe).
    form
        The likeliest row of the knowledge table behind each cause.
    used
        Figures and signs that took part.
    """

    probability: dict[str, float]
    explanations: tuple[tuple[tuple[str, ...], float], ...]
    severity: dict[str, float]
    form: dict[str, CauseRow]
    used: tuple[str, ...]


def rank(
    evidence: Evidence,
    usual: Usual,
    layout: str,
    checked: Mapping[str, bool] | None = None,
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
    """
    table = knowledge()
    space = hypotheses(layout)
    distinct = _distinct_effects(layout)
    total = np.log(space.prior)
    used: list[str] = []
    for place, name in enumerate(table.figures):
        comparison = compare(evidence, usual, name)
        if comparison is None:
            continue
        away, sd = comparison
        used.append(name)
        effect = distinct[place]
        total += _log_density(away - effect.move, sd, effect.spread)[effect.which]
    for place, name in enumerate(table.signs):
        seen = evidence.signs.get(name)
        if seen is None:
            continue
        used.append(name)
        chance = np.clip(_sign_chance(space.signs[:, place], name, usual), 1e-3, 1 - 1e-3)
        total = total + np.log(chance if seen else 1.0 - chance)
    for name, found in (checked or {}).items():
        row = table.check_row(name)
        chance = np.array(
            [max(chance_found(row, one.name) for one in them) for them in space.members]
        )
        total = total + np.log(chance if found else 1.0 - chance)[space.explanation]
    return _ranking(total, layout, tuple(used))


class _Effect(NamedTuple):
    """The different effects that hypotheses have on one figure: most have none, or share one.

    Parameters
    ----------
    move, spread
        Of each different effect, shape (e,).
    which
        Effect of each hypothesis, shape (h,).
    """

    move: Floats
    spread: Floats
    which: NDArray[np.intp]


@cache
def _distinct_effects(layout: str) -> tuple[_Effect, ...]:
    """By figure of the knowledge table (computed once)."""
    space = hypotheses(layout)
    effects = []
    for move, spread in zip(space.moves.T, space.spread.T, strict=True):
        different, which = np.unique(move + 1j * spread, return_inverse=True)
        effects.append(_Effect(different.real, different.imag, which))
    return tuple(effects)


def _sign_chance(table_chance: Floats, name: str, usual: Usual) -> Floats:
    base = knowledge().signs[name].usual
    # the family's own rate of a sign stands in wherever the cause has no say
    return np.where(table_chance == base, usual.signs[name], table_chance)


def _log_density(residual: Floats, sd: float, spread: Floats) -> Floats:
    width = np.hypot(sd, spread)
    inner = _student(residual, width) + np.log1p(-OUTLIER_SHARE)
    outer = _student(residual, width * OUTLIER_WIDTH) + np.log(OUTLIER_SHARE)
    return np.asarray(np.logaddexp(inner, outer), dtype=np.float64)


_CONSTANT: Final = (
    math.lgamma((FREEDOM + 1) / 2) - math.lgamma(FREEDOM / 2) - 0.5 * math.log(FREEDOM * math.pi)
)


def _student(residual: Floats, width: Floats) -> Floats:
    z = residual / width
    return _CONSTANT - np.log(width) - 0.5 * (FREEDOM + 1.0) * np.log1p(z * z / FREEDOM)


def _ranking(total: Floats, layout: str, used: tuple[str, ...]) -> Ranking:
    space = hypotheses(layout)
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    by_explanation = np.bincount(space.explanation, weight, len(space.members))
    probability: dict[str, float] = {}
    form: dict[str, tuple[float, CauseRow]] = {}
    for rows, share in zip(space.members, by_explanation.tolist(), strict=True):
        for row in rows:
            probability[row.name] = probability.get(row.name, 0.0) + share / len(rows)
            if row.name not in form or share > form[row.name][0]:
                form[row.name] = (share, row)
    order = sorted(probability, key=lambda name: -probability[name])
    explanations = sorted(
        (
            (tuple(row.name for row in rows), share)
            for rows, share in zip(space.members, by_explanation.tolist(), strict=True)
            if share > 0.01
        ),
        key=lambda pair: -pair[1],
    )
    return Ranking(
        {name: probability[name] for name in order},
        tuple(explanations),
        _severities(weight, space),
        {name: row for name, (_, row) in form.items()},
        used,
    )


def _severities(weight: Floats, space: Hypotheses) -> dict[str, float]:
    """Expected severity of each cause, from the rows in which it stands alone."""
    total: dict[str, float] = {}
    moment: dict[str, float] = {}
    for index, rows in enumerate(space.members):
        if len(rows) > 1:
            continue
        # an explanation's hypotheses stand one after the other
        share = weight[slice(*np.searchsorted(space.explanation, (index, index + 1)))]
        if share.size == SEVERITIES.size:
            name = rows[0].name
            total[name] = total.get(name, 0.0) + float(share.sum())
            moment[name] = moment.get(name, 0.0) + float(share @ SEVERITIES)
    return {name: moment[name] / total[name] for name in total if total[name] > 0}
