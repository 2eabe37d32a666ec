"""The noise-free run: what was simulated and what came of it, before any sensor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ingest.arrays import Floats
from sample_logs.simulator.car import Car
from sample_logs.simulator.mixing import full_flow
from sample_logs.simulator.schedule import STEP_S, Schedule
from sample_logs.simulator.settled import Conditions
from sample_logs.simulator.signals import Span, spans
from sample_logs.simulator.thermal import Drive


@dataclass(frozen=True)
class Model:
    """The noise-free run on the simulation's clock.

    Parameters
    ----------
    car, schedule, drive
        What was simulated.
    traces
        Noise-free temperatures by measuring point, the reservoir's vacuum as `vacuum_source`,
        and the thermostat's `lift`.
    drawn
        Stroke of the actuators, 0 to 1.
    travel
        Travel of the door or valve, 0 to 1.
    """

    car: Car
    schedule: Schedule
    drive: Drive
    traces: Mapping[str, Floats]
    drawn: Floats
    travel: Floats

    def hot_spans(self) -> list[Span]:
        """Stretches at the hot end with every control and the road speed unchanged."""
        return [span for span in self._still_spans() if self.schedule.lever[span[0]] > 99.5]

    def cold_spans(self) -> list[Span]:
        """Stretches at the cold end with the blower running and every control unchanged."""
        return [span for span in self._still_spans() if self.schedule.lever[span[0]] < 0.5]

    def _still_spans(self) -> list[Span]:
        plan = self.schedule
        keys = (plan.lever, plan.blower, plan.mode, plan.air_door, plan.defrost)
        found = spans(*keys, plan.running, plan.goal)
        return [span for span in found if plan.running[span[0]] and plan.blower[span[0]] > 0]

    def slope(self, point: str, span: Span) -> float:
        """Straight-line slope of a trace over a span, its unit per s."""
        part = self.traces[point][span[0] : span[1]]
        return float(np.polyfit(np.arange(part.size) * STEP_S, part, 1)[0])

    def conditions(self, span: Span) -> Conditions:
        """Means over a span, the coolant as at its source."""
        drive = self.drive
        part = slice(*span)

        def mean(values: Floats) -> float:
            return float(values[part].mean())

        return Conditions(
            coolant=mean(self.traces["engine_coolant"]),
            inlet_air=mean(self.traces["inlet_air"]),
            ambient=mean(self.traces["ambient"]),
            cabin=mean(self.traces["cabin"]),
            speed=mean(drive.speed),
            air=mean(drive.air),
            full_flow=mean(full_flow(self.car, drive.rpm)),
            leak=mean(drive.leak),
            floor=mean(drive.floor),
            drawn=mean(self.drawn),
        )
