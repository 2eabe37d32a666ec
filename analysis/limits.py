"""Limits of the figures: a file an engineer can read and change, and the default one.

A limit is policy, not physics: it carries its basis in words. Precedence: the family's, the heater
layout's, the one for all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field, replace
from functools import cache
from importlib import resources
from typing import Any, Final, get_args

from analysis.figures import figures_by_name
from ingest.errors import Fault, UnusableRun, did_you_mean
from ingest.saying import joined
from ingest.setup.model import Heater
from ingest.setup.toml_text import parse_toml
from ingest.values import dataclass

IDLING_TIMES: Final = 2.0
IDLING: Final = (
    "doubled, as the car was hardly driven: an idling engine gives half the heat or less "
    "(common practice, no source)"
)

_HEADER: Final = ("version", "author", "date", "basis")
_FINGERPRINT: Final = "fingerprint"
_KEYS: Final = ("low", "high", "basis", "harmless", "unlimited", "good_runs", "bad_runs")


@dataclass(frozen=True, slots=True)
class Limit:
    """What a figure may be, in the figure's own unit; a side that is None is open.

    Parameters
    ----------
    low, high
        Bounds; a value on the bound is good.
    basis
        Where they come from, in words.
    harmless
        With a baseline, how far from its family's mean a car may always be.
    good_runs, bad_runs
        Where it was tuned: the beginnings of the ids of the labelled runs it lies between.
    cancels
        Sources of error that it has in common with what is judged by it.
    """

    low: float | None
    high: float | None
    basis: str
    harmless: float = 0.0
    good_runs: tuple[str, ...] = ()
    bad_runs: tuple[str, ...] = ()
    cancels: tuple[str, ...] = ()

    @property
    def none(self) -> bool:
        """Whether both sides are open."""
        return self.low is None and self.high is None


@dataclass(frozen=True)
class Limits:
    """A limits file.

    Parameters
    ----------
    version, author, date, basis
        Who set them, when and from what; the version is reported with every verdict.
    figures
        By figure, for all heaters.
    heaters, families
        By heater layout or family, then by figure; these go before `figures`.
    fingerprint
        sha256 of the data they were tuned on; empty where they were set by hand.
    """

    version: str
    author: str
    date: str
    basis: str
    figures: Mapping[str, Limit] = field(default_factory=dict)
    heaters: Mapping[str, Mapping[str, Limit]] = field(default_factory=dict)
    families: Mapping[str, Mapping[str, Limit]] = field(default_factory=dict)
    fingerprint: str = ""


def limits_for(limits: Limits, family: str | None, heater: str) -> dict[str, Limit]:
    """The limits in force for one car, by figure; figures without a limit are absent."""
    merged = {
        **limits.figures,
        **limits.heaters.get(heater, {}),
        **limits.families.get(family or "", {}),
    }
    return {name: limit for name, limit in merged.items() if not limit.none}


def for_standing(limits: Mapping[str, Limit]) -> dict[str, Limit]:
    """Limits for a car that was hardly driven: an idling engine takes longer to warm up.

    Only the default limits are changed; who sets others has said which test they are for.
    """
    known, default = figures_by_name(), default_limits().figures
    changed = dict(limits)
    for name, limit in limits.items():
        given = default.get(name)
        if given is None or limit.high is None or not known[name].driven_u:
            continue
        if (limit.low, limit.high) == (given.low, given.high):
            basis = joined("; ", (limit.basis, IDLING))
            changed[name] = replace(limit, high=IDLING_TIMES * limit.high, basis=basis)
    return changed


def with_limit(limits: Limits, figure: str, limit: Limit, family: str | None) -> Limits:
    """Limits with one of them changed: for a family, or for all cars where that is None.

    For all cars it also takes the place of what stands there for one heater layout or one family.
    """
    if family is not None:
        own = {**limits.families.get(family, {}), figure: limit}
        return replace(limits, families={**limits.families, family: own})

    def changed(tables: Mapping[str, Mapping[str, Limit]]) -> dict[str, Mapping[str, Limit]]:
        return {
            name: {**table, figure: limit} if figure in table else table
            for name, table in tables.items()
        }

    return replace(
        limits,
        figures={**limits.figures, figure: limit},
        heaters=changed(limits.heaters),
        families=changed(limits.families),
    )


@cache
def default_limits() -> Limits:
    """The documented default limits."""
    text = resources.files("analysis").joinpath("data", "limits.toml").read_text("utf-8")
    return parse_limits(text, "default limits")


def parse_limits(text: str, file: str = "limits.toml") -> Limits:
    """Read and validate the text of a limits file.

    Raises
    ------
    UnusableRun
        With one fault for each mistake.
    """
    document = parse_toml(text, file)
    reader = _Reader(file)
    header = {key: reader.header(document, key) for key in _HEADER}
    if _FINGERPRINT in document:
        header[_FINGERPRINT] = reader.header(document, _FINGERPRINT)
    for key in document:
        if key not in (*_HEADER, _FINGERPRINT, "figure", "heater", "family"):
            reader.fault(
                key,
                "a table or key this version does not know",
                did_you_mean(key, _TABLES, "remove it"),
            )
    figures = reader.group(document.get("figure", {}), "figure")
    heaters = reader.groups(document.get("heater", {}), "heater", get_args(Heater))
    families = reader.groups(document.get("family", {}), "family", None)
    if not (figures or heaters or families) and not reader.faults:
        reader.fault("", "no limit", "add [figure.NAME] with low or high")
    if reader.faults:
        raise UnusableRun(reader.faults)
    return Limits(**header, figures=figures, heaters=heaters, families=families)


_TABLES: Final = ("figure", "heater", "family")


class _Reader:
    """Collects every fault instead of stopping at the first."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []

    def fault(self, place: str, found: str, remedy: str, expected: str = "") -> None:
        where = f"{self.file} [{place}]" if place else self.file
        self.faults.append(
            Fault(where, found, expected or "the form of the default limits", remedy)
        )

    def header(self, document: Mapping[str, Any], key: str) -> str:
        value = document.get(key)
        if value is None or isinstance(value, dict | list | bool) or not str(value).strip():
            self.fault(key, "nothing" if value is None else repr(value)[:60], f'add {key} = "..."',
                       "a value: limits say who set them, when and from what")  # fmt: skip
        return str(value)

    def groups(
        self, tables: Any, place: str, known: tuple[str, ...] | None
    ) -> dict[str, dict[str, Limit]]:
        if not isinstance(tables, dict):
            self.fault(place, repr(tables)[:60], f"write [{place}.NAME.FIGURE]", "tables")
            return {}
        for name in tables:
            if known is not None and name not in known:
                hint = did_you_mean(name, known, "remove it")
                self.fault(f"{place}.{name}", f"layout {name!r}", hint, " or ".join(known))
        return {name: self.group(table, f"{place}.{name}") for name, table in tables.items()}

    def group(self, tables: Any, place: str) -> dict[str, Limit]:
        if not isinstance(tables, dict):
            self.fault(place, repr(tables)[:60], f"write [{place}.FIGURE]", "tables")
            return {}
        found = {}
        for figure, table in tables.items():
            where = f"{place}.{figure}"
            if figure not in figures_by_name():
                hint = did_you_mean(figure, figures_by_name(), "remove it")
                self.fault(where, f"figure {figure!r}", hint, "a figure of the result")
            elif not isinstance(table, dict):
                self.fault(where, repr(table)[:60], f"write [{where}] and low or high below it",
                           "a table")  # fmt: skip
            else:
                found[figure] = self.limit(table, where)
        return found

    def limit(self, table: Mapping[str, Any], where: str) -> Limit:
        for key in table:
            if key not in _KEYS:
                self.fault(
                    where, f"key {key!r}", did_you_mean(key, _KEYS, "remove it"), ", ".join(_KEYS)
                )
        basis = table.get("basis")
        if not isinstance(basis, str) or not basis.strip():
            self.fault(where, "no basis", 'add basis = "..."', "where the limit comes from")
            basis = ""
        low, high = self.number(table, "low", where), self.number(table, "high", where)
        unlimited = table.get("unlimited", False)
        given = "low" in table or "high" in table
        if not isinstance(unlimited, bool):
            self.fault(where, f"unlimited = {unlimited!r}", "write true or leave it out", "true")
        elif unlimited == given:
            self.fault(where, "both a limit and unlimited" if given else "neither low nor high",
                       "give low, high or both, or else unlimited = true", "a limit")  # fmt: skip
        if low is not None and high is not None and low >= high:
            self.fault(where, f"low = {low:g} and high = {high:g}", "exchange or correct them",
                       "low below high")  # fmt: skip
        harmless = self.number(table, "harmless", where) or 0.0
        if harmless < 0.0:
            self.fault(where, f"harmless = {harmless:g}", "write the difference without a sign",
                       "zero or more")  # fmt: skip
        good, bad = (self.runs(table, key, where) for key in ("good_runs", "bad_runs"))
        return Limit(low, high, basis, harmless, good, bad)

    def runs(self, table: Mapping[str, Any], key: str, where: str) -> tuple[str, ...]:
        runs = table.get(key, [])
        if isinstance(runs, list) and all(isinstance(each, str) for each in runs):
            return tuple(runs)
        self.fault(where, f"{key} = {runs!r}"[:80], "write them as texts in brackets",
                   "ids of runs")  # fmt: skip
        return ()

    def number(self, table: Mapping[str, Any], key: str, where: str) -> float | None:
        value = table.get(key)
        if value is None:
            return None
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
        ):
            found = f"{key} = {value!r}"[:80]
            self.fault(where, found, "write it plainly, in the figure's unit", "a finite number")
            return None
        return float(value)
