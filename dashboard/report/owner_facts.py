"""Figures as an owner reads them: whole numbers in plain sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from analysis.repair_verdict import KEY
from dashboard.report.subject import Subject
from dashboard.shown import conversion

if TYPE_CHECKING:
    from analysis.verdict import Judged

MOST_FACTS: Final = 4


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
    """

    sentence: str
    unit: str
    kin: str = "cars of this kind have {range}"
    least: str = "it should be at least {limit}"
    most: str = "it should be {limit} at most"


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
                               "temperature"),
    "thermostat_opening": Wording(
        "The engine starts to shed its warmth at {value}", "temperature",
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
    return told[:MOST_FACTS]


def _fact(name: str, subject: Subject) -> str | None:
    wording = WORDINGS[name]
    judged = subject.now.judged[name]
    value = judged.measurement.value
    if value is None:
        return None
    sentence = wording.sentence.format(value=_amount(value, wording.unit, subject.units))
    earlier = subject.before.figures[name].value if subject.before else None
    if earlier is not None:
        then = _amount(earlier, wording.unit, subject.units)
        now = _amount(value, wording.unit, subject.units)
        sentence += " (as before)" if then == now else f" ({then} before)"
    usual = _usual(name, wording, judged, subject)
    return f"{sentence}; {usual}." if usual else f"{sentence}."


def _usual(name: str, wording: Wording, judged: Judged, subject: Subject) -> str:
    if name in subject.family:
        ends = [_number(bound, wording.unit, subject.units) for bound in subject.family[name]]
        extent = " to ".join(dict.fromkeys(ends))
        return wording.kin.format(range=f"{extent}{_unit(wording.unit, subject.units)}")
    limit = judged.limit
    if limit is None:
        return ""
    low, high = limit.low, limit.high
    # of two limits the owner hears the one that is nearer
    if low is not None and (high is None or judged.measurement.known() < (low + high) / 2.0):
        return wording.least.format(limit=_amount(low, wording.unit, subject.units))
    return wording.most.format(limit=_amount(high or 0.0, wording.unit, subject.units))


def _amount(value: float, unit: str, units: str) -> str:
    return f"{_number(value, unit, units)}{_unit(unit, units)}"


def _number(value: float, unit: str, units: str) -> str:
    """Whole numbers: an owner reads no decimals."""
    if unit == "minutes":
        return f"{value / 60.0:.0f}"
    if unit == "share":
        return f"{100.0 * value:.0f}"
    shown = conversion(STORED.get(unit, unit), units)
    number = round(value * shown.factor + shown.offset) + 0.0
    return f"{number:.0f}".replace("-", "−")


STORED: Final = {"temperature": "°C", "warmer": "K", "seconds": "s"}


def _unit(unit: str, units: str) -> str:
    if unit in {"minutes", "seconds"}:
        return f" {unit}"
    if unit in {"temperature", "warmer"}:
        return " °F" if units == "us" else " °C"
    return " %" if unit == "share" else f" {conversion(unit, units).unit}"
