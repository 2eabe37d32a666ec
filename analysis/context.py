"""What every figure is handed: the run, its grid, and the windows found once for all.

Windows are found on first use and kept, so that a figure asks for them without caring who asked
before.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from analysis.figures import all_figures
from analysis.grid import Floats, Grid, build_grid
from analysis.measurement import Measurement
from analysis.uncertainty import level
from ingest.run import Finding, Run


class Context:
    """A run prepared for measuring.

    Parameters
    ----------
    run
        The run with invalid readings null and offsets corrected.
    """

    def __init__(self, run: Run) -> None:
        self.run = run
        self.findings: list[Finding] = []
        self._measured: dict[str, Measurement] = {}

    @cached_property
    def grid(self) -> Grid:
        """The run on the common grid."""
        return build_grid(self.run)

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
            self._measured[name] = found.measure(self)
        return self._measured[name]

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
        time = self.grid.time
        if stop <= start or not self.has(point):
            return Measurement.missing("", f"no reading of {point}")
        half = self.grid.step / 2
        window = (float(time[start] - half), float(time[stop - 1] + half))
        return level(self.run.sensors[point], self.values(point)[start:stop], window)

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
