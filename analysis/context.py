"""What every figure is handed: the run, its grid, and the windows found once for all.

Windows are found on first use and kept, so that a figure asks for them without caring who asked
before.
"""

from __future__ import annotations

from functools import cached_property
from typing import Final

import numpy as np

from analysis.coolant import study as coolant
from analysis.figures import Figure, all_figures
from analysis.lever.study import LeverStudy, study_lever
from analysis.measurement import Measurement
from analysis.signal import fluctuation
from analysis.timeline import states, windows
from analysis.timeline.grid import Grid, build_grid
from analysis.uncertainty import level
from analysis.vacuum import study as vacuum
from ingest.arrays import Bools, Floats
from ingest.findings import finding
from ingest.run import Finding, Run

NOT_WORKED_OUT: Final = finding(
    "not_worked_out",
    "{why}; please report this log",
    do="Report the log: the program, not the car, is at fault. The other figures hold.",
)


class Context:
    """A run prepared for measuring.

    Parameters
    ----------
    run
        The run with invalid readings null and offsets corrected.
    clock
        What is left of the offset of the noted events (`analysis.lever.event_clock.align_events`).
    """

    def __init__(self, run: Run, clock: Measurement | None = None) -> None:
        self.run = run
        self.clock = clock
        self.findings: list[Finding] = []
        self._measured: dict[str, Measurement] = {}

    @cached_property
    def grid(self) -> Grid:
        """The run on the common grid."""
        return build_grid(self.run)

    @cached_property
    def events(self) -> list[tuple[float, str, str | None, float | None]]:
        """Every noted event: time, s from engine start; control; position as noted; its number."""
        columns = ("time_s", "control", "position", "value")
        return list(zip(*(self.run.controls[name].to_list() for name in columns), strict=True))

    @cached_property
    def engine_on(self) -> Bools:
        """Whether the engine ran, bin by bin."""
        return states.engine_on(self.grid)

    @cached_property
    def engine_warm(self) -> Bools:
        """Whether the engine was as warm as it got in this run, bin by bin."""
        return states.engine_warm(self)

    @cached_property
    def blowing(self) -> Bools:
        """Whether air may have come out, bin by bin."""
        return states.blowing(self.grid)

    @cached_property
    def changes(self) -> Bools:
        """Bins at which a control other than the lever takes a new position."""
        return states.changes(self.grid)

    @cached_property
    def outlet_seen(self) -> Bools:
        """False within stretches too long without a reading of the outlet's rise."""
        return windows.outlet_seen(self)

    @cached_property
    def lever(self) -> Floats:
        """Position of the temperature lever, %; NaN where it is not known."""
        return states.lever_position(self)

    @cached_property
    def at_hot(self) -> Bools:
        """Whether the lever was at the hot end, bin by bin."""
        return states.at_hot_end(self)

    @cached_property
    def at_cold(self) -> Bools:
        """Whether the lever was at the cold end, bin by bin."""
        return states.at_cold_end(self)

    @cached_property
    def rise_reference(self) -> str | None:
        """The air temperature the outlet's rise is counted from: ambient, else inlet air."""
        return states.rise_reference(self)

    @cached_property
    def rise(self) -> Floats:
        """Outlet less the reference air, K; the outlet itself where there is no reference."""
        outlet = self.values("outlet")
        reference = self.rise_reference
        return outlet if reference is None else outlet - self.values(reference)

    @cached_property
    def hot(self) -> windows.Windows:
        """The steady windows with the lever at the hot end."""
        return windows.hot_windows(self)

    @cached_property
    def cold(self) -> windows.Windows:
        """The steady windows with the lever at the cold end."""
        return windows.cold_windows(self)

    @cached_property
    def hot_samples(self) -> fluctuation.Sampled | str:
        """The outlet's own readings in the steady window, or why they do not serve."""
        window = self.hot.chosen
        if window is None:
            return self.hot.why or "no steady window"
        time, values = self.run.series("outlet")
        begin, end = np.searchsorted(time, self.span(window.start, window.stop))
        return fluctuation.sample(time[begin:end], values[begin:end])

    def condition(self, place: int) -> tuple[float, ...]:
        """Positions of the controls besides the lever at a bin; -1 where not known."""
        return states.condition(self.grid, place)

    def span(self, start: int, stop: int) -> tuple[float, float]:
        """From and to of the bins ``start:stop``, s from engine start."""
        half = self.grid.step / 2
        return float(self.grid.time[start] - half), float(self.grid.time[stop - 1] + half)

    @cached_property
    def coolant(self) -> coolant.CoolantStory:
        """What the coolant did: when the thermostat opened, where the coolant was held."""
        return coolant.tell(self)

    @cached_property
    def lever_study(self) -> LeverStudy:
        """What the lever does to the outlet; what is wrong with it becomes a finding."""
        study = study_lever(self.run, self.clock)
        self.findings.extend(study.findings)
        return study

    @cached_property
    def vacuum(self) -> vacuum.VacuumStory:
        """What the vacuum did while its source was shut off."""
        return vacuum.tell(self)

    def figure(self, name: str) -> Measurement:
        """Measure a figure by name, once.

        Raises
        ------
        KeyError
            Where no such figure is registered.
        """
        if name not in self._measured:
            found = next((each for each in all_figures() if each.name == name), None)
            if found is None:
                raise KeyError(name)
            self._measured[name] = self._measure(found)
        return self._measured[name]

    def _measure(self, figure: Figure) -> Measurement:
        """Measure, and let no surprise in one figure take the others with it."""
        try:
            return figure.measure(self)
        except (ArithmeticError, ValueError, LookupError, np.linalg.LinAlgError) as error:
            why = f"{figure.label} could not be worked out ({type(error).__name__}: {error})"
            self.findings.append(NOT_WORKED_OUT.found(why=why))
            return Measurement.missing(figure.unit, why)

    def figures(self) -> dict[str, Measurement]:
        """Every registered figure, in order."""
        return {each.name: self.figure(each.name) for each in all_figures()}

    def has(self, *points: str) -> bool:
        """Whether all these points have readings on the grid."""
        return all(point in self.grid.values for point in points)

    def has_any(self, *points: str) -> bool:
        """Whether at least one of these points has readings on the grid."""
        return any(point in self.grid.values for point in points)

    def values(self, point: str) -> Floats:
        """Grid readings of a point (NaN where there is none)."""
        return self.grid.value(point)

    def level(self, point: str, start: int, stop: int) -> Measurement:
        """Mean of a point over the bins ``start:stop``, with its uncertainty budget."""
        if stop <= start or not self.has(point):
            return Measurement.missing("", f"no reading of {point}")
        return level(
            self.run.sensors[point], self.values(point)[start:stop], self.span(start, stop)
        )

    def reference_air(self, *, prefer: str) -> str | None:
        """The air temperature a rise is counted from: `prefer`, else the other of the two.

        `ambient` and `inlet_air` stand in for each other, except that with the air recirculating
        the outside air is not what enters the heater; callers check `recirculating`.
        """
        other = {"ambient": "inlet_air", "inlet_air": "ambient"}[prefer]
        return next((point for point in (prefer, other) if self.has(point)), None)

    def recirculating(self, start: int, stop: int) -> bool:
        """Whether the mode was recirculate at any time in the bins ``start:stop``."""
        return bool(np.any(self.grid.mode[start:stop] == RECIRCULATE))


RECIRCULATE = 5
"""Index of `recirculate` in `ingest.points.MODES`."""
