"""Units as logs write them, and their conversion into the stored units.

The spellings loggers use are looked up in a table whose factors are kept here, so that pint (slow
to import) is asked only for the others; a test holds every factor of the table against pint.
Nothing is guessed from the size of numbers. A bare ``C`` or ``F`` is a temperature only where the
channel is one, since elsewhere it would be coulomb or farad.

``inHg`` is the conventional inch of mercury (0 °C, 13 595.1 kg/m³), 3.386389 kPa.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from typing import Final

from ingest.points import QUANTITIES
from ingest.values import dataclass


class UnknownUnit(ValueError):  # noqa: N818 - a state of the text, as its readers name it
    """A text that is no unit, or one that could be two."""


@dataclass(frozen=True, slots=True)
class Conversion:
    """How readings in a unit become readings in the stored one: ``stored = raw * factor + offset``.

    Parameters
    ----------
    dimension
        ``temperature``, ``pressure``, ``speed``, ``rotation``, ``voltage``, ``position`` (stored
        units of `ingest.points`), ``resistance`` (ohm), ``length`` (m), or ``other`` (kept as
        it is).
    factor, offset
        Of the conversion; ``mV`` has the factor 0.001, since voltages are stored in V.
    reference
        ``absolute``, ``gauge`` or ``vacuum`` where the text itself says so (``psia``, ``kPa abs``).
    """

    dimension: str
    factor: float
    offset: float = 0.0
    reference: str | None = None


_MMHG: Final = 0.133322387415
_KELVIN_PER_F: Final = 5.0 / 9.0

KNOWN: Final[dict[str, Conversion]] = {
    "degC": Conversion("temperature", 1.0),
    "degF": Conversion("temperature", _KELVIN_PER_F, -32.0 * _KELVIN_PER_F),
    "kelvin": Conversion("temperature", 1.0, -273.15),
    "kPa": Conversion("pressure", 1.0),
    "Pa": Conversion("pressure", 1e-3),
    "hPa": Conversion("pressure", 0.1),
    "MPa": Conversion("pressure", 1e3),
    "bar": Conversion("pressure", 100.0),
    "mbar": Conversion("pressure", 0.1),
    "psi": Conversion("pressure", 6.894757293168361),
    "inHg": Conversion("pressure", 25.4 * _MMHG),
    "mmHg": Conversion("pressure", _MMHG),
    "cmHg": Conversion("pressure", 10.0 * _MMHG),
    "torr": Conversion("pressure", 101.325 / 760.0),
    "inH2O": Conversion("pressure", 25.4 * 9.80665e-3),
    "mmH2O": Conversion("pressure", 9.80665e-3),
    "cmH2O": Conversion("pressure", 9.80665e-2),
    "atm": Conversion("pressure", 101.325),
    "kgf/cm**2": Conversion("pressure", 98.0665),
    "m/s": Conversion("speed", 1.0),
    "km/h": Conversion("speed", 1.0 / 3.6),
    "mph": Conversion("speed", 0.44704),
    "knot": Conversion("speed", 1852.0 / 3600.0),
    "ft/s": Conversion("speed", 0.3048),
    "ft/min": Conversion("speed", 0.3048 / 60.0),
    "rpm": Conversion("rotation", 1.0),
    "revolution/s": Conversion("rotation", 60.0),
    "V": Conversion("voltage", 1.0),
    "mV": Conversion("voltage", 1e-3),
    "uV": Conversion("voltage", 1e-6),
    "percent": Conversion("position", 1.0),
    "ohm": Conversion("resistance", 1.0),
    "kohm": Conversion("resistance", 1e3),
    "m": Conversion("length", 1.0),
    "km": Conversion("length", 1e3),
    "ft": Conversion("length", 0.3048),
}
"""Conversions by pint's name of the unit."""

_SPELLINGS: Final[dict[str, str]] = {
    "degC": "degc °c deg.c celsius degreec degreesc degcelsius degreecelsius degreescelsius"
    " centigrade gradc",
    "degF": "degf °f deg.f fahrenheit degreef degreesf degfahrenheit degreefahrenheit"
    " degreesfahrenheit",
    "kelvin": "k kelvin kelvins degk °k",
    "kPa": "kpa kilopascal kilopascals",
    "Pa": "pa pascal pascals",
    "hPa": "hpa hectopascal",
    "MPa": "megapascal",
    "bar": "bar bars",
    "mbar": "mbar millibar mb",
    "psi": "psi lb/in2 lb/in² lbf/in2 lbf/in² lbs/in2",
    "inHg": 'inhg in.hg in-hg inchhg incheshg "hg ″hg ”hg inofhg inchesofmercury inchmercury',
    "mmHg": "mmhg mm.hg mm-hg",
    "cmHg": "cmhg",
    "torr": "torr",
    "inH2O": 'inh2o "h2o inwc in.wc inh₂o inwg in.h2o',
    "mmH2O": "mmh2o mmwc mmh₂o mmws",
    "cmH2O": "cmh2o cmwc cmh₂o",
    "atm": "atm",
    "kgf/cm**2": "kgf/cm2 kgf/cm² kp/cm2 at",
    "m/s": "m/s ms-1 m·s-1 m*s-1 mps m/sec meter/s metre/s m.s-1 ms^-1",
    "km/h": "km/h kmh kph kmph km/hr km/std kmh-1 km·h-1 km*h-1",
    "mph": "mph mi/h mile/h miles/h miles/hour mi/hr",
    "knot": "kn kt kts knot knots",
    "ft/s": "ft/s fps ft/sec",
    "ft/min": "ft/min fpm",
    "rpm": "rpm r/min 1/min min-1 min^-1 /min rev/min revs/min u/min tr/min rot/min rev./min rpms"
    " min⁻¹ giri/min obr/min omw/min tpm",
    "revolution/s": "rev/s r/s rps rev/sec",
    "V": "v volt volts vdc vdc. v= vac",
    "mV": "mv millivolt millivolts mvdc",
    "uV": "uv μv microvolt microvolts uvdc μvdc",
    "percent": "% percent pct %travel prozent percents",
    "ohm": "ohm ohms ω",
    "kohm": "kohm kohms kω",
    "m": "m meter meters metre metres",
    "km": "km",
    "ft": "ft feet foot",
}
# Case is ignored above; these are the ones where it makes the difference.
_EXACT: Final[dict[str, str]] = {"MPa": "MPa", "KPA": "kPa", "HPA": "hPa"}
_AMBIGUOUS: Final[dict[str, str]] = {
    "MV": "mV or megavolt",
    "MPA": "MPa or mPa",
    "vac": "volts of alternating current or a vacuum",
}
_BARE: Final[dict[str, str]] = {"c": "degC", "f": "degF"}
_SPELLED: Final = {
    spelling: name for name, line in _SPELLINGS.items() for spelling in line.split()
} | {name.casefold(): name for name in KNOWN if name not in {"MPa"}}

_REFERENCE: Final = re.compile(
    r"^(?P<unit>.*?[\w\"″”₂²)])\s*[(\[]?\s*(?P<word>abs(?:olute)?\.?|gau?ge|gage|rel\.?|vac(?:uum)?\.?)\s*[)\]]?$",
    re.IGNORECASE,
)
_REFERENCE_WORDS: Final = {
    "abs": "absolute",
    "gau": "gauge",
    "gag": "gauge",
    "rel": "gauge",
    "vac": "vacuum",
}
_REFERENCE_LETTER: Final = re.compile(r"^(psi|bar|mbar|kpa|hpa|pa)\s*[(\[]?\s*([ag])\s*[)\]]?$")
_UNIT_LIKE: Final = re.compile(r"[A-Za-zµμ°%Ω][\wµμ°%Ω/*^. -]{0,30}")
_POWER_OF_POWER: Final = re.compile(r"\d{3}|\*\*|\^[^A-Za-z/*]*\^")
"""No unit has one, and ``m^9^9^9`` would keep pint's whole-number arithmetic busy for ever."""

_NUMBER: Final = re.compile(r"^\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(.*)$")


def conversion(text: str, quantity: str | None = None) -> Conversion:
    """How readings in the unit `text` become readings in the stored unit.

    Parameters
    ----------
    text
        The unit as the log or the set-up writes it.
    quantity
        Name of the channel's quantity, where it is known; it decides what a bare C or F is.

    Returns
    -------
    Conversion
        Its `dimension` need not be `quantity`: that is for the caller to judge.

    Raises
    ------
    UnknownUnit
        Where the text is no unit, or could be two.
    """
    return _conversion(_tidy(text), quantity == "temperature")


@cache
def _conversion(tidy: str, temperature: bool) -> Conversion:  # noqa: FBT001 - cached, private
    if tidy in _AMBIGUOUS:
        raise UnknownUnit(f"{tidy} may be {_AMBIGUOUS[tidy]}")
    known = _known(tidy, temperature=temperature)
    if known is not None:
        return known
    letter = _REFERENCE_LETTER.match(tidy.casefold())
    word = _REFERENCE.match(tidy)
    if letter:
        base = _known(letter[1], temperature=False)
        reference = "absolute" if letter[2] == "a" else "gauge"
    elif word:
        base = _known(word["unit"].strip(), temperature=False)
        reference = _REFERENCE_WORDS[word["word"].casefold()[:3]]
    else:
        return _ask_pint(tidy)
    if base is None or base.dimension != "pressure":
        raise UnknownUnit(f"{tidy!r} is not a unit")
    return Conversion(base.dimension, base.factor, base.offset, reference)


def _known(tidy: str, *, temperature: bool) -> Conversion | None:
    folded = re.sub(r"\s+", "", tidy).casefold()
    name = _EXACT.get(tidy) or _SPELLED.get(folded)
    if name is None and temperature:
        name = _BARE.get(folded)
    return KNOWN[name] if name else None


def _tidy(text: str) -> str:
    """One spelling for what encodings and keyboards made of it."""
    tidy = text.strip().replace("Ã‚Â°", "°").replace("Â°", "°").replace("\ufffd", "°")
    tidy = tidy.replace("º", "°").replace("˚", "°").replace("Ω", "Ω").replace("Âµ", "μ")
    tidy = unicodedata.normalize("NFKC", tidy.replace("µ", "μ"))  # also takes ℃ and ℉ apart
    if len(tidy) > 2 and (tidy[0], tidy[-1]) in {("(", ")"), ("[", "]"), ("{", "}"), ("<", ">")}:
        tidy = tidy[1:-1].strip()
    return tidy


@cache
def _ask_pint(tidy: str) -> Conversion:
    """Conversion of a unit only pint knows."""
    if not _UNIT_LIKE.fullmatch(tidy) or _POWER_OF_POWER.search(tidy):
        raise UnknownUnit(f"{tidy!r} is not a unit")
    registry = _registry()
    try:
        unit = registry.Unit(tidy)
        for quantity in QUANTITIES.values():
            if unit.dimensionality == registry.Unit(quantity.unit).dimensionality:
                low, high = (
                    registry.Quantity(x, unit).to(quantity.unit).magnitude for x in (0.0, 1.0)
                )
                return Conversion(_dimension(quantity.name, tidy), float(high - low), float(low))
    except UnknownUnit:
        raise
    except Exception as error:
        # pint's parser raises whatever its parts raise on a text that is no unit
        raise UnknownUnit(f"{tidy!r} is not a unit") from error
    return Conversion("other", 1.0)


def _dimension(found: str, tidy: str) -> str:
    # per minute, radians and parts of one look alike to pint, and differ by 2 pi or 100
    if found in {"rotation", "position"}:
        raise UnknownUnit(f"{tidy!r} says no clear speed of rotation or position")
    return found


@cache
def _registry():  # type: ignore[no-untyped-def]
    import pint  # takes longer to import than everything else here

    return pint.UnitRegistry()


def same_unit(one: str, other: str, quantity: str | None = None) -> bool:
    """Whether two texts mean the same unit; texts that are no unit are the same if equal."""
    try:
        return conversion(one, quantity) == conversion(other, quantity)
    except UnknownUnit:
        return one.strip() == other.strip()


def value_with_unit(text: str, dimension: str) -> float:
    """Read a number with its unit, e.g. ``23.5 degC``, into the stored unit of a dimension.

    Parameters
    ----------
    text
        Number and unit.
    dimension
        What it must be: a dimension of `Conversion`.

    Raises
    ------
    UnknownUnit
        Where there is no number, no unit, or one of another dimension.
    """
    number, unit = split_number(text)
    found = conversion(unit, dimension)
    if found.dimension != dimension:
        raise UnknownUnit(f"{text!r} is a {found.dimension}, not a {dimension}")
    return number * found.factor + found.offset


def split_number(text: str) -> tuple[float, str]:
    """Part a number from the unit behind it.

    Raises
    ------
    UnknownUnit
        Where there is no number, or no unit.
    """
    match = _NUMBER.match(text)
    if match is None:
        raise UnknownUnit(f"{text!r} is not a number with a unit")
    if not match[2].strip():
        raise UnknownUnit(f"{text!r} has no unit")
    return float(match[1].replace(",", ".")), match[2]
