"""By what the runs of a store are judged: one decision of the store, kept in it and numbered.

The limits file and the good cars stand in ``judging.json`` beside the store's settings; where there
is none, the default limits and the store's own runs with the purpose ``baseline`` hold. The store,
the board, dropped logs and an analysis with the store as its baseline all take it from here, so
that a run has one verdict, whoever shows it.
"""

from __future__ import annotations

import json
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.compare.stored import (
    Edition,
    StoredBaseline,
    StoredCar,
    baseline_from_store,
    outcome,
    told_of,
)
from analysis.limits import Limits, default_limits, parse_limits
from ingest.errors import UnusableRun
from ingest.store.decision import DECISION, read_decision, write_decision
from ingest.store.many import Task
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.baseline import Baseline
    from ingest.store.rows import Versions
    from ingest.store.store import Store


@dataclass(frozen=True)
class Judging:
    """What judges the runs of a store.

    Parameters
    ----------
    number
        Of the decision: 1 where nothing was ever decided, one more with each change.
    limits
        The limits file in force.
    baseline
        The good cars; None where there are none.
    good_from
        Name of the folder the good cars came from; empty where they are the store's own.
    """

    number: int
    limits: Limits
    baseline: StoredBaseline | None
    good_from: str = ""

    @cached_property
    def _edition(self) -> Edition:
        return Edition(self.limits, self.baseline)

    def versions(self, family: str | None, heater: str) -> Versions:
        """What a result of today is made with, for a car of this family."""
        return self._edition.versions(family, heater)

    def task(self, folder: Path, database: str | None = None) -> Task:
        """How runs of a store in this folder are worked on."""
        compute = partial(outcome, limits=self.limits, baseline=self.baseline)
        return Task(folder, database, compute, self.versions)

    def said(self, family: str | None, heater: str) -> str:
        """The decision in words, for a car of this family."""
        whose = f"from {self.good_from}" if self.good_from else "of this store"
        told = judged_by(self.limits, self.baseline, family, heater, whose)
        return f"{told} (decision {self.number} of this store)"


def judged_by(
    limits: Limits | None, baseline: Baseline | None, family: str | None, heater: str, whose: str
) -> str:
    """Limits and good cars in words, for a car of a family."""
    count = baseline.count(family, heater) if baseline is not None else 0
    version = (limits or default_limits()).version
    cars = f"{count} good {family or ''} {'car' if count == 1 else 'cars'} {whose}"
    return f"limits {version}, {cars if count else 'no good cars of its family'}"


def judging_of(store: Store) -> Judging:
    """The decision in force.

    Raises
    ------
    UnusableRun
        Where its file cannot be read.
    """
    told = read_decision(store)
    limits = default_limits()
    if told.get("limits") is not None:
        limits = parse_limits(told["limits"], DECISION)
    good = told.get("good_cars")
    if good is None:
        return Judging(told["decision"], limits, _own(store))
    groups: dict[tuple[str, str], tuple[StoredCar, ...]] = {}
    for each in good:
        key = (each["family"], each["heater"])
        groups[key] = (*groups.get(key, ()), StoredCar.of(each["kept"], each.get("vehicle", "")))
    return Judging(told["decision"], limits, StoredBaseline((), groups), told.get("from", ""))


def decide(
    store: Store,
    *,
    limits: str | None = None,
    good: tuple[str, Baseline] | None = None,
    own: bool = False,
) -> Judging:
    """Change the decision; what is not given stays as it is.

    Parameters
    ----------
    store
        Whose runs are judged.
    limits
        Text of a limits file.
    good
        Good cars from elsewhere, with the name of where they are from.
    own
        Whether the store's own good cars are to judge again.

    Returns
    -------
    Judging
        The decision now in force; its number is raised where anything changed.
    """
    before = read_decision(store)
    after = dict(before)
    if limits is not None:
        after["limits"] = limits
    if good is not None:
        after["from"], after["good_cars"] = good[0], told_of(good[1])
    if own:
        after["from"], after["good_cars"] = "", None
    # compared as they are written: a number read back is the number that was written
    if json.loads(json.dumps(after)) != before:
        after["decision"] = before["decision"] + 1
        write_decision(store, after)
    return judging_of(store)


def _own(store: Store) -> StoredBaseline | None:
    try:
        return baseline_from_store(store)
    except UnusableRun:
        # a store without good cars is no fault: the limits file holds
        return None
