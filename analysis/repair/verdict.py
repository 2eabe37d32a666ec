"""The one sentence on a repair, from the changes of the figures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, Literal

from analysis.causes.knowledge import NO_FAULT, knowledge
from analysis.figures import KEY_FIGURE, all_figures
from analysis.measurement import Measurement
from ingest.saying import Said, amount, plus_minus, say
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.pipeline import Analysis

Outcome = Literal["repaired", "improved", "unchanged", "worse", "cannot tell"]

SIGNIFICANT: Final = 2.0
"""A change counts where it is larger than this many of its standard uncertainties (95 %)."""

SIGNIFICANT_ELSEWHERE: Final = 3.0
"""The same for figures that nobody complained of: there are fifteen of them, and at 95 % one
would often seem to have changed by chance."""

PROBABLE: Final = 0.5
"""Where the log or the controls are to blame with this probability, nothing can be compared."""

PROBABLE_FAULT: Final = 0.4
"""The most probable cause, where it is at least this probable, is taken as the fault."""

NO_FAULTS: Final = frozenset({NO_FAULT, "control_use", "sensor_fault"})


MAX_NAMED: Final = 3

REPEAT: Final = "Repeat the test with the same plan and sensors."
"""What to do where nothing can be said."""


INSIDE: Final = 0.5
"""Probability from which a figure is more likely inside its limits than not."""


@dataclass(frozen=True)
class Change:
    """One figure before and after.

    Parameters
    ----------
    name, label, unit
        Of the figure.
    before, after
        As measured.
    change
        After minus before, the weather allowed for; without value where either is missing.
    scale
        Factor the earlier value was multiplied with for the weather (1 where not applicable).
    notable
        Smallest change that matters, in the figure's unit.
    direction
        +1 where the change is for the better, -1 for the worse, 0 for neither; says nothing of
        its size.
    failed_before, failed_after
        Against the limits in force.
    """

    name: str
    label: str
    unit: str
    before: Measurement
    after: Measurement
    change: Measurement
    scale: float
    notable: float
    direction: int
    failed_before: bool
    failed_after: bool

    @property
    def significant(self) -> bool:
        """Whether the change is larger than its uncertainty."""
        return self.change.value is not None and self.strength > SIGNIFICANT

    @property
    def strength(self) -> float:
        """Change in its own standard uncertainties; 0 where it was not measured."""
        if self.change.value is None:
            return 0.0
        return abs(self.change.value) / max(self.change.u or 0.0, 1e-12)

    @property
    def better(self) -> int:
        """+1 surely better, -1 surely worse, 0 neither or not sure."""
        return self.direction if self.significant else 0

    @property
    def matters(self) -> bool:
        """Whether it is sure, large enough to matter, and for the better or the worse."""
        if self.change.value is None or self.direction == 0:
            return False
        asked = self.failed_before or self.failed_after or self.name == KEY_FIGURE
        sure = SIGNIFICANT if asked else SIGNIFICANT_ELSEWHERE
        return self.strength > sure and abs(self.change.value) > self.notable

    @property
    def excluded(self) -> bool:
        """Whether a change that matters would have shown, and did not."""
        if self.change.value is None:
            return False
        expanded = SIGNIFICANT * (self.change.u or 0.0)
        reach = abs(self.change.value) + expanded
        return reach <= self.notable or (not self.significant and expanded <= self.notable)


def lead_cause(analysis: Analysis) -> str | None:
    """The fault of the heater a run points to; None where it points to none."""
    top = analysis.causes[0] if analysis.causes else None
    if top is None or top.cause in NO_FAULTS or top.probability < PROBABLE_FAULT:
        return None
    return top.cause


def verdict(changes: Sequence[Change], before: Analysis, after: Analysis) -> tuple[Outcome, str]:
    """Outcome and its sentence (SI)."""
    known = [change for change in changes if change.change.value is not None]
    unsure = _why_unsure(after, "later")
    if unsure:
        return "cannot tell", f"Cannot tell: {unsure}. {REPEAT}"
    unsure = _why_unsure(before, "earlier")
    if unsure:
        return "cannot tell", f"Cannot tell: {unsure}. {_alone(after)}"
    if not known:
        return "cannot tell", (f"Cannot tell: no figure was measured in both runs. {_alone(after)}")
    better = [change for change in known if change.matters and change.direction > 0]
    worse = [change for change in known if change.matters and change.direction < 0]
    cured = [
        change
        for change in known
        if change.failed_before and not change.failed_after and change.better > 0
    ]
    if worse and (any(change.name == KEY_FIGURE for change in worse) or not (better or cured)):
        return "worse", _told("Worse", _lead(worse), _still(changes))
    repaired = _repaired(changes, better, cured, before, after)
    if repaired:
        return "repaired", repaired
    if better or cured:
        aside = f"; worse: {_names(worse)}" if worse else ""
        return "improved", _told("Improved", _lead(cured or better), aside + _still(changes))
    return _no_change(changes, known)


def _repaired(
    changes: Sequence[Change],
    better: Sequence[Change],
    cured: Sequence[Change],
    before: Analysis,
    after: Analysis,
) -> str | None:
    """The sentence of a repair that worked; None where it cannot be said.

    Either all that failed passes now, or nothing failed but the fault the figures pointed to is
    gone; and nothing fails, and the later run points to no fault.
    """
    complaint = [change for change in changes if change.failed_before]
    if lead_cause(after) is not None or any(change.failed_after for change in changes):
        return None
    fault = lead_cause(before)
    if complaint:
        decided = [change for change in complaint if _holds(after, change.name)]
        missing = [change for change in complaint if change.after.value is None]
        proven = cured or [change for change in better if _shows(fault, change)]
        # what is missing must be of one fault with something that was seen to be cured
        vouched = all(_shows(fault, change) for change in missing) and (
            not missing or any(_shows(fault, change) for change in proven)
        )
        if not proven or not vouched or len(decided) + len(missing) < len(complaint):
            return None
        aside = f"; not measured after: {_names(missing)}" if missing else ""
        return _told("Repaired", _lead(proven), f"; {_within(after)}{aside}")
    top = after.causes[0].cause if after.causes else None
    if fault is None or top != NO_FAULT or not better:
        return None
    title = knowledge().row(fault).title
    return _told("Repaired", _lead(better), f"; the figures no longer say that {title}")


def _holds(after: Analysis, name: str) -> bool:
    """Whether a figure passes, or is more likely inside its limits in a run that passes as a whole.

    As a side figure within its guard band does not hold up a car, it does not hold up its repair.
    """
    judged = after.judged[name]
    inside = judged.verdict == "undecided" and (judged.conformance or 0.0) >= INSIDE
    return judged.verdict == "pass" or (after.verdict == "pass" and inside)


def _shows(fault: str | None, change: Change) -> bool:
    """Whether a figure is one that the fault moves."""
    return fault is not None and change.name in knowledge().row(fault).moves


def _no_change(changes: Sequence[Change], known: Sequence[Change]) -> tuple[Outcome, str]:
    complaint = [change for change in known if change.failed_before]
    asked = complaint or [change for change in known if change.name == KEY_FIGURE]
    fresh = [
        change
        for change in changes
        if change.failed_after and not change.failed_before and not change.excluded
    ]
    gone = [change for change in changes if change.failed_before and change not in known]
    if gone and not complaint:
        return "cannot tell", (
            f"Cannot tell: failed before and not measured after: {_names(gone)}. {REPEAT}"
        )
    if asked and not fresh and all(change.excluded for change in asked):
        return "unchanged", _told("Unchanged", _lead(asked), _still(changes))
    if complaint and not fresh and all(_stays(change) for change in complaint):
        word = "Unchanged, as far as can be told"
        return "unchanged", _told(word, _lead(complaint), _still(changes))
    new = [change.label for change in fresh if change not in known]
    if new:
        return "cannot tell", (
            f"Cannot tell: outside the limits now, and not measured before: {_listed(new).lower()}."
        )
    doubtful = [change for change in (*fresh, *asked) if change in known and not change.excluded]
    return "cannot tell", _told(
        "Cannot tell",
        _lead(doubtful or known),
        ", and the uncertainty leaves room for a change that matters. "
        "Measure again with the same sensors and a longer hold",
    )


def _stays(change: Change) -> bool:
    """Whether a figure that failed still fails, and no change of it is sure."""
    return change.failed_after and not change.significant


def _why_unsure(analysis: Analysis, which: str) -> str | None:
    """Why a run cannot be compared at all; None where it can."""
    top = analysis.causes[0] if analysis.causes else None
    if top is None or top.probability < PROBABLE:
        return None
    if top.cause == "sensor_fault":
        return f"in the {which} run the log is in doubt, not the heater"
    if top.cause == "control_use":
        return f"in the {which} run the controls stood otherwise than the test needs"
    return None


def _alone(after: Analysis) -> str:
    if after.verdict == "pass":
        return f"By itself the later run is good: {_within(after)}."
    failed = [
        each.label.lower() for each in all_figures() if after.judged[each.name].verdict == "fail"
    ]
    if failed:
        return f"In the later run outside the limits: {_listed(failed)}."
    return REPEAT


def _within(after: Analysis) -> str:
    words = {each.verdict for each in after.judged.values()}
    if after.verdict == "pass" and "undecided" not in words:
        return "every figure is now within its limits"
    return "no figure is now outside its limits"


def _still(changes: Sequence[Change]) -> str:
    failing = [change.label.lower() for change in changes if change.failed_after]
    return f"; outside the limits now: {_listed(failing)}" if failing else ""


def _names(changes: Sequence[Change]) -> str:
    return _listed([change.label.lower() for change in changes])


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(names[:MAX_NAMED])
    rest = len(names) - MAX_NAMED
    return f"{shown} and {rest} more" if rest > 0 else shown


def _lead(changes: Sequence[Change]) -> Change:
    """The change to speak of: one that was complained of, the owner's, the surest."""
    return max(
        changes, key=lambda each: (each.failed_before, each.name == KEY_FIGURE, each.strength)
    )


def _told(word: str, change: Change, more: str) -> Said:
    return say("{word}: {change}{more}.", word=word, change=_say(change), more=more)


def _say(change: Change) -> Said:
    number = ".2f" if change.unit in {"–", "-"} else ".1f"
    before = change.before.known() * change.scale
    weather = ", the weather allowed for," if change.scale != 1.0 else ""
    return say(
        "{label} was {before} before{weather} and is {after} after, a change of {change}",
        label=change.label.lower(),
        before=amount(before, number, change.unit),
        weather=weather,
        after=amount(change.after.known(), number, change.unit),
        change=plus_minus(
            change.change.known(), 2 * (change.change.u or 0.0), change.change.unit, "+"
        ),
    )
