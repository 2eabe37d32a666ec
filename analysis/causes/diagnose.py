"""The causes of one run, ranked and explained, and the check to do next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from analysis.causes.cable import Cable, cable_state
from analysis.causes.engine import Ranking, rank
from analysis.causes.evidence import Evidence, Usual, against_good
from analysis.causes.explain import reasons
from analysis.causes.knowledge import CABLE_CAUSES, knowledge, layout_of
from analysis.causes.next_check import NextCheck, propose
from analysis.causes.next_measurement import missing_for, needs_of
from analysis.causes.seen import Seen, could_show
from analysis.limits import Limit
from ingest.check_sheet import Outcome
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.measured import Measured


@dataclass(frozen=True)
class Cause:
    """One cause with its probability and why.

    Parameters
    ----------
    cause
        The contract's name.
    title
        In plain words.
    probability
        Over all causes; they sum to 1.
    evidence
        Sentences naming figures, values and what is usual.
    next_check
        The check that confirms or clears it, in one sentence.
    """

    cause: str
    title: str
    probability: float
    evidence: tuple[str, ...]
    next_check: str


@dataclass(frozen=True)
class Diagnosis:
    """Ranked causes and the next check.

    Parameters
    ----------
    causes
        Sorted by probability.
    next_check
        The check with the most expected information for each minute.
    ranking
        The numbers behind.
    cable
        How the control cable stands; None where the lever's travel was not measured.
    seen
        How far this run could have shown each cause.
    needs
        By cause, what would raise a low power most.
    missing
        What each figure that the run does not have would need, by figure.
    usual
        What is usual for the family.
    """

    causes: tuple[Cause, ...]
    next_check: NextCheck
    ranking: Ranking
    cable: Cable | None
    seen: tuple[Seen, ...]
    needs: Mapping[str, str | None]
    missing: Mapping[str, frozenset[str]]
    usual: Usual


def diagnose(
    measured: Measured,
    evidence: Evidence,
    limits: Mapping[str, Limit],
    good: Sequence[Evidence] = (),
    checked: Mapping[str, Outcome] | None = None,
    *,
    failed: bool = False,
) -> Diagnosis:
    """Rank and explain the causes of a run.

    Parameters
    ----------
    measured
        The run and its figures.
    evidence
        What it tells (`analysis.causes.evidence.evidence_of`).
    limits
        Limits in force, by figure.
    good
        Evidence of the same family's good cars; the table's defaults stand in for none.
    checked
        The check sheet: by check, whether it found something.
    failed
        Whether a figure fails its limit.
    """
    usual = Usual.of(good, measured.run.setup.run.heater)
    evidence = against_good(evidence, good)
    layout = layout_of(measured.run.setup.run, standing=evidence.running.stood)
    ranking = rank(evidence, usual, layout, checked, failed=failed)
    table = knowledge()
    cable = cable_state(measured, usual)
    causes = []
    for name, probability in ranking.probability.items():
        row = ranking.form[name]
        said = reasons(row, measured, evidence, usual, ranking) if probability > 0.01 else ()
        if name in CABLE_CAUSES and cable is not None and said:
            said = (*said, cable.sentence)
        causes.append(
            Cause(
                name,
                f"{row.title}: {row.form}" if row.form else row.title,
                probability,
                said,
                table.check_row(row.check).title,
            )
        )
    proposed = propose(ranking.probability, checked)
    seen = could_show(evidence, measured.figures, usual, limits, layout)
    missing = missing_for(measured, evidence)
    return Diagnosis(
        tuple(causes),
        proposed,
        ranking,
        cable,
        seen,
        {each.cause: needs_of(each, missing, evidence, usual, layout) for each in seen},
        missing,
        usual,
    )
