"""Numbers and names as people read them: units, rounding, words. Used by every screen and page.

Stored numbers are SI. For readers of US units a temperature becomes °F, a difference of
temperatures is multiplied by 1.8 and also written °F, vacuum becomes inHg and speeds mph.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from typing import Any, Final

from ingest.saying import Said, Shown, place_beside, rounding_place

COVERAGE: Final = 2.0
"""Coverage factor of every ± shown."""

INHG_KPA: Final = 3.386389
"""Conventional inch of mercury at 0 °C, kPa (NIST SP 811, appendix B)."""

MPH_M_S: Final = 0.44704
"""One mile an hour, m/s (exact)."""

LARGEST_PLAIN: Final = 1e6


US: Final[Mapping[str, Shown]] = {
    "°C": Shown("°F", 1.8, 32.0),
    "degC": Shown("°F", 1.8, 32.0),
    "K": Shown("°F", 1.8),
    "±degC": Shown("°F", 1.8),
    "K/min": Shown("°F/min", 1.8),
    "kPa": Shown("inHg", 1.0 / INHG_KPA),
    "kPa/min": Shown("inHg/min", 1.0 / INHG_KPA),
    "m/s": Shown("mph", 1.0 / MPH_M_S),
    "K per 10 m/s": Shown("°F per 10 mph", 1.8 * MPH_M_S),
}

SI: Final[Mapping[str, Shown]] = {
    "degC": Shown("°C"),
    "–": Shown(""),
}


def conversion(unit: str, units: str) -> Shown:
    """How a stored unit is shown to readers of ``si`` or ``us``; unknown units stay as they are."""
    table = US if units == "us" else SI
    return table.get(unit) or SI.get(unit) or Shown(unit)


def value_and_uncertainty(value: float, expanded: float | None) -> tuple[str, str]:
    """Round an expanded uncertainty to two significant digits and the value to the same place.

    The usual rule (JCGM 100:2008, 7.2.6). Without an uncertainty, or with none to speak of, the
    value has four significant digits and the second text is empty.
    """
    place = None if expanded is None else rounding_place(expanded)
    if expanded is None or place is None:
        return plain(value), ""
    return at_place(value, place), at_place(expanded, place)


def at_place(value: float, place: int) -> str:
    """A number rounded to so many decimals (tens are -1), zeros at its end kept."""
    return f"{round(value, place) + 0.0:.{max(0, place)}f}"


def beside(value: float, expanded: float | None) -> str:
    """A number that stands beside a value of this expanded uncertainty, such as its limit.

    Rounded to the same place, zeros behind the point left out; to three significant digits where
    there is no uncertainty.
    """
    text = at_place(value, place_beside(value, expanded))
    return text.rstrip("0").rstrip(".") if "." in text else text


def plain(value: float) -> str:
    """A number to four significant digits without an exponent where that can be read."""
    if value == 0.0:
        return "0"
    if not 1e-4 <= abs(value) < LARGEST_PLAIN:
        return f"{value:.3g}"
    digits = max(0, 3 - math.floor(math.log10(abs(value))))
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def figure_text(figure: Mapping[str, Any], units: str) -> str:
    """A figure of the result document as ``46.2 ± 1.8 K`` (± at `COVERAGE`); empty without value.

    Parameters
    ----------
    figure
        An entry of the document's ``figures``.
    units
        ``si`` or ``us``.
    """
    if figure.get("value") is None:
        return ""
    shown = conversion(str(figure.get("unit") or ""), units)
    standard = figure.get("u")
    expanded = None if standard is None else COVERAGE * float(standard) * shown.factor
    value, spread = value_and_uncertainty(
        float(figure["value"]) * shown.factor + shown.offset, expanded
    )
    return " ".join(part for part in (value, f"± {spread}" if spread else "", shown.unit) if part)


def said_in(text: object, units: str) -> str:
    """A sentence of the analysis for a reader of ``si`` or ``us``, safe to print (see `clean`).

    Only the quantities that the sentence itself carries are converted (`ingest.saying`). Text that
    someone wrote, and any other plain text, stays as it is.
    """
    if units == "us" and isinstance(text, Said):
        return clean(text.written(_said_unit))
    return clean(text)


def _said_unit(unit: str) -> Shown:
    return conversion(unit, "us")


def limit_text(figure: Mapping[str, Any], units: str) -> str:
    """A figure's limits as ``38 or more``, ``12 or less``, ``82 to 95``; empty without any."""
    limit = figure.get("limit") or {}
    shown = conversion(str(figure.get("unit") or ""), units)
    standard = figure.get("u")
    expanded = None if standard is None else COVERAGE * float(standard) * shown.factor
    low, high = (
        None
        if limit.get(side) is None
        else beside(limit[side] * shown.factor + shown.offset, expanded)
        for side in ("low", "high")
    )
    if low is not None and high is not None:
        return f"{low} to {high}"
    if low is not None:
        return f"{low} or more"
    return f"{high} or less" if high is not None else ""


def words(name: str) -> str:
    """A name of the contract as words: ``steady_outlet_rise`` is "steady outlet rise"."""
    return clean(name).replace("_", " ").replace("warm up ", "warm-up ")


def figure_name(name: str) -> str:
    """A figure's name in words; of one that every channel has, the channel first."""
    figure, _, channel = name.partition(".")
    return f"{words(channel)}: {words(figure)}" if channel else words(figure)


SIGNS: Final[Mapping[str, str]] = {
    "pass": "✓",
    "fail": "✕",
    "undecided": "?",
    "not measured": "–",
}
"""The sign of each verdict; the word always stands beside it."""


def clean(text: object) -> str:
    """Text from a log or set-up with whatever could steer a terminal or a line made visible.

    Control and format characters (line ends, escape sequences, marks that turn the writing
    direction) become a middle dot; everything else stays.
    """
    return "".join("·" if unicodedata.category(mark) in UNPRINTABLE else mark for mark in str(text))


UNPRINTABLE: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories that are not shown as they are."""


def clock(seconds: float) -> str:
    """Time from engine start as minutes and seconds, ``5:10``; negative before the start."""
    whole = round(abs(seconds))
    sign = "-" if seconds < 0 and whole else ""
    return f"{sign}{whole // 60}:{whole % 60:02d}"


def span(from_s: float | None, to_s: float | None) -> str:
    """A stretch of the run as ``5:10 to 5:18``; empty where it is the whole run."""
    if from_s is None:
        return ""
    if to_s is None or round(to_s) == round(from_s):
        return f"at {clock(from_s)}"
    return f"{clock(from_s)} to {clock(to_s)}"
