"""Figures as an owner reads them: whole numbers in plain sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from analysis.repair.verdict import KEY
from dashboard.report.subject import Subject
from dashboard.text.shown import conversion

if TYPE_CHECKING:
    from analysis.limits import Limit

MAX_FACTS: Final = 4


@dataclass(frozen=True, slots=True)
class Wording:
    """How one figure is told to an owner.

    Parameters
    ----------
    sentence
        With ``{value}``.
    unit
        Unit of the figures as an owner reads them; ``temperature`` and ``warmer`` stand for a
        temperature and a difference of two.
    kin
        How the family's range is told, with ``{range}``.
    least, most
        How a lower and an upper limit are told, with ``{limit}``.
    sign
        -1 where an owner hears the opposite: colder by 5 for a change of -5.
    """

    sentence: str
    unit: str
    kin: str = "cars of this kind have {range}"
    least: str = "it should be at least {limit}"
    most: str = "it should be {limit} at most"
    sign: int = 1


WORDINGS: Final[Mapping[str, Wording]] = {
    KEY: Wording(
        "At full hot the air from the heater is {value} warmer than the air outside", "warmer",
        kin="cars of this kind reach {range}",
    ),
    "warm_up_time": Wording(
        "Warm air arrived after {value}", "minutes", kin="cars of this kind take {range}",
        most="it should take {limit} at most",
    ),
    "coolant_plateau": Wording("The engine itself, which heats the heater, runs at {value}",
                               "temperature", kin="cars of this kind run at {range}"),
    "thermostat_opening": Wording(
        "The engine starts to shed its warmth at {value}", "temperature",
        kin="cars of this kind do at {range}",
        least="it should keep it up to {limit} at least",
    ),
    "cold_end_rise": Wording(
        "With the lever at cold the air is still {value} warmer than outside", "warmer"
    ),
    "dead_travel_cold": Wording(
        "At its cold end {value} of the temperature lever's travel does nothing", "%"
    ),
    "dead_travel_hot": Wording(
        "At its hot end {value} of the temperature lever's travel does nothing", "%"
    ),
    "effective_travel": Wording("{value} of the temperature lever's travel has an effect", "%"),
    "lever_hysteresis": Wording("The temperature lever has {value} of play", "%"),
    "response_time": Wording("The air follows the temperature lever within {value}", "seconds"),
    "fluctuation_index": Wording("The warm air comes and goes by {value}", "%"),
    "core_effectiveness": Wording(
        "The heater hands on {value} of the warmth that the engine offers it", "share"
    ),
    "footwell_deficit": Wording(
        "At the feet it is {value} colder than at the heater's outlet", "warmer"
    ),
    "speed_sensitivity": Wording(
        "For every {faster} faster it gets {value} colder at the feet", "warmer", sign=-1
    ),
    "coolant_drop": Wording(
        "The engine's hot water cools by {value} on its way through the heater", "warmer"
    ),
    "vacuum_decay": Wording(
        "The suction that moves the heater's doors is lost at {value}", "kPa/min"
    ),
    "vacuum_source_low": Wording(
        "The suction that moves the heater's doors falls to {value}", "kPa"
    ),
}  # fmt: skip
"""Figures that mean something to an owner, the most telling first."""


def facts(subject: Subject) -> list[str]:
    """A few sentences with figures: warmth, warm-up, and whatever failed."""
    failing = [
        name
        for name in WORDINGS
        if any(
            each is not None and each.judged[name].verdict == "fail"
            for each in (subject.now, subject.before)
        )
    ]
    names = list(dict.fromkeys([KEY, "warm_up_time", *failing]))
    told = [fact for name in names if (fact := _fact(name, subject))]
    if not told:
        return ["Nothing that an owner would notice could be measured in this test."]
    return told[:MAX_FACTS]


def _fact(name: str, subject: Subject) -> str | None:
    wording = WORDINGS[name]
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


def _heard(value: float | None, wording: Wording) -> float | None:
    """A figure with the sign an owner hears; None where the sentence would not be true of it."""
    if value is None or value * wording.sign < 0.0:
        return None
    return value * wording.sign


def _usual(name: str, wording: Wording, value: float, limit: Limit | None, subject: Subject) -> str:
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


def _range(family: tuple[float, float], wording: Wording, units: str) -> str:
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
