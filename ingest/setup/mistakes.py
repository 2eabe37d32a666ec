"""Mistakes in a run.toml in the words of its own keys, one fault for each place."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from datetime import date, time
from typing import TYPE_CHECKING, Any, Final

from ingest.errors import Fault

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

_LONGEST_SHOWN: Final = 80
_MOST_SHOWN: Final = 20
_KINDS: Final = {
    "string": "a text in quotes",
    "float": "a number",
    "int": "a whole number",
    "bool": "true or false",
    "datetime": "a date and time like 2026-01-14T07:31:00-05:00",
    "date": "a date and time like 2026-01-14T07:31:00-05:00",
    "timezone": "a date and time like 2026-01-14T07:31:00-05:00",
    "tuple": "a list in brackets",
    "list": "a list in brackets",
    "finite": "a number",
}
"""By the first word of the validator's own name for the mistake."""
_BRANCHES: Final = frozenset({"str", "int", "float", "constrained-str"})
_NEEDED_TABLES: Final = {
    "run": ('a [run] table with vehicle = "..."', 'add [run] and below it vehicle = "SC-014"'),
    "log": ('a [log] table with file = "..."', 'add [log] and below it file = "log.csv"'),
}
_TABLES: Final = {
    "time": 'a table such as { column = "t", unit = "s" }',
    "scale": 'a table such as { from = [0.5, 4.5], to = [0, 100], unit = "kPa" }',
}


def setup_faults(
    file: str, document: Mapping[str, Any], errors: Iterable[ErrorDetails]
) -> list[Fault]:
    """What the validator found, as faults.

    A value that fits none of several kinds is reported once, with all of them as expected.

    Parameters
    ----------
    file
        Name of the file.
    document
        What stands in it.
    errors
        The validator's own reports.
    """
    expected: dict[tuple[str, ...], list[str]] = {}
    first: dict[tuple[str, ...], ErrorDetails] = {}
    for details in errors:
        place = _place(details)
        first.setdefault(place, details)
        words = _expected(place, details)
        if words not in expected.setdefault(place, []):
            expected[place].append(words)
    return [
        _missing(file, document, place)
        if details["type"] == "missing"
        else Fault(
            _where(file, place),
            _shown(details["input"]),
            " or ".join(expected[place]),
            "correct it in the file",
        )
        for place, details in first.items()
    ]


def _place(details: ErrorDetails) -> tuple[str, ...]:
    """Keys of the file only, without the kind of value that was tried and places in a list."""
    place = list(details["loc"])
    while len(place) > 1 and (
        isinstance(place[-1], int) or place[-1] in _BRANCHES or place[-1].startswith("literal[")
    ):
        place.pop()
    return tuple(str(part) for part in place)


def _where(file: str, place: tuple[str, ...]) -> str:
    if len(place) > 1:
        return f"{file} [{'.'.join(place[:-1])}] {place[-1]}"
    return f"{file} {place[0]}" if place else file


def _missing(file: str, document: Mapping[str, Any], place: tuple[str, ...]) -> Fault:
    key, table = place[-1], place[:-1]
    expected, remedy = "a value", f"add {key} = ..."
    if not table and key in _NEEDED_TABLES:
        expected, remedy = _NEEDED_TABLES[key]
    near = difflib.get_close_matches(key, _keys_at(document, table), n=1)
    if near == [key]:  # it is there, and too short a list
        return Fault(_where(file, place), "a list that is too short", "more values", "add them")
    if near:
        remedy = f"did you mean this by {near[0]!r}?"
    return Fault(_where(file, place), "nothing", expected, remedy)


def _keys_at(document: Mapping[str, Any], table: tuple[str, ...]) -> list[str]:
    here: Any = document
    for key in table:
        here = here.get(key) if isinstance(here, Mapping) else None
    return list(here) if isinstance(here, Mapping) else []


def _expected(place: tuple[str, ...], details: ErrorDetails) -> str:
    kind, context = details["type"], details.get("ctx", {})
    if kind in {"model_type", "model_attributes_type", "dict_type"}:
        return _table(place)
    if kind in {"literal_error", "value_error"}:
        return details["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    if kind == "too_long" and place == ("channels",):
        return f"at most {context['max_length']} tables [channels.NAME]"
    exact = {
        "string_too_short": "a text that is not empty",
        "string_too_long": "a text of at most {max_length} characters",
        "greater_than": "a number above {gt}",
        "greater_than_equal": "a number of at least {ge}",
        "too_long": "a list of at most {max_length} values",
        "int_from_float": "a whole number",
    }
    if kind in exact:
        return exact[kind].format_map({key: _plain(each) for key, each in context.items()})
    return _KINDS.get(kind.split("_", 1)[0], "another value")


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _table(place: tuple[str, ...]) -> str:
    if place == ("channels",):
        return "tables [channels.NAME], one a measuring point"
    if len(place) == 2 and place[0] == "channels":
        return f'a table [channels.{place[1]}] with column = "..."'
    return _TABLES.get(place[-1], f"a table [{'.'.join(place)}]")


def _shown(value: object) -> str:
    """A value as the file writes it, cut where it is long."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, date | time):
        text = value.isoformat()
    elif isinstance(value, dict) and len(value) > _MOST_SHOWN:
        text = f"{len(value)} tables"
    else:
        text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."
