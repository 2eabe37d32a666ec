"""Strptime patterns, made into the expressions that whole columns are read with."""

from __future__ import annotations

import re
from typing import Final

from ingest.clock.text import ZONE, TextFormat, compiled

_DIRECTIVES: Final = {
    "Y": r"(?P<Y>\d{4})",
    "y": r"(?P<y>\d\d)",
    "m": r"(?P<m>\d{1,2})",
    "d": r"(?P<d>\d{1,2})",
    "e": r"(?P<d>\d{1,2})",
    "j": r"(?P<j>\d{1,3})",
    "b": r"(?P<b>[A-Za-z]{3,9})\.?",
    "B": r"(?P<b>[A-Za-z]{3,9})\.?",
    "a": r"[^\W\d]+\.?",
    "A": r"[^\W\d]+\.?",
    "H": r"(?P<H>\d{1,2})",
    "I": r"(?P<I>\d{1,2})",
    "M": r"(?P<M>\d{1,2})",
    "S": r"(?P<S>\d{1,2})",
    "f": r"(?P<f>\d{1,9})",
    "p": r"(?P<p>[AP])\.?M\.?",
    "z": ZONE,
    "Z": r"(?P<Z>[A-Za-z]+)",
    "%": "%",
}
_COMPOSITE: Final = {
    "%T": "%H:%M:%S",
    "%F": "%Y-%m-%d",
    "%D": "%m/%d/%y",
    "%R": "%H:%M",
    "%r": "%I:%M:%S %p",
    "%.f": ".%f",
}


class PatternError(ValueError):
    """A strptime pattern that cannot be used; the message says which part."""


def strptime_format(pattern: str) -> TextFormat:
    """Format of a strptime pattern.

    Directives of Python's strptime that are independent of the locale, English month names, and
    fractions of any length for ``%f``. Where a fraction follows the seconds (``%S.%f``), times on
    whole seconds may be written without it.

    Raises
    ------
    PatternError
        Where a directive is unknown or the pattern holds no time of day.
    """
    for short, long in _COMPOSITE.items():
        pattern = pattern.replace(short, long)
    parts: list[str] = []
    seen: set[str] = set()
    rest = pattern
    while rest:
        directive = re.match(r"%[-#_0]?[3569]?(.)", rest)
        if directive is not None:
            letter = directive[1]
            if letter not in _DIRECTIVES:
                raise PatternError(f"directive {directive[0]}")
            group = re.search(r"\?P<(\w+)>", _DIRECTIVES[letter])
            if group is not None and group[1] in seen:
                raise PatternError(f"directive {directive[0]} twice")
            seen |= {group[1]} if group is not None else set()
            parts.append(_DIRECTIVES[letter])
            rest = rest[directive.end() :]
        elif rest[0] == "%":
            raise PatternError("a single % at its end")
        elif rest[0].isspace():
            rest = rest.lstrip()
            parts.append(r"\s*")
        elif re.match(r"[.,]%[369]?f", rest):
            parts.append("[.,]")
            rest = rest[1:]
        else:
            parts.append(re.escape(rest[0]))
            rest = rest[1:]
    if not seen & {"H", "I"}:
        raise PatternError("no hour (%H or %I)")
    dated = seen & {"Y", "y"} and (seen & {"j"} or (seen & {"m", "b"} and "d" in seen))
    if not dated and seen & {"Y", "y", "m", "b", "d", "j"}:
        raise PatternError("only part of a date")
    return TextFormat(
        "absolute" if dated else "clock",
        compiled(_fraction_at_will("".join(parts))),
        pattern,
        twelve_hours="I" in seen and "p" not in seen,
    )


def _fraction_at_will(expression: str) -> str:
    """The expression of a pattern, with the fraction after its seconds one that may be missing.

    Many programs leave a fraction of zero off: 07:30:59.75, 07:31:00, 07:31:00.25.
    """
    second, fraction = _DIRECTIVES["S"], _DIRECTIVES["f"]
    for mark in ("[.,]", ":"):
        there = f"{mark}{fraction}"
        expression = expression.replace(f"{second}{there}", f"{second}(?:{there})?")
    return expression
