"""What to log, note or hold next time: what would tell the causes apart best, and each by itself.

The same expected information as for the next check (Shannon's mutual information between the answer
and the cause), with a figure that the run does not have as the answer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.causes.cases import Space, space_of
from analysis.causes.evidence import Evidence, Usual
from analysis.causes.knowledge import NO_FAULT, FigureScale, knowledge, rows_of
from analysis.causes.seen import ENOUGH, Seen
from ingest.arrays import Floats
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.measured import Measured

WORTH_BITS: Final = 0.03
"""Less expected information than this is not worth another test, bits."""

WORTH_SPREADS: Final = 1.0
"""A measurement that moves a cause by fewer spreads than this does not show it."""

GRID: Final = np.linspace(-4.0, 4.0, 33)
"""Where the density of an answer is worked out, in its widest spread about each end."""

FAMILY: Final = "family"


@dataclass(frozen=True)
class NextMeasurement:
    """A proposed measurement.

    Parameters
    ----------
    what, how
        In a technician's words.
    bits
        Expected information about the cause, bits.
    """

    what: str
    how: str
    bits: float


def missing_for(measured: Measured, evidence: Evidence) -> dict[str, frozenset[str]]:
    """What each figure that the run does not have would need, by figure.

    What is to be done counts as missing only where all that is to be logged and noted is there:
    then it is what was not done, or not long enough.
    """
    context = measured.context
    missing: dict[str, frozenset[str]] = {}
    replaced = {knowledge().figures[name].stands_for for name in evidence.figures}
    for name, scale in knowledge().figures.items():
        if name in evidence.figures or name in replaced:
            continue
        logged = set()
        for need in scale.needs:
            row = knowledge().measurement[need]
            if row.point is None:
                if need == "temp_lever" and not np.isfinite(context.lever).any():
                    logged.add(need)
            elif not context.has_any(*need.split("|")):
                logged.add(need)
        to_do = {
            need
            for need in scale.needs
            if knowledge().measurement[need].point is None and need != "temp_lever"
        }
        missing[name] = frozenset(logged or to_do)
    return missing


@cache
def _choices(missing: frozenset[frozenset[str]]) -> tuple[frozenset[str], ...]:
    """Sets of one or two things that would give at least one figure."""
    single = sorted({need for needs in missing for need in needs})
    pairs = [frozenset(pair) for pair in combinations(single, 2) if frozenset(pair) in missing]
    return (*(frozenset({need}) for need in single), *pairs)


def propose_measurement(
    probability: Mapping[str, float],
    missing: Mapping[str, frozenset[str]],
    usual: Usual,
    layout: str,
    between: frozenset[str] = frozenset(),
) -> NextMeasurement | None:
    """The measurement with the most expected information for each thing to be done.

    Where some causes stand between the run and a pass, the question is whether one of these is
    there or nothing is wrong, at even odds; else it is which of all causes is there.

    Parameters
    ----------
    probability
        By cause.
    missing
        By figure (see `missing_for`).
    usual
        What is usual for the family.
    layout
        Heater layout of the contract.
    between
        Causes that stand between the run and a pass.

    Returns
    -------
    NextMeasurement or None
        None where nothing would tell the causes apart.
    """
    space = space_of(layout)
    asked = _even(probability, between) if between else probability
    return _most(asked, missing, usual, space)


def _even(probability: Mapping[str, float], between: frozenset[str]) -> dict[str, float]:
    """Even odds of nothing wrong and one of these causes, which keep their odds to each other."""
    total = sum(probability.get(cause, 0.0) for cause in between)
    if total <= 0.0:
        return {NO_FAULT: 0.5, **dict.fromkeys(between, 0.5 / len(between))}
    share = {cause: 0.5 * probability.get(cause, 0.0) / total for cause in between}
    return {NO_FAULT: 0.5, **share}


def _most(
    probability: Mapping[str, float],
    missing: Mapping[str, frozenset[str]],
    usual: Usual,
    space: Space,
) -> NextMeasurement | None:
    """The measurement that tells most of these causes; None where none is worth it."""
    entropy = -sum(p * math.log2(p) for p in probability.values() if p > 0.0)
    share = _hypotheses(probability, space)
    bits = {name: _bits(name, share, usual, space) for name in missing}
    best: tuple[float, float, frozenset[str]] | None = None
    for choice in _choices(frozenset(missing.values())):
        left = 1.0
        for name, needs in missing.items():
            if needs <= choice:
                # each figure takes its share of what the others leave open
                left *= 1.0 - min(1.0, bits[name] / max(entropy, 1e-9))
        gained = entropy * (1.0 - left)
        rated = (gained / len(choice), gained, choice)
        if best is None or rated[0] > best[0]:
            best = rated
    if best is None or best[1] < WORTH_BITS:
        return None
    return NextMeasurement(in_words(best[2]), _how(best[2]), best[1])


def _hypotheses(probability: Mapping[str, float], space: Space) -> Floats:
    """Probability of each hypothesis: its cause's, shared out as before the run, shape (h,)."""
    by_cause = np.bincount(space.cause, space.prior)
    now = np.array([probability.get(name, 0.0) for name in space.names])
    return np.asarray(space.prior * (now / by_cause)[space.cause])


def _bits(name: str, share: Floats, usual: Usual, space: Space) -> float:
    """Mutual information between a figure and the cause, bits."""
    place = list(knowledge().figures).index(name)
    sd = typical_sd(knowledge().figures[name], usual, name)
    move, spread = space.moves[:, place], np.hypot(space.spreads[:, place], sd)
    if not move.any() and not space.spreads[:, place].any():
        return 0.0
    grid = np.unique(np.concatenate((move.min() + sd * GRID, move.max() + spread.max() * GRID)))
    widths = np.gradient(grid)
    effect = space.effects[place]
    wide = np.hypot(effect.spread, sd)[:, None]
    density = np.exp(-0.5 * ((grid - effect.move[:, None]) / wide) ** 2)
    density /= wide * math.sqrt(2.0 * math.pi)
    # each cause's share of each different effect
    shares = np.zeros((len(space.names), effect.move.size))
    np.add.at(shares, (space.cause, effect.which), share)
    by_cause = shares @ density
    causes = by_cause @ widths
    together = by_cause.sum(axis=0)
    return max(0.0, _entropy(causes) + _entropy(together * widths) - _entropy(by_cause * widths))


def _entropy(parts: Floats) -> float:
    known = parts[parts > 0.0]
    total = float(known.sum())
    if total <= 0.0:
        return 0.0
    known = known / total
    return float(-(known * np.log2(known)).sum())


def typical_sd(scale: FigureScale, usual: Usual, name: str, *, family: bool = False) -> float:
    """Spread of a figure that is not measured yet, on the scale of the table's moves.

    Parameters
    ----------
    scale, name
        The figure.
    usual
        What is usual for the family.
    family
        As it would be with good cars of the family at hand.
    """
    base = max(abs(usual.center[name]), 1e-9) if scale.scale == "relative" else 1.0
    # the smallest spread believed of a family is also about what a reading is sure to
    return math.hypot(2.0 * scale.floor if family else usual.spread[name] / base, scale.floor)


def needs_of(
    seen: Seen,
    missing: Mapping[str, frozenset[str]],
    evidence: Evidence,
    usual: Usual,
    layout: str,
) -> str | None:
    """The one measurement that would raise the power for a cause most, in words.

    Parameters
    ----------
    seen
        The cause and its power.
    missing
        By figure (see `missing_for`).
    evidence
        What the run has.
    usual
        What is usual for the family.
    layout
        Heater layout of the contract: other layouts' forms of the cause show nothing here.

    Returns
    -------
    str or None
        None where the power is high enough, and where nothing would raise it.
    """
    if seen.power >= ENOUGH:
        return None
    table = knowledge()
    rows = [row for row in rows_of(layout) if row.name == seen.cause]
    common = sum(row.prior for row in rows)

    def apart(names: list[str], *, family: bool = False) -> float:
        """How many spreads the cause moves these figures, its forms weighed by how common."""
        return sum(
            row.prior
            / common
            * math.sqrt(
                sum(
                    (
                        row.moves[name][1]
                        / typical_sd(table.figures[name], usual, name, family=family)
                    )
                    ** 2
                    for name in names
                    if name in row.moves
                )
            )
            for row in rows
        )

    rated = [
        (apart([name for name, needs in missing.items() if needs <= choice]) / len(choice), choice)
        for choice in _choices(frozenset(missing.values()))
    ]
    here = [name for name in evidence.figures if usual.count.get(name, 0) == 0]
    if here:
        gain = apart(here, family=True) - apart(here)
        rated.append((gain, frozenset({FAMILY})))
    if not rated:
        return None
    best, choice = max(rated, key=lambda each: each[0])
    return in_words(choice) if best >= WORTH_SPREADS else None


def in_words(choice: frozenset[str]) -> str:
    """What is to be logged, noted or held."""
    return " and ".join(knowledge().measurement[need].what for need in sorted(choice))


def _how(choice: frozenset[str]) -> str:
    return " ".join(knowledge().measurement[need].how for need in sorted(choice))
