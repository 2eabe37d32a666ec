"""Times written as text: ISO 8601, strptime patterns and hh:mm:ss, read by whole columns.

A column of times has few *layouts*: texts that are alike but for their digits. Each layout is
matched once with a regular expression, which says where its fields stand; the fields of all its
rows are then read from a matrix of digits. So any pattern costs about the same for a column, and
a text is accepted exactly where the expression accepts it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Final, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.values import dataclass

DAY_S: Final = 86400.0

TextKind = Literal["absolute", "clock"]
"""`absolute` has a date; `clock` is hh:mm:ss, elapsed or time of day."""

MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

ZONE: Final = r"(?P<z>Z|[+-]\d\d(?::?\d\d)?)"
"""Expression of an offset from UTC."""
_FRACTION: Final = r"(?:[.,](?P<f>\d+))?"

ISO_DATE_TIME: Final = (
    r"(?P<Y>\d{4})[-/](?P<m>\d{1,2})[-/](?P<d>\d{1,2})"
    rf"(?:(?:T|\s+)(?P<H>\d{{1,2}}):(?P<M>\d\d)(?::(?P<S>\d\d){_FRACTION})?\s*{ZONE}?)?"
)
ISO_BASIC: Final = (
    r"(?P<Y>\d{4})(?P<m>\d\d)(?P<d>\d\d)"
    rf"(?:T|\s+)(?P<H>\d\d)(?P<M>\d\d)(?P<S>\d\d){_FRACTION}\s*{ZONE}?"
)
HMS: Final = (
    r"(?P<neg>-)?(?:(?P<D>\d+)(?:\s*d(?:ays?)?,?\s*|\s+|\.))?"
    r"(?P<H>\d+):(?P<M>\d\d):(?P<S>\d{1,2})(?:[.,](?P<f>\d+)|:(?P<ms>\d{3}))?"
    r"(?:\s*(?P<p>[AP])\.?M\.?)?"
)
MS_FRACTION: Final = r"(?P<neg>-)?(?P<M>\d+):(?P<S>\d\d)[.,](?P<f>\d+)"
MS: Final = r"(?P<neg>-)?(?P<M>\d+):(?P<S>\d\d)"
HM: Final = r"(?P<H>\d+):(?P<M>\d\d)(?:\s*(?P<p>[AP])\.?M\.?)?"

_ODD_SPACES: Final = "[\u00a0\u2007\u2009\u202f]"
_DIGITS: Final = re.compile(r"\d")
_MAX_LENGTH: Final = 256
"""Characters of a time, with whatever a pattern wants beside it; longer texts are none."""

_MAX_LAYOUTS: Final = 200
_WORD: Final = 8
_HIGH_BITS: Final = np.uint64(0x8080808080808080)
_DIGITS_OF_SHORT: Final = 4
_FEW: Final = 512
"""So many texts are joined sooner than a whole column's machinery is started."""


@dataclass(frozen=True, slots=True)
class TextFormat:
    """How the times of a column are written.

    Parameters
    ----------
    kind
        Whether the texts carry a date.
    expressions
        Regular expressions with named fields, tried in this order on each layout.
    said
        The format as a user would write it, for messages.
    twelve_hours
        True for a 12-hour clock without AM and PM: its times start again at noon, too.
    """

    kind: TextKind
    expressions: tuple[re.Pattern[str], ...]
    said: str
    twelve_hours: bool = False


@dataclass(frozen=True, slots=True)
class Stamps:
    """Times read from texts.

    Parameters
    ----------
    seconds
        Shape (n,): since 1970-01-01 on the clock that was written (kind `absolute`), else since
        midnight or zero; NaN where the text is no time.
    offset
        Shape (n,), s: what is to be taken off `seconds` to get UTC; NaN where the text has none.
    """

    seconds: Floats
    offset: Floats


def compiled(*expressions: str) -> tuple[re.Pattern[str], ...]:
    """Expressions of a `TextFormat`."""
    return tuple(re.compile(text, re.IGNORECASE | re.ASCII) for text in expressions)


ISO: Final = TextFormat("absolute", compiled(ISO_DATE_TIME, ISO_BASIC), "iso8601")
CLOCK: Final = TextFormat("clock", compiled(HMS, MS_FRACTION), "hh:mm:ss")
CLOCK_SHORT: Final = TextFormat("clock", compiled(HMS, MS), "hh:mm:ss")
"""As `CLOCK`, with hours left off while they are zero."""
MINUTES: Final = TextFormat("clock", compiled(MS, MS_FRACTION, HMS), "mm:ss")
HOURS: Final = TextFormat("clock", compiled(HM), "hh:mm")


def read_stamps(texts: pl.Series, form: TextFormat) -> Stamps:
    """Read a column of times.

    Parameters
    ----------
    texts
        String series; surrounding blanks do not matter, null is no time.
    form
        How they are written.

    Returns
    -------
    Stamps
        Arrays as long as `texts`.
    """
    count = len(texts)
    alike = _all_alike(texts, form)
    if alike is not None:
        return alike
    seconds = np.full(count, np.nan)
    offset = np.full(count, np.nan)
    texts = texts.str.strip_chars().fill_null("")
    if count and texts.str.len_bytes().sum() != texts.str.len_chars().sum():
        # some programs put a narrow no-break space before AM and a real minus sign
        texts = texts.str.replace_all(_ODD_SPACES, " ").str.replace_all("\u2212", "-")
        narrow = texts.str.len_bytes() == texts.str.len_chars()
        texts = texts.zip_with(narrow, pl.Series([""], dtype=pl.String))
    lengths = texts.str.len_bytes().to_numpy()
    for length in np.unique(lengths):
        if 0 < length <= _MAX_LENGTH:
            rows = np.flatnonzero(lengths == length)
            mine = texts if rows.size == count else texts.gather(rows)
            found, shift = _same_length(mine, int(length), form)
            seconds[rows], offset[rows] = found, shift
    return Stamps(seconds, offset)


def _all_alike(texts: pl.Series, form: TextFormat) -> Stamps | None:
    """Times of a column whose texts differ in nothing but their digits; None where they do.

    The texts are joined with line ends between, as many as make each a whole number of words of
    eight bytes. Where every text has its line ends in the same places as the first has, they are
    equally long.
    """
    count = len(texts)
    first = texts[0] if count and not texts.null_count() else None
    match = None if first is None else _match(first, form.expressions)
    if first is None or match is None or "\n" in first:
        return None
    ends = "\n" * (_WORD - len(first) % _WORD)
    if count <= _FEW:
        joined = ends.join(texts.to_list()).encode()
    else:
        joined = texts.str.join(ends).cast(pl.Binary).item()
    size = len(first) + len(ends)
    if len(joined) != count * size - len(ends) or not joined.isascii():
        return None
    digits: list[NDArray[np.uint8]] = []
    layout = _layout(_DIGITS.sub("0", first + ends))
    for word, (zeros, room) in zip(_words(joined, ends.encode(), size), layout, strict=True):
        # the date, the hour and the zone are mostly one and the same in all rows
        same = bool((word == word[0]).all())
        rows = (word[:1] if same else word) ^ zeros
        if not same and ((rows + room) & _HIGH_BITS).any():
            return None
        digits.extend(np.ascontiguousarray(rows.view(np.uint8).reshape(-1, _WORD).T))
    seconds, offset = _values(match, digits)
    return Stamps(
        np.ascontiguousarray(np.broadcast_to(seconds, count)),
        np.ascontiguousarray(np.broadcast_to(offset, count)),
    )


def _words(joined: bytes, ends: bytes, size: int) -> NDArray[np.uint64]:
    """First, second ... words of all texts of `size` bytes; the last text lacks its ends."""
    width = size // _WORD
    count = (len(joined) + len(ends)) // size
    words = np.empty((width, count), dtype=np.uint64)
    before = np.frombuffer(joined, dtype=np.uint64, count=(count - 1) * width)
    words[:, :-1] = before.reshape(-1, width).T
    words[:, -1] = np.frombuffer(joined[(count - 1) * size :] + ends, dtype=np.uint64)
    return words


@lru_cache(maxsize=64)
def _layout(zeros: str) -> tuple[tuple[np.uint64, np.uint64], ...]:
    """The words of a text whose digits are zeros, and what may be added to a word's bytes.

    Added to the bytes of another text less these zeros, it sets the high bit of every byte that is
    no digit where there is one here, or not the same byte where there is none.
    """
    text = np.frombuffer(zeros.encode(), dtype=np.uint8)
    room = np.where(text == ord("0"), np.uint8(0x7F - 9), np.uint8(0x7F))
    return tuple(zip(text.view(np.uint64), room.view(np.uint64), strict=True))


def _same_length(texts: pl.Series, length: int, form: TextFormat) -> tuple[Floats, Floats]:
    count = len(texts)
    matrix = np.frombuffer(texts.str.join("").item().encode(), dtype=np.uint8)
    places = np.ascontiguousarray(matrix.reshape(count, length).T)  # one row a place in the text
    seconds = np.full(count, np.nan)
    offset = np.full(count, np.nan)
    left = np.arange(count)
    for _ in range(_MAX_LAYOUTS):
        if left.size == 0:
            return seconds, offset
        here = places if left.size == count else places[:, left]
        alike = _alike(here)
        match = _match(here[:, 0].tobytes().decode(), form.expressions)
        if match is not None:
            all_alike = bool(alike.all())
            rows = left if all_alike else left[alike]
            values = _values(match, (here if all_alike else here[:, alike]) - ord("0"))
            seconds[rows], offset[rows] = values
        left = left[~alike]
    for row in left:  # hardly a column of times any more; still each text gets its chance
        match = _match(places[:, row].tobytes().decode(), form.expressions)
        if match is not None:
            value, shift = _values(match, places[:, row : row + 1] - ord("0"))
            seconds[row], offset[row] = value[0], shift[0]
    return seconds, offset


def _alike(places: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which texts differ from the first in nothing but their digits."""
    result = np.ones(places.shape[1], dtype=np.bool_)
    for place in places:
        first = place[0]
        is_digit = ord("0") <= first <= ord("9")
        result &= (place - np.uint8(ord("0")) < 10) if is_digit else (place == first)
    return result


def _match(text: str, expressions: Sequence[re.Pattern[str]]) -> re.Match[str] | None:
    return next((found for each in expressions if (found := each.fullmatch(text))), None)


class _Fields:
    """The fields of all rows of one layout, given the match of one of them.

    Arrays are of shape (n,), or (1,) where all rows have the same.
    """

    def __init__(
        self,
        match: re.Match[str],
        digits: Sequence[NDArray[np.uint8]] | NDArray[np.uint8],
    ) -> None:
        self.words = {name: text for name, text in match.groupdict().items() if text}
        self._spans = {name: match.span(name) for name in self.words}
        self._digits = digits  # by place in the text

    def has(self, *names: str) -> bool:
        return any(name in self.words for name in names)

    def number(self, name: str, default: float = 0.0) -> Floats:
        if name not in self._spans:
            return np.full(1, default)
        return self._weighted(range(*self._spans[name]))

    def fraction(self) -> Floats:
        """Decimals of the second."""
        for name in ("f", "ms"):
            if self.has(name):
                start, stop = self._spans[name]
                return self.number(name) / 10.0 ** (stop - start)
        return np.zeros(1)

    def pairs(self, name: str) -> Floats:
        """A zone's digits, ``-05:00`` or ``+0530`` or ``+01``, as seconds."""
        start, _ = self._spans[name]
        text = self.words[name]
        places = [start + found.start() for found in _DIGITS.finditer(text)]
        result = self._weighted(places[:2]) * 3600.0
        if len(places) > 2:
            result = result + self._weighted(places[2:]) * 60.0
        return -result if text[0] == "-" else result

    def _weighted(self, places: Sequence[int]) -> Floats:
        if len(places) <= _DIGITS_OF_SHORT:
            short = np.zeros(1, dtype=np.uint16)
            for place in places:
                short = short * np.uint16(10) + self._digits[place]
            return short.astype(np.float64)
        result = np.zeros(1)
        for place in places:
            result = result * 10.0 + self._digits[place]
        return result


def _values(
    match: re.Match[str], digits: Sequence[NDArray[np.uint8]] | NDArray[np.uint8]
) -> tuple[Floats, Floats]:
    """Seconds and UTC offsets of all rows of one layout; shape (1,) where all have the same."""
    fields = _Fields(match, digits)
    dated = fields.has("Y", "y")
    hour, minute, second = fields.number("H"), fields.number("M"), fields.number("S")
    valid = second < (61 if dated else 60)  # a leap second only where there is a date
    if fields.has("I", "p"):
        twelve = fields.number("I" if fields.has("I") else "H")
        valid = valid & (twelve >= 1) & (twelve <= 12)
        hour = twelve % 12 + (12.0 if fields.words.get("p", "").upper() == "P" else 0.0)
    if fields.has("H", "I"):
        valid = valid & (minute < 60)
    if dated:
        valid = valid & (hour < 24)
    seconds = hour * 3600.0 + minute * 60.0 + second + fields.number("D") * DAY_S
    seconds = seconds + fields.fraction()
    if fields.has("neg"):
        seconds = -seconds
    if dated:
        seconds = seconds + _days(fields) * DAY_S  # NaN for a day that does not exist
    offset = np.full(1, np.nan)
    if fields.has("z"):
        zulu = fields.words["z"].upper() == "Z"
        offset = np.zeros(1) if zulu else fields.pairs("z")
        valid = valid & (np.abs(offset) < DAY_S)
        offset = np.where(np.abs(offset) < DAY_S, offset, np.nan)
    elif fields.words.get("Z", "").upper() in {"UTC", "GMT", "Z"}:
        offset = np.zeros(1)
    return np.where(valid, seconds, np.nan), offset


def _days(fields: _Fields) -> Floats:
    """Days since 1970-01-01; NaN where there is no such day."""
    if fields.has("Y"):
        year = fields.number("Y")
    else:
        year = fields.number("y")
        year = year + np.where(year < 69, 2000.0, 1900.0)  # the pivot of POSIX strptime
    if fields.has("b"):
        short = fields.words["b"].lower()[:3]
        month = np.full(1, MONTHS.index(short) + 1.0 if short in MONTHS else 0.0)
    else:
        month = fields.number("m", 1.0)
    day = fields.number("j" if fields.has("j") else "d")
    date = (year * 16.0 + month) * 512.0 + day
    if date.size == 1 or date.min() == date.max():  # a log seldom sees midnight
        one = (float(each[0]) for each in (year, month, day))
        return np.array([_day_number(*one, of_year=fields.has("j"))])
    return _day_numbers(year, month, day, of_year=fields.has("j"))


@lru_cache(maxsize=64)
def _day_number(year: float, month: float, day: float, *, of_year: bool) -> float:
    one = (np.array([each]) for each in (year, month, day))
    return float(_day_numbers(*one, of_year=of_year)[0])


def _day_numbers(year: Floats, month: Floats, day: Floats, *, of_year: bool) -> Floats:
    """Days since 1970-01-01 of year, month and day (or day of the year)."""
    months = ((year - 1970) * 12 + month - 1).astype(np.int64).astype("M8[M]")
    result = months.astype("M8[D]") + (day.astype(np.int64) - 1)
    whole = "M8[Y]" if of_year else "M8[M]"
    valid = result.astype(whole) == months.astype(whole)
    valid &= (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1)
    return np.where(valid, result.astype(np.int64), np.nan)
