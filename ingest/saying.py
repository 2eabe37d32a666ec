"""Sentences that keep their quantities, so that a screen can write them in its reader's units.

A `Said` *is* its sentence in SI, and may be kept, compared and stored as any text; beside it stand
the template and the numbers it was made from. In a template ``{rise:.1f K}`` is a number with its
Python format and its unit; ``{low:.0f (degC)} to {high:.0f degC}`` leaves the first unit unsaid;
a field without a unit is a plain number, or text that is never changed, whoever wrote it.
"""

from __future__ import annotations

import math
import re
import string
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Any, Final, NamedTuple

SPELLED: Final[Mapping[str, str]] = {
    "degC": "°C",
    "K": "K",
    "±degC": "°C",
    "K/min": "K/min",
    "K per 10 m/s": "K per 10 m/s",
    "kPa": "kPa",
    "kPa/min": "kPa/min",
    "m/s": "m/s",
    "s": "s",
    "%": "%",
}
"""Units a template may name, and how SI readers see them. ``K`` is a difference of temperatures;
``±degC`` is one, too, written beside a temperature (its uncertainty)."""

MAX_DECIMALS: Final = 9
"""As many as a number format of a template can ask for."""

DIGITS: Final = 6
"""Significant digits of a stored quantity."""


class Amount(NamedTuple):
    """A number whose unit is not known before the program runs: ``Amount(4.2, ".1f K")``.

    Parameters
    ----------
    value
        In the unit named.
    form
        What would stand behind the colon in a template.
    """

    value: float
    form: str


class Shown(NamedTuple):
    """How a stored unit is shown: ``value * factor + offset``, and the word behind it."""

    unit: str
    factor: float = 1.0
    offset: float = 0.0


Value = str | float | Amount
Show = Callable[[str], Shown]

_FORM: Final = re.compile(
    r"(?P<number>[+]?(?:\.(?P<digits>\d))?(?P<how>[fgd%])?)"
    r"(?: (?:\((?P<unsaid>[^()]+)\)|(?P<unit>[^()]+)))?"
)
_SMALLER: Final = 0.5
"""A shown unit that is at least twice as large takes one more decimal."""


class Said(str):
    """A sentence in SI that remembers its quantities.

    Parameters
    ----------
    template
        With a field in braces for each value (see the module).
    values
        By the fields' names; a value may itself be a `Said`.
    text
        The sentence as it was stored; made from the template where None.

    Raises
    ------
    KeyError
        Where a field has no value.
    ValueError
        Where a template names an unknown unit or format.

    Examples
    --------
    >>> risen = say("the outlet rises by {rise:.0f K} only", rise=3.2)
    >>> risen
    'the outlet rises by 3 K only'
    >>> risen.written(lambda unit: Shown("°F", 1.8))
    'the outlet rises by 6 °F only'
    """

    __slots__ = ("template", "values")
    template: str
    values: Mapping[str, Value]

    def __new__(cls, template: str, values: Mapping[str, Value], text: str | None = None) -> Said:
        """Make the sentence of its parts."""
        said = super().__new__(cls, _written(template, values, spelled) if text is None else text)
        said.template, said.values = template, values
        return said

    def __getnewargs__(self) -> tuple[str, Mapping[str, Value], str]:  # type: ignore[override]
        """What a copy in another process is made of."""
        return self.template, self.values, str.__str__(self)

    def __str__(self) -> str:
        """Return the sentence itself, so that `str` of an error keeps its quantities."""
        return self

    def written(self, show: Show) -> str:
        """The sentence with its quantities in other units.

        Parameters
        ----------
        show
            Takes a unit of `SPELLED`, returns how to show it.
        """
        return _written(self.template, self.values, show)


def spelled(unit: str) -> Shown:
    """How readers of SI see a unit."""
    return Shown(SPELLED[unit])


def say(template: str, **values: Value) -> Said:
    """Make a sentence with quantities (see `Said`)."""
    return Said(template, values)


def amount(value: float, number: str, unit: str) -> Value:
    """A number in a unit known when the program runs, as a value of a sentence.

    Parameters
    ----------
    value
        In `unit`.
    number
        Python format, such as ``.1f``.
    unit
        One of `SPELLED` is shown in the reader's units; any other stays as it is, and none
        (also ``–``) is not written.
    """
    if unit in {"", "–", "-"}:
        return Amount(value, number)
    unit = "degC" if unit == "°C" else unit
    if unit in SPELLED:
        return Amount(value, f"{number} {unit}")
    return f"{value:{number}} {unit}"


def rounding_place(expanded: float) -> int | None:
    """Decimals (tens are -1) at which an expanded uncertainty has two significant digits.

    The usual rule (JCGM 100:2008, 7.2.6); a value is rounded to the same place. None where there is
    no uncertainty to speak of.
    """
    if not math.isfinite(expanded) or expanded <= 0.0:
        return None
    place = 1 - math.floor(math.log10(expanded))
    # rounding may carry into a new digit: 0.996 has its two digits as 1.0
    return min(place, 1 - math.floor(math.log10(round(expanded, place))))


def place_beside(value: float, expanded: float | None) -> int:
    """Decimals of a number that stands beside this expanded uncertainty (see `rounding_place`).

    Three significant digits of its own where there is none.
    """
    place = None if expanded is None else rounding_place(expanded)
    if place is not None:
        return place
    return 2 - math.floor(math.log10(abs(value))) if value else 0


def half_width(ends: tuple[float, float]) -> float:
    """Half the width of an interval of 95 %: the expanded uncertainty that it stands for."""
    low, high = ends
    return abs(high - low) / 2.0


def rounded(value: float, expanded: float | None, unit: str) -> Value:
    """A number as a value of a sentence, rounded to the uncertainty beside it (`place_beside`).

    Zeros at its end are left out.
    """
    place = place_beside(value, expanded)
    value = round(value, place) + 0.0
    decimals = len(f"{value:.{min(max(place, 0), MAX_DECIMALS)}f}".rstrip("0").partition(".")[2])
    return amount(value, f".{decimals}f", unit)


def plus_minus(value: float, expanded: float, unit: str, sign: str = "") -> Said:
    """A value with its expanded uncertainty, ``82.10 ± 0.82 °C``, rounded to it (see `amount`)."""
    place = rounding_place(expanded)
    if place is None:
        place = 1 if abs(value) >= 1.0 else 2
    if place < 0:  # no number format rounds to tens; the others round what they show
        value, expanded = round(value, place) + 0.0, round(expanded, place)
    number = f".{min(max(place, 0), MAX_DECIMALS)}f"
    unit = "degC" if unit == "°C" else unit
    beside = "±degC" if unit == "degC" else unit
    bare = Amount(value, sign + (f"{number} ({unit})" if unit in SPELLED else number))
    return say("{value} ± {expanded}", value=bare, expanded=amount(expanded, number, beside))


def difference_unit(unit: str) -> str:
    """The unit of a difference of two readings: 3 °C more is a difference of 3 K."""
    return "K" if unit in {"degC", "°C"} else unit


def joined(separator: str, parts: Iterable[str | None]) -> str:
    """Sentences in one, with their quantities; parts that say nothing are left out."""
    said = [part for part in parts if part]
    if not any(isinstance(part, Said) for part in said):
        return separator.join(said)
    named: dict[str, Value] = {f"part_{place}": part for place, part in enumerate(said)}
    return Said(_literal(separator).join(f"{{{name}}}" for name in named), named)


def _literal(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")


class _Field(NamedTuple):
    before: str
    name: str | None
    form: str
    quoted: bool


@cache
def fields(template: str) -> tuple[_Field, ...]:
    """The parts of a template: the text before each field, its name and its form.

    Raises
    ------
    ValueError
        Where a field is not what the module's first lines describe.
    """
    parts = []
    for before, name, form, conversion in string.Formatter().parse(template):
        if name is not None and not name.isidentifier():
            raise ValueError(f"{name!r} in {template!r} is no name")
        if form:
            _read(form)
        parts.append(_Field(before, name, form or "", conversion == "r"))
    return tuple(parts)


@cache
def _read(form: str) -> tuple[str, int | None, str, str | None, bool]:
    """Number format, decimals, kind of format, unit, and whether the unit is written."""
    found = _FORM.fullmatch(form)
    unit = found and (found["unit"] or found["unsaid"])
    if found is None or (unit and unit not in SPELLED):
        raise ValueError(f"{form!r} is no format and unit of a quantity")
    digits = found["digits"]
    return (
        found["number"], None if digits is None else int(digits), found["how"] or "",
        unit or None, found["unit"] is not None,
    )  # fmt: skip


def _written(template: str, values: Mapping[str, Value], show: Show) -> str:
    parts = []
    for before, name, form, quoted in fields(template):
        parts.append(before)
        if name is not None:
            value = values[name]
            parts.append(repr(value) if quoted else _shown(value, form, show))
    return "".join(parts)


def _shown(value: Value, form: str, show: Show) -> str:
    if isinstance(value, Said):
        return value.written(show)
    if isinstance(value, Amount):
        value, form = value
    if isinstance(value, str):
        return value
    number, digits, how, unit, is_said = _read(form)
    if unit is None:
        return format(value, number)
    shown = show(unit)
    if (shown.factor, shown.offset) != (1.0, 0.0):
        value = value * shown.factor + shown.offset
        if how == "f":
            digits = (digits or 0) + (1 if shown.factor < _SMALLER else 0)
            number = f"{'+' if number.startswith('+') else ''}.{digits}f"
        else:
            number = ".4g"
    if how == "f" and digits is not None:
        value = round(value, digits) + 0.0  # never a zero with a minus
    text = format(value, number)
    return f"{text} {shown.unit}" if is_said else text


def quantities(document: object) -> dict[str, Any]:
    """Every sentence in a document that has quantities, by its text: template and values.

    Parameters
    ----------
    document
        Mappings, lists and plain values, as `json.dumps` takes them.

    Returns
    -------
    dict
        By sentence, ``{"template": "up {a:.1f K}", "values": {"a": 3.2}}``: the sentence with only
        its quantities in braces, all else as it is written.
    """
    found: dict[str, Any] = {}
    _collect(document, found)
    return found


def _collect(document: object, found: dict[str, Any]) -> None:
    """Add what `quantities` says of a part of a document."""
    if isinstance(document, Mapping):
        for inner in document.values():
            if type(inner) not in _PLAIN:
                _collect(inner, found)
    elif isinstance(document, list | tuple):
        for inner in document:
            if type(inner) not in _PLAIN:
                _collect(inner, found)
    elif isinstance(document, Said):
        numbers: list[float] = []
        template = _flat(document, numbers)
        if numbers:
            values = {_name(place): number for place, number in enumerate(numbers)}
            found[str.__str__(document)] = {"template": template, "values": values}


_PLAIN: Final = frozenset({str, float, int, bool, type(None)})
"""Most of a document: nothing to be said of these."""


def _flat(said: Said, numbers: list[float]) -> str:
    """The template with all but its quantities written out; appends their values to `numbers`."""
    parts = []
    for before, name, form, quoted in fields(said.template):
        parts.append(_literal(before))
        if name is None:
            continue
        value = said.values[name]
        if isinstance(value, Amount):
            value, form = value
        if isinstance(value, Said) and not quoted:
            parts.append(_flat(value, numbers))
        elif isinstance(value, str) or _read(form)[3] is None or not math.isfinite(value):
            parts.append(_literal(repr(value) if quoted else _shown(value, form, spelled)))
        else:
            parts.append(f"{{{_name(len(numbers))}:{form}}}")
            numbers.append(float(f"{value:.{DIGITS}g}"))
    return "".join(parts)


def _name(place: int) -> str:
    """Names of the quantities of a stored sentence: a, b ... z, a1, b1 ..."""
    letter = string.ascii_lowercase[place % 26]
    return letter if place < 26 else f"{letter}{place // 26}"


def revived(document: Any) -> Any:
    """A stored document with the sentences of its ``said`` as `Said` again.

    What is not understood there is left as the plain text it is.
    """
    said = document.get("said") if isinstance(document, Mapping) else None
    if not isinstance(said, Mapping):
        return document
    known: dict[str, Said] = {}
    for text, parts in said.items():
        try:
            values = {name: float(number) for name, number in parts["values"].items()}
            known[text] = Said(parts["template"], values)
        except (KeyError, TypeError, ValueError, AttributeError):
            continue
    return {
        key: inner if key == "said" else _replaced(inner, known) for key, inner in document.items()
    }


def _replaced(tree: Any, known: Mapping[str, Said]) -> Any:
    if isinstance(tree, str):
        said = known.get(tree)
        return tree if said is None else Said(said.template, said.values, tree)
    if isinstance(tree, Mapping):
        return {key: _replaced(inner, known) for key, inner in tree.items()}
    if isinstance(tree, list | tuple):
        return [_replaced(inner, known) for inner in tree]
    return tree
