"""A run as the lever's figures read it, each part read when it is first asked for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from analysis.lever.data import LeverData, gather
from analysis.lever.path import LeverPath, lever_path
from analysis.lever.response import Answer, Outlet, outlet_answer, read_outlet
from analysis.measurement import Measurement
from ingest.run import Run


class LeverRecord:
    """Where the lever was and how the outlet answered.

    Every part raises `NotMeasurable` where it cannot be had.

    Parameters
    ----------
    run
        The run.
    outlet
        Its outlet, where that was read already.
    """

    def __init__(self, run: Run, outlet: Outlet | None = None) -> None:
        self.run = run
        self._outlet = outlet

    @cached_property
    def path(self) -> LeverPath:
        """Where the lever was."""
        return lever_path(self.run)

    @cached_property
    def outlet(self) -> Outlet:
        """The outlet in blocks; the noted events have no part in it."""
        return self._outlet or read_outlet(self.run)

    @cached_property
    def answer(self) -> Answer:
        """The outlet against the coolant, and where it may be used."""
        return outlet_answer(self.outlet, self.run.controls)

    @cached_property
    def data(self) -> LeverData:
        """Samples for a fit."""
        return gather(self.answer, self.path)

    def moved(self, run: Run) -> LeverRecord:
        """The same readings with events at other times."""
        return LeverRecord(run, self.outlet)


@dataclass(frozen=True, slots=True)
class ClockOffset(Measurement):
    """Offset of the noted events, s, and the record as they stand now.

    Parameters
    ----------
    record
        Of the run that the offset was taken out of.
    """

    record: LeverRecord | None = None


def record_of(run: Run, clock: Measurement | None) -> LeverRecord:
    """The record that matching the clocks left behind, where it is of this very run."""
    known = clock.record if isinstance(clock, ClockOffset) else None
    return known if known is not None and known.run is run else LeverRecord(run)
