"""An actuator, a line or a check valve that must hold vacuum: how fast it is lost, and where.

A line with several hoses is held again and again, each time with another hose end plugged and a
note of which: the step that stops the loss names the leak.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from analysis.bench.registry import Answers, Asked, BenchFigure, part
from analysis.limits import Limit
from analysis.timeline.timeline import Timeline
from analysis.vacuum.findings import leak_finding
from analysis.vacuum.study import RATE_UNIT, VacuumStudy, decay, study_vacuum
from ingest.run import Finding, Run
from ingest.saying import joined, say

HOLD: Final = BenchFigure(
    "hold_decay",
    RATE_UNIT,
    "Loss of vacuum on the bench",
    "Initial rate at which a part and the hose to the gauge lose vacuum with the pump shut off "
    "(event vacuum_isolated), from the fit of the leak-down that vacuum_decay uses. In the small "
    "volume of a bench a leak tells faster than in a car with its reservoir.",
    "p(t) = p_∞ + (p_0 − p_∞) · exp(−t / τ); rate = (p_0 − p_∞) / τ",
    "Without a vacuum gauge, or where the pump was never noted as shut off.",
    "A leak driven by what is left decays as an exponential to a floor.",
    "That of the fitted initial rate with the gauge's scale; the mean of the leak-downs that agree "
    "with the first, weighted.",
)

MOST: Final = Limit(
    None, 3.4, "a sound diaphragm or valve loses at most 1 inHg in a minute: common practice"
)

SMALL: Final = "of this part with the hose to the gauge: a larger volume loses the same leak slower"


def leaking_hose(run: Run) -> tuple[Finding, ...]:
    """Which hose end leaks, where they were plugged in turn."""
    found = leak_finding(study_vacuum(Timeline(run)))
    return () if found is None else (found,)


@part(
    "actuator",
    "check valve",
    "line",
    figures=(HOLD,),
    sound="the part holds its vacuum",
    look=leaking_hose,
)
def hold(run: Run) -> Answers:
    """How fast a part loses its vacuum (see `HOLD`)."""
    study = study_vacuum(Timeline(run))
    found = decay(study)
    if found.value is None:
        return {HOLD.name: Asked(found, MOST)}
    note = joined("; ", (found.note, _steps(study), SMALL))
    return {HOLD.name: Asked(replace(found, note=note), MOST)}


def _steps(study: VacuumStudy) -> str | None:
    """The loss of every step, where there were several, in the words they were noted with."""
    if len(study.isolations) < 2:
        return None
    return joined(
        ", ",
        [
            say(
                "{parts}: {rate:.1f kPa/min}",
                parts=step.parts or "nothing noted",
                rate=step.rate.known(),
            )
            for step in study.isolations
        ],
    )
