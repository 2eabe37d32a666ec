"""What every figure is handed: the timeline of a run, and what the studies found in it.

Studies are made on first use and kept, so that a figure asks for them without caring who asked
before.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Final, Protocol

import numpy as np

from analysis.coolant.study import CoolantStudy, study_coolant
from analysis.lever.record import Aligned
from analysis.lever.study import LeverStudy, study_lever
from analysis.measurement import Measurement
from analysis.timeline.timeline import Timeline
from analysis.vacuum.study import VacuumStudy, study_vacuum
from ingest.findings import finding
from ingest.run import Finding

NOT_WORKED_OUT: Final = finding(
    "not_worked_out",
    "{why}; please report this log",
    do="Report the log: the program, not the car, is at fault. The other figures hold.",
)


class Measurable(Protocol):
    """What the context asks of a figure (`analysis.figures.Figure` is one)."""

    @property
    def unit(self) -> str:
        """The contract's unit."""

    @property
    def label(self) -> str:
        """What a technician calls it."""

    def measure(self, ctx: Context, /) -> Measurement:
        """Measure it; a figure that cannot be had is a `Measurement` that says why."""


NO_FIGURES: Final[Mapping[str, Measurable]] = {}


class Context(Timeline):
    """A run prepared for measuring.

    Parameters
    ----------
    aligned
        The run with invalid readings null, offsets corrected and its noted events set right
        (`analysis.lever.event_clock.align_events`).
    registry
        The figures that can be asked for by name; the pipeline hands in all of them.
    """

    def __init__(self, aligned: Aligned, registry: Mapping[str, Measurable] = NO_FIGURES) -> None:
        super().__init__(aligned.run)
        self.aligned = aligned
        self.registry = registry
        self.findings: list[Finding] = []
        self._measured: dict[str, Measurement] = {}

    @cached_property
    def coolant(self) -> CoolantStudy:
        """What the coolant did: when the thermostat opened, where the coolant was held."""
        return study_coolant(self)

    @cached_property
    def lever_study(self) -> LeverStudy:
        """What the lever does to the outlet; what is wrong with it becomes a finding."""
        study = study_lever(self.aligned)
        self.findings.extend(study.findings)
        return study

    @cached_property
    def vacuum(self) -> VacuumStudy:
        """What the vacuum did while its source was shut off."""
        return study_vacuum(self)

    def figure(self, name: str) -> Measurement:
        """Measure a figure by name, once.

        Raises
        ------
        KeyError
            Where no such figure is registered.
        """
        if name not in self._measured:
            self._measured[name] = self._measure(self.registry[name])
        return self._measured[name]

    def _measure(self, figure: Measurable) -> Measurement:
        """Measure, and let no surprise in one figure take the others with it."""
        try:
            return figure.measure(self)
        except (ArithmeticError, ValueError, LookupError, np.linalg.LinAlgError) as error:
            why = f"{figure.label} could not be worked out ({type(error).__name__}: {error})"
            self.findings.append(NOT_WORKED_OUT.found(why=why))
            return Measurement.missing(figure.unit, why)

    def figures(self) -> dict[str, Measurement]:
        """Every registered figure, in order."""
        return {name: self.figure(name) for name in self.registry}
