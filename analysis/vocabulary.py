"""Every name a user meets, and what is known of it: figures, causes, checks, findings.

Nothing is written here: figures speak through their registry and docstrings, causes and checks
through their table, findings through theirs.
"""

from __future__ import annotations

import difflib
import inspect
import re
from collections.abc import Mapping
from dataclasses import asdict
from functools import cache
from typing import Final, Literal

from analysis.bench.parts import bench_figures
from analysis.bench.registry import BenchFigure
from analysis.causes.knowledge import CauseRow, CheckRow, knowledge
from analysis.figures import Figure, all_figures
from analysis.limits import Limit, default_limits
from ingest.values import dataclass

Kind = Literal["figure", "cause", "check", "finding"]

SECTION: Final = re.compile(r"^(?P<head>\S[^\n]*)\n-{3,}$", re.MULTILINE)
"""A heading of a numpy-style docstring."""

BLANK: Final = re.compile(r"\{(\w+)[^{}]*\}")
"""A place in a finding's sentence that waits for its value."""


@dataclass(frozen=True, slots=True)
class FigureWords(BenchFigure):
    """What is said of a figure, of a car or of a part on the bench.

    Parameters
    ----------
    limits
        Default limits: for all heaters (key empty) and by heater layout.
    """

    limits: Mapping[str, Limit]


@dataclass(frozen=True, slots=True)
class FindingWords:
    """What is said of a kind of finding: its name, what it means, what to do about it."""

    name: str
    meaning: str
    remedy: str = ""


@cache
def figure_words() -> dict[str, FigureWords]:
    """Every figure by name, in the contract's order; then those of parts on the bench."""
    return {each.name: _figure(each) for each in all_figures()} | {
        each.name: FigureWords(**asdict(each), limits={}) for each in bench_figures().values()
    }


def _figure(figure: Figure) -> FigureWords:
    said = sections(inspect.getdoc(figure.measure) or "")
    default = default_limits()
    by_layout = {"": default.figures} | dict(default.heaters)
    return FigureWords(
        figure.name,
        figure.unit,
        figure.label,
        said[""],
        said.get("Equation", ""),
        said.get("Not measured", ""),
        said.get("Source", ""),
        said.get("Uncertainty", ""),
        {
            layout: limits[figure.name]
            for layout, limits in by_layout.items()
            if figure.name in limits
        },
    )


def sections(docstring: str) -> dict[str, str]:
    """A numpy-style docstring by heading; what comes before the first has none.

    Lines are joined, except those of an equation.
    """
    parts = SECTION.split(docstring)
    named = dict(zip(parts[1::2], parts[2::2], strict=True))
    return {
        head: text.strip() if head == "Equation" else " ".join(text.replace("`", "").split())
        for head, text in ({"": parts[0]} | named).items()
    }


@cache
def cause_words() -> dict[str, tuple[CauseRow, ...]]:
    """Every cause by name with the forms it takes, in the table's order."""
    rows = knowledge().cause
    return {
        name: tuple(row for row in rows if row.name == name)
        for name in dict.fromkeys(row.name for row in rows)
    }


@cache
def check_words() -> dict[str, CheckRow]:
    """Every check by name, in the order of the trade."""
    return {row.name: row for row in sorted(knowledge().check, key=lambda row: row.order)}


@cache
def finding_words() -> dict[str, FindingWords]:
    """Every kind of finding by name."""
    from analysis.findings import all_findings

    return {
        # what each run puts in stands in the sentence by its name alone
        name: FindingWords(name, BLANK.sub(r"<\1>", kinds[0].sentence), kinds[0].do)
        for name, kinds in all_findings().items()
    }


def kinds_of(name: str) -> list[Kind]:
    """What a name is; several where a figure and a finding share it, none where it is nothing."""
    return [kind for kind, names in _names().items() if name in names]


def all_names() -> list[str]:
    """Every name there is, sorted."""
    return sorted({each for names in _names().values() for each in names})


def nearest(name: str) -> list[str]:
    """Names that somebody who wrote this may have meant, the nearest first."""
    plain = re.sub(r"[\s-]+", "_", name.strip().lower())
    return difflib.get_close_matches(plain, all_names(), n=3)


def _names() -> dict[Kind, frozenset[str]]:
    return {
        "figure": frozenset(figure_words()),
        "cause": frozenset(cause_words()),
        "check": frozenset(check_words()),
        "finding": frozenset(finding_words()),
    }
