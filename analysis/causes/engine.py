"""From evidence to probabilities: Bayes over single causes and pairs, integrated over severity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, logsumexp

from analysis.causes.evidence import Evidence, Usual, compare
from analysis.causes.knowledge import SEVERITIES, hypotheses, knowledge
from analysis.causes.next_check import chance_found

Floats = NDArray[np.float64]

FREEDOM: Final = 6.0
"""Degrees of freedom of the t distribution residuals follow: cars of other kinds have longer tails
than a normal distribution allows."""

OUTLIER_SHARE: Final = 0.03
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
    used
        Figures and signs that took part.
    """

    probability: dict[str, float]
    explanations: tuple[tuple[tuple[str, ...], float], ...]
    severity: dict[str, float]
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
    total = np.log(space.prior)
    used: list[str] = []
    for place, name in enumerate(table.figures):
        comparison = compare(evidence, usual, name)
        if comparison is None:
            continue
        away, sd = comparison
        used.append(name)
        total = total + _log_density(away - space.moves[:, place], sd, space.spread[:, place])
    for place, name in enumerate(table.signs):
        seen = evidence.signs.get(name)
        if seen is None:
            continue
        used.append(name)
        chance = np.clip(_sign_chance(space.signs[:, place], name, usual), 1e-3, 1 - 1e-3)
        total = total + np.log(chance if seen else 1.0 - chance)
    for name, found in (checked or {}).items():
        row = table.check_row(name)
        chance = np.array([max(chance_found(row, one) for one in them) for them in space.members])
        total = total + np.log(chance if found else 1.0 - chance)[space.explanation]
    return _ranking(total, layout, tuple(used))


def _sign_chance(table_chance: Floats, name: str, usual: Usual) -> Floats:
    base = knowledge().signs[name].usual
    # the family's own rate of a sign stands in wherever the cause has no say
    return np.where(table_chance == base, usual.signs[name], table_chance)


def _log_density(residual: Floats, sd: float, spread: Floats) -> Floats:
    width = np.hypot(sd, spread)
    inner = _student(residual, width) + np.log1p(-OUTLIER_SHARE)
    outer = _student(residual, width * OUTLIER_WIDTH) + np.log(OUTLIER_SHARE)
    return np.asarray(np.logaddexp(inner, outer), dtype=np.float64)


_CONSTANT: Final = float(
    gammaln((FREEDOM + 1) / 2) - gammaln(FREEDOM / 2) - 0.5 * np.log(FREEDOM * np.pi)
)


def _student(residual: Floats, width: Floats) -> Floats:
    z = residual / width
    return _CONSTANT - np.log(width) - 0.5 * (FREEDOM + 1.0) * np.log1p(z * z / FREEDOM)


def _ranking(total: Floats, layout: str, used: tuple[str, ...]) -> Ranking:
    space = hypotheses(layout)
    weight = np.exp(total - logsumexp(total))
    by_explanation = np.bincount(space.explanation, weight, len(space.members))
    probability: dict[str, float] = {}
    for names, share in zip(space.members, by_explanation, strict=True):
        for name in names:
            probability[name] = probability.get(name, 0.0) + float(share) / len(names)
    order = sorted(probability, key=lambda name: -probability[name])
    explanations = sorted(
        (
            (names, float(share))
            for names, share in zip(space.members, by_explanation, strict=True)
            if share > 0.01
        ),
        key=lambda pair: -pair[1],
    )
    return Ranking(
        {name: probability[name] for name in order},
        tuple(explanations),
        _severities(weight, layout),
        used,
    )


def _severities(weight: Floats, layout: str) -> dict[str, float]:
    """Expected severity of each single cause, from the rows in which it stands alone."""
    space = hypotheses(layout)
    result: dict[str, float] = {}
    for index, names in enumerate(space.members):
        rows = np.flatnonzero(space.explanation == index)
        if len(names) == 1 and rows.size == SEVERITIES.size:
            share = weight[rows]
            if share.sum() > 0:
                result[names[0]] = float(share @ SEVERITIES / share.sum())
    return result
