"""Figures as an owner reads them: whole numbers in plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from analysis.figures import OwnerWords, all_figures
from dashboard.report.subject import Subject
from dashboard.text.shown import conversion

if TYPE_CHECKING:
    from analysis.limits import Limit

MAX_FACTS: Final = 4


def worded() -> dict[str, OwnerWords]:
    """Figures that mean something to an owner, the most telling first."""
    words = {each.name: each.owner for each in all_figures() if each.owner is not None}
    return dict(sorted(words.items(), key=lambda each: each[1].rank))


def facts(subject: Subject) -> list[str]:
    """A few sentences with figures: warmth, warm-up, and whatever failed."""
    words = worded()
    failing = [
        name
        for name in words
        if any(
            each is not None and each.judged[name].verdict == "fail"
            for each in (subject.now, subject.before)
        )
    ]
    always = [name for name, each in words.items() if each.always]
    names = list(dict.fromkeys([*always, *failing]))
    told = [fact for name in names if (fact := _fact(name, words[name], subject))]
    if not told:
        return ["Nothing that an owner would notice could be measured in this test."]
    return told[:MAX_FACTS]


def _fact(name: str, wording: OwnerWords, subject: Subject) -> str | None:
    judged = subject.now.judged[name]
    value = _heard(judged.measurement.value, wording)
    if value is None:
        return None
    faster = "22 mph" if subject.us else "36 km/h"  # 10 m/s
    amount = _amount(value, wording.unit, subject.units)
    sentence = wording.sentence.format(value=amount, faster=faster)
    earlier = _heard(subject.before.figures[name].value, wording) if subject.before else None
    if earlier is not None:
        then = _amount(earlier, wording.unit, subject.units)
        now = _amount(value, wording.unit, subject.units)
        sentence += " (as before)" if then == now else f" ({then} before)"
    usual = _usual(name, wording, value, judged.limit, subject)
    return f"{sentence}; {usual}." if usual else f"{sentence}."


def _heard(value: float | None, wording: OwnerWords) -> float | None:
    """A figure with the sign an owner hears; None where the sentence would not be true of it."""
    if value is None or value * wording.sign < 0.0:
        return None
    return value * wording.sign


def _usual(
    name: str, wording: OwnerWords, value: float, limit: Limit | None, subject: Subject
) -> str:
    if name in subject.family:
        return wording.kin.format(range=_range(subject.family[name], wording, subject.units))
    if limit is None:
        return ""
    low, high = limit.low, limit.high
    if wording.sign < 0:
        low, high = (None if each is None else -each for each in (high, low))
    # of two limits the owner hears the one that is nearer
    if low is not None and (high is None or value < (low + high) / 2.0):
        return wording.least.format(limit=_amount(low, wording.unit, subject.units))
    return wording.most.format(limit=_amount(high or 0.0, wording.unit, subject.units))


def _range(family: tuple[float, float], wording: OwnerWords, units: str) -> str:
    """Smallest to largest of the family's good cars."""
    low, high = sorted(bound * wording.sign for bound in family)
    most = _amount(high, wording.unit, units)
    if low < 0.0 or _number(low, wording.unit, units) in {"0", "less than 1"}:
        return most if most.startswith("less") else f"{most} at most"
    least = _number(low, wording.unit, units)
    return most if least == _number(high, wording.unit, units) else f"{least} to {most}"


def _amount(value: float, unit: str, units: str) -> str:
    return f"{_number(value, unit, units)}{_unit(unit, units)}"


def _number(value: float, unit: str, units: str) -> str:
    """Whole numbers: an owner reads no decimals."""
    factor = {"minutes": 1.0 / 60.0, "share": 100.0}.get(unit)
    if factor is None:
        shown = conversion(STORED.get(unit, unit), units)
        number = value * shown.factor + shown.offset
    else:
        number = value * factor
    if 0.0 < number < 0.5:
        return "less than 1"
    return f"{round(number) + 0.0:.0f}".replace("-", "−")


STORED: Final = {"temperature": "°C", "warmer": "K", "seconds": "s"}


def _unit(unit: str, units: str) -> str:
    if unit in {"minutes", "seconds"}:
        return f" {unit}"
    if unit in {"temperature", "warmer"}:
        return " °F" if units == "us" else " °C"
    return " %" if unit == "share" else f" {conversion(unit, units).unit}"
