"""Which check to do next: the most expected information for each minute of work."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Final

from analysis.causes.knowledge import NO_FAULT, CheckRow, knowledge
from ingest.check_sheet import Outcome
from ingest.values import dataclass

AGAIN: Final = "measure_again"
ASK_FIRST: Final = "owner_interview"

CONFIRMED: Final = 0.7
"""A cause that its own check has found, and at least this probable, is repaired next."""

PROBABLY_SOUND: Final = 0.6
"""With the heater at least this probably sound, the owner is asked first."""

WORTH_NAMING: Final = 0.02
"""A less probable cause is not named as what a check decides."""

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
    why
        Why this one, in one sentence that ties it to the causes.
    """

    check: CheckRow
    bits: float
    bits_per_minute: float
    why: str = ""


def chance_found(check: CheckRow, cause: str) -> float:
    """Probability that a check finds something, given a cause."""
    return check.found.get(cause, check.false_alarm)


def expected_bits(check: CheckRow, probability: Mapping[str, float]) -> float:
    """Mutual information between a check's answer and the cause (Shannon), bits."""
    found = mean_noise = 0.0
    for cause, share in probability.items():
        chance = chance_found(check, cause)
        found += share * chance
        mean_noise += share * _entropy(chance)
    return max(0.0, _entropy(found) - mean_noise)


@lru_cache(maxsize=1024)  # the table holds a few dozen chances, asked for in every run
def _entropy(chance: float) -> float:
    if chance <= 0.0 or chance >= 1.0:
        return 0.0
    return -chance * math.log2(chance) - (1.0 - chance) * math.log2(1.0 - chance)


def propose(
    probability: Mapping[str, float], checked: Mapping[str, Outcome] | None = None
) -> NextCheck:
    """The next check, those already done left out, and why this one.

    Where a check has found the likeliest cause, the repair comes next; a cause that is nearly sure
    gets its own check; where nothing speaks against the heater, the owner is asked before anything
    is taken apart. Else the most expected information for each minute of work.

    Parameters
    ----------
    probability
        By cause.
    checked
        The check sheet: by check, whether it found something.
    """
    sheet = checked or {}
    table = knowledge()
    first = max(probability, key=lambda cause: probability[cause])
    likely = f"{_title(first)} ({100.0 * probability[first]:.0f} %)"
    own = table.check_row(table.row(first).check)
    if sheet.get(own.name) and probability[first] >= CONFIRMED:
        return _rated(
            table.check_row(AGAIN),
            probability,
            f"the check has found it: {likely}; after the repair only a new run proves it",
        )
    if probability.get(NO_FAULT, 0.0) >= PROBABLY_SOUND and ASK_FIRST not in sheet:
        return _rated(
            table.check_row(ASK_FIRST),
            probability,
            f"the likeliest is that {likely}: nothing is taken apart before the owner was asked",
        )
    if first != NO_FAULT and probability[first] >= CONFIRMED and own.name not in sheet:
        return _rated(own, probability, f"it confirms or clears the likeliest cause, {likely}")
    rows = [row for row in table.check if row.name not in sheet and row.name != AGAIN]
    if not rows:
        return _rated(
            table.check_row(AGAIN), probability, "every check of the sheet is done; measure again"
        )
    rated = [_rated(row, probability, "") for row in rows]
    best = max(each.bits_per_minute for each in rated)
    tied = [each for each in rated if each.bits_per_minute >= (1.0 - TIE) * best]
    chosen = min(tied, key=lambda each: each.check.order)
    return replace(chosen, why=_why(chosen.check, own, probability, likely))


def _why(chosen: CheckRow, own: CheckRow, probability: Mapping[str, float], likely: str) -> str:
    """What the chosen check decides, and why it goes before the likeliest cause's own."""
    about = [name for name in sorted(probability, key=lambda each: -probability[each])
             if name in chosen.found and probability[name] >= WORTH_NAMING]  # fmt: skip
    named = " or ".join(f"{_title(name)} ({100.0 * probability[name]:.0f} %)" for name in about[:2])
    if chosen.name == own.name:
        return f"no other check tells more in its {chosen.minutes:g} min about {likely}"
    settles = f"in {chosen.minutes:g} min it settles {named or 'what is left'}"
    return f"the likeliest is {likely}, whose own check takes {own.minutes:g} min; {settles} first"


def _title(cause: str) -> str:
    return knowledge().row(cause).title


def _rated(row: CheckRow, probability: Mapping[str, float], why: str) -> NextCheck:
    bits = expected_bits(row, probability)
    return NextCheck(row, bits, bits / row.minutes, why)
