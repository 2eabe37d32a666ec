"""The settled car: what the march comes to when nothing changes any more."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.ensemble import heater
from tests.other_cars.ensemble.car import Car
from tests.other_cars.settled import Conditions
from tests.other_cars.trips import FLOOR_SHARE

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Model:
    """What the truth of a drive asks of its car (see `tests.other_cars.truth`)."""

    car: Car

    def actuator_for(self, backlash: Floats) -> Floats:
        return heater.commanded(self.car, backlash)

    def leak_rate(self, line: Floats) -> Floats:
        return heater.leak_rate(self.car, line)

    def settled_heater(self, actuator: Floats, c: Conditions) -> tuple[Floats, Floats]:
        """Outlet (fully fed, where its sensor sits) and supply hose, °C."""
        car = self.car
        air = heater.air_flow(car, c.blower, c.air_door, c.speed)
        t = heater.transfer(
            car, actuator, c.vacuum, c.revs, air, c.speed, lift=c.lift,
            running=heater.mean_running(car),
        )  # fmt: skip
        bay = heater.under_hood(c.engine, c.ambient)
        supply = (t.water * c.engine + car.hose_loss * bay) / (t.water + car.hose_loss)
        mixed = c.inlet + t.core / t.air * (supply - c.inlet)
        keep, to_cabin = heater.duct(car, t.air / heater.CP_AIR)
        around = to_cabin * c.cabin + (1 - to_cabin) * c.ambient
        outlet = around + keep * (mixed - around)
        seen = car.outlet_sees_cabin
        return (1 - seen) * outlet + seen * c.cabin, supply

    def settled_foot(self, outlet: Floats, c: Conditions, mode: int) -> Floats:
        """Footwell for an outlet, °C."""
        air = heater.air_flow(self.car, c.blower, c.air_door, c.speed)
        return heater.foot_target(
            self.car, outlet, c.cabin, c.ambient, air * FLOOR_SHARE[mode], c.speed
        )
