"""Between the analysis and the store: what goes in with a run, and good cars out of it.

A run's figures with their budgets and its evidence are kept beside its result, so that ten thousand
stored runs make a baseline without one of them being analyzed again.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, field
from functools import cache, cached_property
from importlib import metadata
from typing import TYPE_CHECKING, Any

from analysis.baseline import Baseline, Spread, spreads_in
from analysis.causes.conditions import Conditions
from analysis.causes.evidence import Evidence, evidence_of
from analysis.causes.knowledge import check_names
from analysis.causes.running import Running
from analysis.limits import Limits, default_limits
from analysis.measured import Measured
from analysis.measurement import Measurement
from analysis.pipeline import judge_measured, measure
from analysis.result import DEFINITIONS, document
from ingest.check_sheet import Checked, found_by_check
from ingest.errors import Fault, UnusableRun
from ingest.store.read import Filter, kept
from ingest.store.rows import Outcome, Versions
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.run import Run
    from ingest.store.store import Store

GOOD = Filter(purpose="baseline")
"""Runs of a store that stand for good cars."""


def outcome(
    run: Run,
    limits: Limits | None = None,
    baseline: Baseline | None = None,
    *,
    soak: bool = True,
    sheet: Sequence[Checked] = (),
) -> Outcome:
    """What a store holds of a run's analysis (see `analysis.pipeline.analyze`).

    Raises
    ------
    UnusableRun
        Where a check stands on its sheet that there is not.
    """
    measured = measure(run, soak=soak)
    checked = found_by_check(sheet, check_names())
    return Outcome(
        document(judge_measured(measured, limits, baseline, checked)),
        keep(measured),
        {name: _finite(each.random) for name, each in measured.figures.items()},
    )


def keep(measured: Measured) -> dict[str, Any]:
    """What a run tells as a good car, ready for `json.dumps`; `StoredCar.of` reads it."""
    return _kept(measured.figures, evidence_of(measured))


def _kept(figures: Mapping[str, Measurement], evidence: Evidence) -> dict[str, Any]:
    return {
        "figures": {
            name: {
                "value": each.value,
                "unit": each.unit,
                "random": each.random,
                "shared": dict(each.shared),
            }
            for name, each in figures.items()
            if each.u is not None and math.isfinite(each.known()) and math.isfinite(each.u)
        },
        "evidence": {
            "figures": {
                name: list(pair)
                for name, pair in evidence.figures.items()
                if all(math.isfinite(each) for each in pair)
            },
            "signs": dict(evidence.signs),
            "air_degC": _finite(evidence.air_degC),
            "running": {name: _finite(value) for name, value in asdict(evidence.running).items()},
            "idled": evidence.idled,
            "alike": dict(evidence.alike),
        },
    }


@dataclass(frozen=True)
class StoredCar:
    """A good car as the store kept it.

    Parameters
    ----------
    figures
        Its figures with their budgets, by name.
    evidence
        What it tells the causes.
    vehicle
        Which car; empty where that was not kept.
    """

    figures: Mapping[str, Measurement]
    evidence: Evidence
    vehicle: str = ""

    @classmethod
    def of(cls, told: Mapping[str, Any], vehicle: str) -> StoredCar:
        """From what `keep` kept of it."""
        evidence = told["evidence"]
        return cls(
            {name: Measurement(**parts) for name, parts in told["figures"].items()},
            Evidence(
                {name: (value, u) for name, (value, u) in evidence["figures"].items()},
                evidence["signs"],
                evidence["air_degC"],
                # not kept by earlier versions
                Running(**evidence.get("running", {})),
                evidence.get("idled", False),
                evidence.get("alike", {}),
            ),
            vehicle,
        )


@dataclass(frozen=True)
class StoredBaseline(Baseline):
    """Good cars of a store, by family and heater layout.

    Parameters
    ----------
    good
        None: no stored car was measured in this process.
    stored
        The cars by family and heater.
    """

    stored: Mapping[tuple[str, str], tuple[StoredCar, ...]] = field(default_factory=dict)

    @cached_property
    def _spreads(self) -> dict[tuple[str, str], tuple[dict[str, Spread], Conditions]]:
        return {
            key: spreads_in([car.figures for car in cars], [car.evidence for car in cars])
            for key, cars in self.stored.items()
        }

    def evidence(self, family: str | None, heater: str) -> tuple[Evidence, ...]:
        """What the family's good cars tell the causes."""
        return tuple(car.evidence for car in self.stored.get((family or "", heater), ()))

    def figures(self, family: str | None, heater: str) -> tuple[Mapping[str, Measurement], ...]:
        """Figures of the family's good cars, in the order of their `evidence`."""
        return tuple(car.figures for car in self.stored.get((family or "", heater), ()))

    def kin(
        self, family: str | None, heater: str, vehicle: str
    ) -> tuple[Mapping[str, Measurement], ...]:
        """Figures of the family's good cars other than this one."""
        cars = self.stored.get((family or "", heater), ())
        return tuple(car.figures for car in cars if car.vehicle != vehicle)

    def count(self, family: str | None, heater: str) -> int:
        """Good cars of the family with this heater layout."""
        return len(self.stored.get((family or "", heater), ()))


def baseline_from_store(store: Store) -> StoredBaseline:
    """The good cars of a store: its runs with the purpose ``baseline``.

    Raises
    ------
    UnusableRun
        Where it holds none.
    """
    groups: dict[tuple[str, str], list[StoredCar]] = {}
    for each in kept(store, GOOD):
        if each.family:
            groups.setdefault((each.family, each.heater), []).append(
                StoredCar.of(each.kept, each.vehicle)
            )
    if not groups:
        raise UnusableRun(
            Fault(
                str(store.folder),
                "no run of a known-good car",
                'runs with purpose = "baseline" and a family',
                "add some, or bring the store up to date with `lukewarm store refresh`",
            )
        )
    return StoredBaseline((), {key: tuple(cars) for key, cars in groups.items()})


def told_of(baseline: Baseline) -> list[dict[str, Any]]:
    """Good cars as a store writes them down, ready for `json.dumps`."""
    if isinstance(baseline, StoredBaseline):
        return [
            {
                "vehicle": car.vehicle,
                "family": family,
                "heater": heater,
                "kept": _kept(car.figures, car.evidence),
            }
            for (family, heater), cars in baseline.stored.items()
            for car in cars
        ]
    return [
        {
            "vehicle": car.run.setup.run.vehicle,
            "family": car.run.setup.run.family,
            "heater": car.run.setup.run.heater,
            "kept": keep(car),
        }
        for car in baseline.good
        if car.run.setup.run.family
    ]


class Edition:
    """The versions that results are made with today, for the limits and baseline in use.

    Parameters
    ----------
    limits
        The limits file; the default where None.
    baseline
        Good cars the runs are judged against; None where they are not.
    """

    def __init__(self, limits: Limits | None = None, baseline: Baseline | None = None) -> None:
        limits = limits or default_limits()
        self._limits = f"{limits.version} {_digest(asdict(limits))}"
        self._baseline = baseline
        self._families: dict[tuple[str | None, str], Versions] = {}

    def versions(self, family: str | None, heater: str) -> Versions:
        """Versions for a car: of the baseline only its own family counts."""
        key = (family, heater)
        if key not in self._families:
            good = self._baseline.figures(family, heater) if self._baseline else ()
            told = sorted(
                [name, each.value, each.random]
                for car in good
                for name, each in car.items()
                if each.value is not None
            )
            aside = f", {len(good)} good cars {_digest(told)}" if good else ""
            self._families[key] = Versions(code_version(), DEFINITIONS, self._limits + aside)
        return self._families[key]


@cache
def code_version() -> str:
    """Version of the installed program."""
    return metadata.version("lukewarm")


def _digest(told: object) -> str:
    return hashlib.sha256(json.dumps(told, sort_keys=True, default=str).encode()).hexdigest()[:8]


def _finite(number: float | None) -> float | None:
    return number if number is not None and math.isfinite(number) else None
