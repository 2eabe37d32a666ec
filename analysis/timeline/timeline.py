"""What was going on when, found once for all: states bin by bin, windows, levels.

Studies of the lever, the coolant and the vacuum take a `Timeline`; `analysis.context.Context` adds
the studies to it.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from analysis.measurement import Measurement
from analysis.signal import fluctuation
from analysis.timeline.states import States
from analysis.timeline.windows import HOSES, Windows, cold_windows, hose_windows, hot_windows
from analysis.uncertainty import level

NotedEvent = tuple[float, str, str | None, float | None]
"""Time, s from engine start; control; position as noted; the number in it."""


class Timeline(States):
    """A run's states, and the windows and levels found in them; each is found on first use."""

    @cached_property
    def events(self) -> list[NotedEvent]:
        """Every noted event."""
        columns = ("time_s", "control", "position", "value")
        return list(zip(*(self.run.controls[name].to_list() for name in columns), strict=True))

    @cached_property
    def hot(self) -> Windows:
        """The steady windows with the lever at the hot end."""
        return hot_windows(self)

    @cached_property
    def hot_by_hoses(self) -> Windows:
        """The same for the coolant's drop: where no outlet is logged, where the drop was steady."""
        alone = self.has(*HOSES) and not self.has("outlet")
        return hose_windows(self) if alone else self.hot

    @cached_property
    def cold(self) -> Windows:
        """The steady windows with the lever at the cold end."""
        return cold_windows(self)

    @cached_property
    def hot_samples(self) -> fluctuation.Sampled | str:
        """The outlet's own readings in the steady window, or why they do not serve."""
        window = self.hot.chosen
        if window is None:
            return self.hot.why or "no steady window"
        time, values = self.run.series("outlet")
        begin, end = np.searchsorted(time, self.span(window.start, window.stop))
        return fluctuation.sample(time[begin:end], values[begin:end])

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
