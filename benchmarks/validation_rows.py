"""The rows of the validation report: what is run, what is read off it, and its bar.

A `Job` is a command; what it prints is kept whole. A `Row` reads one number off it. Nothing is
computed here but the interval of a share (Clopper and Pearson, Biometrika 26, 1934, 404).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from scipy.stats import beta

CONFIDENCE: Final = 0.95

PYTEST: Final = "python -m pytest -q -p no:cacheprovider --no-header"


@dataclass(frozen=True)
class Job:
    """A command that measures, in the size of every day and in a long one; `{work}` is a folder."""

    quick: str
    long: str
    before: str = ""
    """What has to be made first."""


@dataclass(frozen=True)
class Number:
    """What was found: as it is shown, and the number that the bar is held against.

    Of a share `ends` are those of its interval.
    """

    shown: str
    value: float
    ends: tuple[float, ...] = ()


@dataclass(frozen=True)
class Row:
    """One line of the report.

    Parameters
    ----------
    section, what, source
        In words; the source is what it is held against.
    job
        Key of `JOBS`.
    bar, met
        What it must reach, in words and as a test of the number.
    read
        Takes what the job printed; None where the number is not in it.
    """

    section: str
    what: str
    source: str
    job: str
    bar: str
    met: Callable[[float], bool]
    read: Callable[[str], Number | None]


def share(part: int, whole: int) -> Number:
    """A share with its interval."""
    low = 0.0 if part == 0 else float(beta.ppf((1 - CONFIDENCE) / 2, part, whole - part + 1))
    high = 1.0 if part == whole else float(beta.ppf((1 + CONFIDENCE) / 2, part + 1, whole - part))
    percent = 100.0 * part / whole
    return Number(
        f"{percent:.0f} % ({part} of {whole}; {100 * low:.0f} to {100 * high:.0f} %)",
        percent,
        (100.0 * low, 100.0 * high),
    )


def printed(pattern: str, unit: str = "") -> Callable[[str], Number | None]:
    """The number that the pattern's first group finds."""

    def read(text: str) -> Number | None:
        found = re.search(pattern, text, re.MULTILINE)
        return None if found is None else Number(f"{found[1]} {unit}".strip(), float(found[1]))

    return read


def printed_share(pattern: str) -> Callable[[str], Number | None]:
    """A share printed as per cent, with how many it is of: groups `percent` and `of`."""

    def read(text: str) -> Number | None:
        found = re.search(pattern, text, re.MULTILINE)
        if found is None:
            return None
        whole = int(found["of"])
        return share(round(float(found["percent"]) / 100.0 * whole), whole) if whole else None

    return read


def counted(pattern: str) -> Callable[[str], Number | None]:
    """Two counts, `part` of `of`, added up over every place where the pattern is found."""

    def read(text: str) -> Number | None:
        found = list(re.finditer(pattern, text, re.MULTILINE))
        whole = sum(int(each["of"]) for each in found)
        return share(sum(int(each["part"]) for each in found), whole) if whole else None

    return read


def checks(text: str) -> Number | None:
    """Of a test run: how many hold."""
    counts = {word: int(n) for n, word in re.findall(r"(\d+) (passed|failed|error)", text)}
    whole = sum(counts.values())
    if not counts.get("passed"):
        return None
    return Number(f"{counts['passed']} of {whole} checks hold", 100.0 * counts["passed"] / whole)


def covered(text: str) -> Number | None:
    """Of the judge's table: over all figures, how often value ± 2u holds the truth."""
    rows = re.findall(r"^[a-z_]+ +(\d+) +\d+ +\d+ +([\d.]+)%", text, re.MULTILINE)
    whole = sum(int(n) for n, _ in rows)
    inside = sum(round(int(n) * float(percent) / 100.0) for n, percent in rows)
    return share(inside, whole) if whole else None


def coverage_of(figure: str) -> Callable[[str], Number | None]:
    """Of the judge's table: one figure's coverage."""
    return printed_share(rf"^{figure} +(?P<of>\d+) +\d+ +\d+ +(?P<percent>[\d.]+)%")


def of_cars(what: str) -> Callable[[str], Number | None]:
    """A line of `benchmarks/causes.py`, a share of all its cars."""

    def read(text: str) -> Number | None:
        whole = re.search(r"^\| cars \| (\d+),", text, re.MULTILINE)
        found = re.search(rf"^\| {what} \| ([\d.]+)%", text, re.MULTILINE)
        if whole is None or found is None:
            return None
        return share(round(float(found[1]) / 100.0 * int(whole[1])), int(whole[1]))

    return read


def of_ensemble(column: str, row: str = "everything") -> Callable[[str], Number | None]:
    """A cell of the table of `benchmarks/ensemble.py`: per cent and, in brackets, of how many."""

    def read(text: str) -> Number | None:
        lines = [line.strip("| ").split(" | ") for line in text.splitlines() if " | " in line]
        heads = next((line for line in lines if column in line), None)
        cells = next((line for line in lines if line[0] == row), None)
        if heads is None or cells is None:
            return None
        cell = cells[heads.index(column) + len(cells) - len(heads)]
        found = re.fullmatch(r"([\d.]+)% \((\d+)\)", cell.strip())
        if found is None:
            return None
        return share(round(float(found[1]) / 100.0 * int(found[2])), int(found[2]))

    return read


def told_in_time(text: str) -> Number | None:
    """Of the watch: all faults together."""
    found = re.search(r"^  all all all +(\d+) +(\d+)%", text, re.MULTILINE)
    if found is None:
        return None
    return share(round(int(found[1]) * int(found[2]) / 100.0), int(found[1]))


def fuzzed(text: str) -> Number | None:
    """Of the fuzzer: folders that were answered."""
    found = re.search(r"^(\d+) folders in ", text, re.MULTILINE)
    if found is None:
        return None
    lost = sum(int(n) for n in re.findall(r"(\d+) (?:failed|late)\b", text[found.end() :]))
    return share(int(found[1]) - lost, int(found[1]))


def doors(text: str) -> Number | None:
    """Of the doors: promises that held."""
    good, bad = (len(re.findall(f"^{word} ", text, re.MULTILINE)) for word in ("ok", "BAD"))
    if not good + bad:
        return None
    return Number(f"{good} of {good + bad} hold", 100.0 * good / (good + bad))


def at_least(bar: float) -> Callable[[float], bool]:
    """Whether a number reaches the bar."""
    return lambda value: value >= bar


def at_most(bar: float) -> Callable[[float], bool]:
    """Whether a number stays under the bar."""
    return lambda value: value <= bar


ALL: Final = at_least(100.0)
