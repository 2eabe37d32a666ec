"""A run as the lever's figures read it, each part read when it is first asked for."""

from __future__ import annotations

from functools import cached_property

from analysis.lever.data import LeverData, gather
from analysis.lever.path import LeverPath, lever_path
from analysis.lever.response import Outlet, Response, outlet_response, read_outlet
from analysis.measurement import Measurement
from ingest.arrays import Floats
from ingest.run import Run
from ingest.values import dataclass


class LeverRecord:
    """Where the lever was and how the outlet responded.

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
    def response(self) -> Response:
        """The outlet against the coolant, and where it may be used."""
        return outlet_response(self.outlet, self.run.controls)

    @cached_property
    def data(self) -> LeverData:
        """Samples for a fit."""
        return gather(self.response, self.path)

    def moved(self, run: Run) -> LeverRecord:
        """The same readings with events at other times."""
        return LeverRecord(run, self.outlet)


@dataclass(frozen=True, slots=True)
class MatchedModel:
    """The model that matched the clocks: where the lever's own fit begins.

    Parameters
    ----------
    params
        In the order of the places in `analysis.lever.fit.model`, up to `FIRST_INIT`.
    change
        What the whole travel changes the outlet by, in the response's own scale.
    scatter
        Of the response about the first guess, in the same scale.
    rest
        Of the response about the fit, in the same scale.
    """

    params: Floats
    change: float
    scatter: float
    rest: float


@dataclass(frozen=True, slots=True)
class Aligned:
    """A run whose noted events stand where the log's own clock puts them.

    Parameters
    ----------
    run
        The run, its events moved where that was called for.
    offset
        Log time less event time, s, as it was found; without value where it could not be, None
        where nobody looked for it.
    record
        The run as the lever's figures read it, where that was needed to find the offset.
    start
        What the lever's fit begins with; None where several offsets explain the log, or none.
    """

    run: Run
    offset: Measurement | None = None
    record: LeverRecord | None = None
    start: MatchedModel | None = None

    def read(self) -> LeverRecord:
        """The run as the lever's figures read it."""
        return self.record or LeverRecord(self.run)
