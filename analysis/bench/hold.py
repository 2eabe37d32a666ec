"""An actuator, a line or a check valve that must hold vacuum: how fast it is lost."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from analysis.bench.registry import Answers, Asked, BenchFigure, part
from analysis.limits import Limit
from analysis.timeline.timeline import Timeline
from analysis.vacuum.study import RATE_UNIT, decay, study_vacuum
from ingest.run import Run

HOLD: Final = BenchFigure(
    "hold_decay",
    RATE_UNIT,
    "Loss of vacuum on the bench",
    "Initial rate at which a part and the hose to the gauge lose vacuum with the pump shut off "
    "(event vacuum_isolated), from the fit of the leak-down that vacuum_decay uses. In the small "
    "volume of a bench a leak tells faster than in a car with its reservoir.",
    "A leak driven by what is left decays as an exponential to a floor.",
    "That of the fitted initial rate with the gauge's scale; the mean of the leak-downs that agree "
    "with the first, weighted.",
)

MOST: Final = Limit(
    None, 3.4, "a sound diaphragm or valve loses at most 1 inHg in a minute: common practice"
)

SMALL: Final = "of this part with the hose to the gauge: a larger volume loses the same leak slower"


@part(
    "actuator",
    "check valve",
    figures=(HOLD,),
    sound="the part holds its vacuum",
)
def hold(run: Run) -> Answers:
    """How fast a part loses its vacuum (see `HOLD`)."""
    found = decay(study_vacuum(Timeline(run)))
    if found.value is None:
        return {HOLD.name: Asked(found, MOST)}
    note = f"{found.note}; {SMALL}" if found.note else SMALL
    return {HOLD.name: Asked(replace(found, note=note), MOST)}
