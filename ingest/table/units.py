"""Recognises units written in a log: in a row of their own, in a column's name, inside a cell.

This module only tells whether a word *is* a unit and cleans its spelling (degree signs that were
encoded twice or in a DOS code page). What the unit means is decided elsewhere.
"""

from __future__ import annotations

import re
import tomllib
from functools import lru_cache
from importlib import resources
from typing import Final

_DEGREES: Final = re.compile(
    r"Ã‚Â°|Â°|Â°|Â\?|â„|Ã‚Âº|Âº|º|˚|ᵒ|�(?=[CFK]\b)|\?(?=[CFK]\b)|ø(?=[CFK]\b)"
)
_MICRO: Final = re.compile(r"Âµ|Î¼|μ")

LOGGER_WORDS: Final[dict[str, list[str]]] = tomllib.loads(
    resources.files("ingest.table").joinpath("words.toml").read_text(encoding="utf-8")
)
_ANY_CASE: Final = frozenset(LOGGER_WORDS["units_any_case"])
_AS_NAMES: Final = frozenset(LOGGER_WORDS["units_as_names"])
_CASE: Final = frozenset(LOGGER_WORDS["units_exact"])
_DATE_PART: Final = r"(?:y{2,4}|j{2,4}|a{4}|m{1,3}|d{1,3}|t{1,2}|h{1,2}|s{1,3})"
_DATE_WORD: Final = re.compile(
    rf"(?i)^{_DATE_PART}(?:[-./: ,]{_DATE_PART}){{1,6}}(?:[.,][fsm0x]{{1,6}})?"
    r"(?: ?(?:am/pm|[ap]m))?$"
)
_LONGEST_NAME: Final = 200
_BRACKETS: Final = re.compile(
    r"^(?P<name>.*?)\s*[\[({<](?P<unit>[^\[\](){}<>]{1,16}(?:\(\w{1,5}\))?)[\])}>]\s*$"
)
_SUFFIX: Final = re.compile(
    r"(?i)^(?P<name>.*?\w.*?)(?:\s*[,;:/|]\s*|\s+in\s+|\s+|_)"
    r"(?P<unit>(?:°\s?[CFK]|deg\.?\s?[CFK]|k?pa|mbar|bar|psi|[mu]v|volts?|km/h|kmh|kph|mph"
    r"|rpm|[u1r]/min|min-1|in\.?\s?hg|mmhg|inh2o|%|pct|percent|celsius|fahrenheit|m/s|msec|ms|sec|seconds)(?:\s(?:abs|gauge|rel))?)$"
)
_TIME_SUFFIX: Final = re.compile(
    r"(?i)^(?P<name>t(?=\W*_?\W*s$)|(?:elapsed|run|up|log|test)?[ _]?time|elapsed|clock|zeit|tijd"
    r"|temps|tiempo|tempo|tid)(?:\s*[,;:/]\s*|\s+|_)(?P<unit>s|h|min|us|µs)$"
)
_EPOCH: Final = re.compile(r"(?i)(?:^|[^a-z])(?:epoch|unix)")
_GLUED_DEGREE: Final = re.compile(r"^(?P<name>.*?[^\s_])\s*(?P<unit>°\s?[CFK]?)$")
_SLASH: Final = re.compile(r"^(?P<name>.*\S)\s*/\s*(?P<unit>[^\s/]{1,8}(?:/[^\s/]{1,4})?)$")
_NOTHING: Final = frozenset(
    {"", "-", "--", "---", "n/a", "na", "none", "null", "[]", "()", "[-]"}
    | {"unit", "units", "einheit", "einheiten", "unité", "unités", "unidad", "unità", "eenheid"}
)


@lru_cache(maxsize=4096)
def clean_unit(text: str) -> str:
    """Spelling of a unit without brackets and without mojibake, else as it was written."""
    word = text.strip().strip("\"'").strip()
    if len(word) > 2 and word[0] in "[({<" and word[-1] in "])}>":
        word = word[1:-1].strip()
    word = _MICRO.sub("µ", _DEGREES.sub("°", word)).replace("℃", "°C").replace("℉", "°F")
    return re.sub(r"°\s+(?=[CFK]$)", "°", word)


def demangle(text: str) -> str:
    """A name with its degree and micro signs put right, for comparing names."""
    return _MICRO.sub("µ", _DEGREES.sub("°", text)).replace("℃", "°C").replace("℉", "°F")


def names_no_unit(text: str) -> bool:
    """Whether a cell of a units row says that there is no unit."""
    return text.strip().lower() in _NOTHING


@lru_cache(maxsize=4096)
def is_unit(text: str) -> bool:
    """Whether a word is the spelling of a unit, or of a date or time pattern."""
    word = clean_unit(text)
    if not word or len(word) > 24:
        return False
    plain = word.replace(" ", "")
    if plain in _CASE or plain.lower() in _ANY_CASE:
        # one capital letter more often names a channel; those that are units are in _CASE
        return len(plain) > 1 or plain in _CASE or not plain.isupper()
    if re.fullmatch(r"(?i)deg\.?[cfk]?|°[cfk]?|deg(?:ree)?s?[cfk]?", plain):
        return True
    return len(plain) > 3 and bool(_DATE_WORD.match(word))


@lru_cache(maxsize=16384)
def split_unit(name: str) -> tuple[str, str | None]:
    """Part a column's name from the unit written in it.

    ``"CH1 (mV)"`` → ``("CH1", "mV")``; ``"Temp °C"`` → ``("Temp", "°C")``; where what stands in
    the brackets is no unit (``"T1 (left)"``), the whole name comes back with None. A name that is
    nothing but a unit (``"rpm"``) keeps it. Mojibake is put right in both parts.
    """
    text = name.strip()
    if len(text) > _LONGEST_NAME or is_unit(text):
        known = clean_unit(text).replace(" ", "").lower() in _AS_NAMES
        return text, clean_unit(text) if known else None
    text = demangle(text)
    found = _BRACKETS.match(text)
    if found:
        unit = clean_unit(found["unit"])
        if is_unit(unit):
            return found["name"].strip(), _since_1970(found["name"], unit)
        return text, None
    for pattern in (_SUFFIX, _TIME_SUFFIX, _GLUED_DEGREE, _SLASH):
        found = pattern.match(text)
        if found and is_unit(found["unit"]):
            bare = found["name"].strip().rstrip(",;:/|_").strip()
            return bare, _since_1970(bare, clean_unit(found["unit"]))
    return text, None


def unit_of_name(name: str) -> str | None:
    """The unit written in a column's name, None where there is none that is sure.

    ``CH1 (K)`` may be a thermocouple of type K as well as kelvin; ``[K]`` is how units are written.
    """
    unit = split_unit(name)[1]
    return None if unit == "K" and not name.rstrip().endswith("[K]") else unit


def _since_1970(bare: str, unit: str) -> str:
    """The unit, or the unit of times since 1970 where the name says that."""
    return f"epoch {unit}" if unit in ("s", "ms") and _EPOCH.search(bare) else unit
