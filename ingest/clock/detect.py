"""Which column of a log is the time and how it is written, where run.toml does not say.

Told from names, units and the shape of the texts, never from the size of numbers. Where two
readings are possible the answer is a fault that says what to write.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import polars as pl

from ingest.clock import text as clock_text
from ingest.clock.pattern import strptime_format
from ingest.errors import Fault, UnusableRun
from ingest.setup.model import TimeTable

if TYPE_CHECKING:
    from ingest.table.columns import Columns

UNIT_WORDS: Final = {
    "s": ("s", "sec", "secs", "second", "seconds", "sek", "sekunden"),
    "ms": ("ms", "msec", "millis", "millisecond", "milliseconds"),
    "us": ("us", "µs", "μs", "usec", "micros", "microsecond", "microseconds"),
    "min": ("min", "mins", "minute", "minutes"),
    "h": ("h", "hr", "hrs", "hour", "hours"),
    "hh:mm:ss": ("hh:mm:ss", "h:mm:ss", "hh:mm:ss.f", "hh:mm:ss.0", "hh:mm:ss.000", "hms"),
    "mm:ss": ("mm:ss", "mm:ss.f", "mm:ss.0"),
    "hh:mm": ("hh:mm",),
    "epoch s": ("epoch s", "unix s", "epoch seconds", "unix seconds"),
    "epoch ms": ("epoch ms", "unix ms", "epoch milliseconds", "unix milliseconds"),
}
"""Spellings of the time units."""

_SPELLINGS: Final = {word: unit for unit, words in UNIT_WORDS.items() for word in words}
_TIME_NAMES: Final = frozenset(
    [
        "time",
        "t",
        "timestamp",
        "stamp",
        "datetime",
        "elapsed",
        "clock",
        "zeit",
        "uhrzeit",
        "zeitstempel",
        "tijd",
        "temps",
        "heure",
        "hora",
        "tiempo",
        "tempo",
        "tid",
        "seconds",
        "sec",
        "secs",
        "millis",
        "milliseconds",
        "micros",
        "epoch",
        "hms",
    ]
)
_DATE_NAMES: Final = frozenset(["date", "datum", "fecha", "dato", "data", "day"])
_BARE_UNITS: Final = frozenset({"s", "ms", "us", "min", "h"})
_FILLERS: Final = _BARE_UNITS | frozenset(
    [
        "utc",
        "local",
        "log",
        "logger",
        "of",
        "system",
        "test",
        "relative",
        "absolute",
        "rel",
        "abs",
        "since",
        "start",
    ]
)
_MONTH_PATTERNS: Final = (
    "%d %b %Y %H:%M:%S",
    "%d-%b-%Y %H:%M:%S",
    "%d-%b-%y %H:%M:%S",
    "%b %d, %Y %H:%M:%S",
    "%b %d %Y %H:%M:%S",
    "%a %b %d %H:%M:%S %Y",
)
_DATED: Final = re.compile(
    r"(?P<a>\d{1,4})(?P<sep>[./-])(?P<b>\d{1,2})(?P=sep)(?P<c>\d{1,4})(?P<gap>,?[\sT]*)"
    r"\d{1,2}:\d\d(?P<s>:\d{1,2})?(?P<f>[.,]\d+)?\s*(?P<p>[AP]\.?M\.?)?",
    re.IGNORECASE,
)
_SAMPLE: Final = 200
_MAX_READ: Final = 100_000


def time_unit(text: str) -> str | None:
    """The time unit a text stands for, in the contract's spelling; None where it is none."""
    return _SPELLINGS.get(" ".join(text.strip().strip("[]()").lower().split()))


def complete_time(table: Columns, given: TimeTable | None) -> TimeTable:
    """The `[log] time` table with what it leaves out filled in.

    Parameters
    ----------
    table
        The log, or its first part.
    given
        What run.toml says, or None.

    Raises
    ------
    UnusableRun
        Where it cannot be worked out without guessing.
    """
    if given is None:
        given = _choose(table)
    if given.unit is not None or given.format is not None:
        return given
    if given.columns is not None:
        indices = [table.find(ref) for ref in given.columns]
        parts = [_sample(table, index) for index in indices]
        texts = [" ".join(pair) for pair in zip(*parts, strict=False)]
        shape = _shape_of(texts)
    else:
        assert given.column is not None  # noqa: S101 - one of the two, checked by TimeTable
        index = table.find(given.column)
        texts = _sample(table, index)
        shape = _shape_of(texts) or _unit_of(table, index)
    if shape is None:
        raise UnusableRun(_cannot_tell(table, given, texts))
    key, value = shape
    return given.model_copy(update={key: value})


def format_of_texts(texts: list[str]) -> str | None:
    """How these times are written, as ``unit`` or ``format`` would say it; for messages."""
    shape = _shape_of(texts)
    return None if shape is None else f'{shape[0]} = "{shape[1]}"'


def _role(name: str) -> str | None:
    """Whether a column's name says ``time`` or ``date`` and nothing else."""
    words = set(re.findall(r"[^\W\d_]+", re.sub(r"[\[(].*?[\])]", " ", name).lower()))
    if words - _TIME_NAMES - _DATE_NAMES - _FILLERS:
        return None
    if words & _TIME_NAMES or (words and words <= _BARE_UNITS):
        return "time"
    return "date" if words & _DATE_NAMES else None


def _choose(table: Columns) -> TimeTable:
    roles = [_role(name) for name in table.names]
    times = [index for index, role in enumerate(roles) if role == "time"]
    dates = [index for index, role in enumerate(roles) if role == "date"]
    if len(dates) == 1 and _shape_of(_sample(table, dates[0])) is not None:
        times, dates = [*dates, *times], []  # called a date, but it holds the time of day as well
    if len(times) == 1 and len(dates) == 1:
        return TimeTable(columns=(dates[0] + 1, times[0] + 1))
    if len(times) == 1:
        return TimeTable(column=times[0] + 1)
    found = "no column that is called a time"
    if times:
        found = "several columns that may be the time: " + ", ".join(
            repr(table.names[index]) for index in times
        )
    elif table.width:
        shape = _shape_of(_sample(table, 0))
        if shape is not None:
            return TimeTable(column=1)
    raise UnusableRun(
        Fault(
            f"{table.file} time",
            found,
            "one column, or a date and a time column",
            'write [log] time = { column = "...", unit = "..." } in run.toml',
        )
    )


def _sample(table: Columns, index: int) -> list[str]:
    texts: list[str] = table.text(index).drop_nulls().head(_MAX_READ).to_list()
    return texts


def _unit_of(table: Columns, index: int) -> tuple[str, str] | None:
    unit = table.units[index]
    found = time_unit(unit) if unit else None
    if found is None:
        words = re.findall(r"[^\W\d_]+", table.names[index].lower())
        units = {_SPELLINGS[word] for word in words if word in _SPELLINGS}
        found = units.pop() if len(units) == 1 else None
    return None if found is None else ("unit", found)


def _shape_of(texts: list[str]) -> tuple[str, str] | None:
    """``("unit", ...)`` or ``("format", ...)`` of texts that can be written only one way."""
    few = texts[:_SAMPLE]
    if not few:
        return None

    def most(form: clock_text.TextFormat) -> bool:
        seconds = clock_text.read_stamps(pl.Series(few, dtype=pl.String), form).seconds
        return int((seconds == seconds).sum()) * 2 > len(few)

    if any(":" in text for text in few) and most(clock_text.ISO):
        return "format", "iso8601"
    if most(clock_text.CLOCK):
        return "unit", "hh:mm:ss"
    pattern = _dated_pattern(texts)
    if pattern is not None:
        return "format", pattern
    for pattern in _MONTH_PATTERNS:
        for ending in ("", ".%f", " %p"):
            full = pattern.replace("%S", "%S" + ending)
            full = full.replace("%H", "%I") if "%p" in full else full
            if most(strptime_format(full)):
                return "format", full
    return None


def _dated_pattern(texts: list[str]) -> str | None:
    """Pattern of dates in digits, where the order of day and month shows."""
    found = next((match for text in texts[:_SAMPLE] if (match := _DATED.fullmatch(text))), None)
    if found is None:
        return None
    separator = found["sep"]
    if len(found["a"]) == 4:
        return _pattern_of(found, ("%Y", "%m", "%d"))
    year = "%Y" if len(found["c"]) == 4 else "%y"
    if separator == "." and (year == "%Y" or int(found["c"]) > 31):
        return _pattern_of(found, ("%d", "%m", year))
    order = _day_first(texts)
    if order is None or (year == "%y" and separator == "-"):
        return None
    return _pattern_of(found, ("%d", "%m", year) if order else ("%m", "%d", year))


def _pattern_of(found: re.Match[str], date: tuple[str, str, str]) -> str:
    """Strptime pattern of a date and time in digits whose date has this order."""
    clock = "%I:%M" if found["p"] else "%H:%M"
    clock += ":%S" if found["s"] else ""
    clock += (found["f"][0] + "%f") if found["f"] else ""
    gap = "T" if "t" in found["gap"].lower() else ("," if "," in found["gap"] else "") + " "
    return found["sep"].join(date) + gap + clock + (" %p" if found["p"] else "")


def _day_first(texts: list[str]) -> bool | None:
    """Whether the first number of the dates is the day; None where both may be."""
    heads = {text[: text.find(":")] for text in texts if ":" in text}
    pairs = [match for head in heads if (match := re.match(r"(\d{1,2})[./-](\d{1,2})[./-]", head))]
    first = max((int(pair[1]) for pair in pairs), default=0)
    second = max((int(pair[2]) for pair in pairs), default=0)
    if (first > 12) == (second > 12):
        return None
    return first > 12


def _cannot_tell(table: Columns, given: TimeTable, texts: list[str]) -> Fault:
    names = [given.column] if given.column is not None else list(given.columns or ())
    shown = ", ".join(repr(table.names[table.find(ref)]) for ref in names)
    sample = f"{texts[0]!r}" if texts else "nothing"
    dated = _DATED.fullmatch(texts[0]) if texts else None
    if dated is not None:
        year = "%Y" if len(dated["c"]) == 4 else "%y"
        orders = [("%d", "%m", year), ("%m", "%d", year)]
        if year == "%y":
            orders.append(("%y", "%m", "%d"))
        ways = [_time_table(table, given, _pattern_of(dated, order)) for order in orders]
        remedy = f"day and month may be either: write {' or '.join(ways)}"
    elif given.columns is not None or (texts and not re.fullmatch(r"[-+]?[\d.,]+", texts[0])):
        remedy = f"write {_time_table(table, given, '...')} with a strptime pattern for the dots"
    else:
        remedy = 'write unit = "s", "ms", "min", "h", "epoch s" or "epoch ms" into time = { ... }'
    return Fault(
        f"{table.file} time column{'s' if len(names) > 1 else ''} {shown}",
        f"{sample} without a unit or format",
        "a time whose unit or format is stated",
        f"{remedy} under [log] in run.toml",
    )


def _time_table(table: Columns, given: TimeTable, pattern: str) -> str:
    """The line of run.toml that states how these columns are written."""

    def quoted(ref: str | int) -> str:
        index = table.find(ref)
        name = table.names[index]
        plain = name and table.names.count(name) == 1 and not re.search(r'["\\]', name)
        return f'"{name}"' if plain else str(index + 1)

    if given.columns is not None:
        which = f"columns = [{', '.join(quoted(ref) for ref in given.columns)}]"
    else:
        assert given.column is not None  # noqa: S101 - one of the two, checked by TimeTable
        which = f"column = {quoted(given.column)}"
    return f'time = {{ {which}, format = "{pattern}" }}'
