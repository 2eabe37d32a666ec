"""Units: every factor against pint, and the spellings loggers use."""

from __future__ import annotations

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.points import QUANTITIES
from ingest.sensors.units import KNOWN, UnknownUnit, conversion, same_unit, value_with_unit

REGISTRY = pint.UnitRegistry()
STORED = {quantity.name: quantity.unit for quantity in QUANTITIES.values()} | {
    "resistance": "ohm",
    "length": "m",
}

SPELLINGS = {
    "degC": ["°C", "℃", "deg C", "DegC", "degrees C", "Celsius", "Â°C", "[°C]", "(degC)", "ºC"],
    "degF": ["°F", "℉", "deg F", "degF", "Fahrenheit", "° F"],
    "kelvin": ["K", "Kelvin"],
    "kPa": ["kPa", "KPA", "kpa"],
    "inHg": ["inHg", '"Hg', "in Hg", "in. Hg", "in-Hg", "INHG"],
    "mmHg": ["mmHg", "mm Hg"],
    "mbar": ["mbar", "mBar", "millibar"],
    "bar": ["bar", "Bar"],
    "psi": ["psi", "PSI", "lb/in²"],
    "km/h": ["km/h", "kmh", "kph", "KM/H", "km/hr"],
    "mph": ["mph", "MPH", "mi/h"],
    "m/s": ["m/s", "m/sec"],
    "rpm": ["rpm", "RPM", "1/min", "U/min", "tr/min", "r/min", "min-1", "rev/min"],
    "V": ["V", "Volts", "VDC", "V DC"],
    "mV": ["mV", "mv", "millivolts"],
    "uV": ["uV", "µV", "μV", "microvolts"],
    "percent": ["%", "percent", "pct", "Percent"],
    "ohm": ["ohm", "Ω", "Ohms", "Ω"],
    "kohm": ["kΩ", "kohm"],
}


@pytest.mark.parametrize("name", KNOWN)
def test_factors_are_pints(name: str) -> None:
    known = KNOWN[name]
    at = [0.0, 100.0]
    found = [REGISTRY.Quantity(x, name).to(STORED[known.dimension]).magnitude for x in at]
    if known.dimension == "position":
        found = [100.0 * REGISTRY.Quantity(x, name).to("").magnitude for x in at]
    assert [x * known.factor + known.offset for x in at] == pytest.approx(found, rel=1e-8, abs=1e-9)


@pytest.mark.parametrize(
    ("spelling", "name"), [(text, name) for name, texts in SPELLINGS.items() for text in texts]
)
def test_spellings(spelling: str, name: str) -> None:
    assert conversion(spelling) == KNOWN[name]


def test_inches_of_mercury_are_the_conventional_ones() -> None:
    # NIST SP 811, appendix B: inch of mercury, conventional, 3.386389 kPa
    assert conversion("inHg").factor == pytest.approx(3.386389, abs=5e-7)
    assert 20.0 * conversion('"Hg').factor == pytest.approx(67.7278, abs=1e-4)


def test_bare_letters_are_temperatures_only_where_the_channel_is_one() -> None:
    assert conversion("F", "temperature") == KNOWN["degF"]
    assert conversion("C", "temperature") == KNOWN["degC"]
    assert conversion("C", "voltage").dimension == "other"
    assert conversion("F").dimension == "other"


@pytest.mark.parametrize(
    ("text", "reference"),
    [
        ("psia", "absolute"), ("psig", "gauge"), ("kPa abs", "absolute"), ("kPa(a)", "absolute"),
        ("bar(g)", "gauge"), ("mbar rel", "gauge"), ("inHg vac", "vacuum"), ("kPa", None),
        ("in Hg vacuum", "vacuum"), ("kPa absolute", "absolute"),
    ],
)  # fmt: skip
def test_what_a_pressure_counts_from(text: str, reference: str | None) -> None:
    found = conversion(text, "pressure")
    assert (found.dimension, found.reference) == ("pressure", reference)


@pytest.mark.parametrize(
    "text",
    ["", " ", "quux", "MV", "MPA", "vac", "l/100km", "Hz", "rad/s", "degC abs", "12", "m**9**9**9",
     "K" * 60, "__import__('os')", "€", "°", "left"],
)  # fmt: skip
def test_no_unit_is_guessed(text: str) -> None:
    with pytest.raises(UnknownUnit):
        conversion(text)


def test_pint_knows_the_rest() -> None:
    assert conversion("degR").factor == pytest.approx(5.0 / 9.0)
    assert conversion("kV").factor == pytest.approx(1000.0)
    assert conversion("mile/hour").factor == pytest.approx(0.44704)
    assert conversion("g/s").dimension == "other"


def test_values_with_units() -> None:
    assert value_with_unit("23.5 degC", "temperature") == 23.5
    assert value_with_unit("74.3 F", "temperature") == pytest.approx(23.5)
    assert value_with_unit("-3,5 °C", "temperature") == -3.5
    assert value_with_unit("29.12 inHg", "pressure") == pytest.approx(98.6116, abs=1e-3)
    assert value_with_unit("1000 ft", "length") == pytest.approx(304.8)
    for text, dimension in [
        ("23.5", "temperature"), ("warm", "temperature"), ("300 m", "pressure"),
        ("98 kPa", "length"), ("", "length"), ("5 quux", "length"),
    ]:  # fmt: skip
        with pytest.raises(UnknownUnit):
            value_with_unit(text, dimension)


def test_same_unit() -> None:
    assert same_unit("°C", "deg C")
    assert same_unit("C", "°C", "temperature")
    assert not same_unit("psi", "psia")
    assert not same_unit("°C", "°F")
    assert same_unit("quux", " quux ")
    assert not same_unit("quux", "K")


@given(st.text(max_size=30))
def test_any_text_is_a_unit_or_unknown(text: str) -> None:
    try:
        found = conversion(text, "temperature")
    except UnknownUnit:
        return
    assert found.factor != 0.0
