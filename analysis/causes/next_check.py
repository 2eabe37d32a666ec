"""Which check to do next: the most expected information for each minute of work."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from analysis.causes.knowledge import CheckRow, knowledge

TIE: Final = 0.15
"""Checks within this share of the best are a tie, and the order of the trade decides."""


@dataclass(frozen=True)
class NextCheck:
    """A proposed check.

    Parameters
    ----------
    check
        Its row of the table.
    bits
        Expected information, bits.
    bits_per_minute
        The same for each minute of work.
    """

    check: CheckRow
    bits: float
    bits_per_minute: float


def chance_found(check: CheckRow, cause: str) -> float:
    """Probability that a check finds something, given a cause."""
    return check.found.get(cause, check.false_alarm)


def expected_bits(check: CheckRow, probability: Mapping[str, float]) -> float:
    """Mutual information between a check's answer and the cause (Shannon), bits."""
    chances = {cause: chance_found(check, cause) for cause in probability}
    found = sum(probability[cause] * chances[cause] for cause in probability)
    mean_noise = sum(probability[cause] * _entropy(chances[cause]) for cause in probability)
    return max(0.0, _entropy(found) - mean_noise)


def _entropy(chance: float) -> float:
    if chance <= 0.0 or chance >= 1.0:
        return 0.0
    return -chance * math.log2(chance) - (1.0 - chance) * math.log2(1.0 - chance)


def propose(probability: Mapping[str, float], done: frozenset[str] = frozenset()) -> NextCheck:
    """The next check, those already done left out (unless all are).

    Parameters
    ----------
    probability
        By cause.
    done
        Names of checks already on the check sheet.
    """
    rows = [row for row in knowledge().check if row.name not in done] or list(knowledge().check)
    rated = [
        NextCheck(row, bits, bits / row.minutes)
        for row in rows
        for bits in (expected_bits(row, probability),)
    ]
    best = max(each.bits_per_minute for each in rated)
    tied = [each for each in rated if each.bits_per_minute >= (1.0 - TIE) * best]
    return min(tied, key=lambda each: each.check.order)
