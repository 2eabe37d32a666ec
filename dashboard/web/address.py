"""The address bar holds a page's state: read and written here, so that a page can be sent on.

What comes out of an address is text a stranger may have written: it is bounded here, and every page
checks it again against the words it knows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final
from urllib.parse import parse_qsl, urlencode

LONGEST: Final = 4000
LONGEST_VALUE: Final = 200
MAX_KEYS: Final = 24


def read(search: str | None) -> dict[str, str]:
    """The keys and values of an address's ``?a=b&c=d``; what is too long or too many is left out.

    Of a key that is repeated the last value holds.
    """
    text = (search or "").removeprefix("?")
    if len(text) > LONGEST:
        return {}
    try:
        pairs = parse_qsl(text, max_num_fields=MAX_KEYS)
    except ValueError:
        return {}
    return {
        key: value for key, value in pairs if len(value) <= LONGEST_VALUE and value.isprintable()
    }


def write(values: Mapping[str, object]) -> str:
    """An address's query from values; empty ones are left out."""
    told = {key: str(value) for key, value in values.items() if value not in (None, "")}
    return f"?{urlencode(told)}" if told else ""


def link(path: str, values: Mapping[str, object]) -> str:
    """A path with its query."""
    return path + write(values)


def one_of(word: str | None, known: Iterable[str], default: str) -> str:
    """The word where it is known, else the default."""
    return word if word is not None and word in known else default


def number(word: str | None, default: float | None = None) -> float | None:
    """A finite number, else the default."""
    try:
        value = float(word or "")
    except ValueError:
        return default
    return value if abs(value) < 1e12 else default
