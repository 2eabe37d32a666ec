"""The heat balance, stepped through time: engine, heater, ducts, footwell, cabin.

Every part is one heat capacity between conductances, stepped implicitly (backward Euler) where its
own time constant may come near the step, explicitly where it is large. The parts are documented
with their numbers in `sample_logs.simulator.car`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats
from sample_logs.simulator.car import Car
from sample_logs.simulator.core import NO_FLOW, conductances
from sample_logs.simulator.schedule import STEP_S

UNDERHOOD_SHARE = 0.45
"""Engine bay air lies this far between outside air and coolant."""

RECIRCULATED = 0.85
"""Cabin air in what the blower draws with the mode on recirculate."""

CABIN_GAIN_W = 120.0
"""Heat of the people at work once the blower runs; nobody sits in a car left to soak, W."""


@dataclass(frozen=True)
class Drive:
    """What drives the heat balance; arrays of shape (n,) on the simulation's clock.

    Parameters
    ----------
    ambient
        Outside air, °C.
    speed
        Road speed, m/s.
    rpm
        Engine speed, 0 when stopped.
    air
        Heat capacity rate of all the air, W/K.
    core_share
        Share of the air through the core.
    coolant
        Heat capacity rate of the coolant through the heater, W/K.
    leak
        Share of the air past the core.
    floor
        Share of the air to the floor.
    recirculating
        Whether the blower draws cabin air.
    """

    ambient: Floats
    speed: Floats
    rpm: Floats
    air: Floats
    core_share: Floats
    coolant: Floats
    leak: Floats
    floor: Floats
    recirculating: NDArray[np.bool_]

    def rows(self) -> Iterator[tuple[float, ...]]:
        """One tuple a step, as plain floats."""
        columns = (
            self.ambient,
            self.speed,
            self.rpm,
            self.air,
            self.core_share,
            self.coolant,
            self.leak,
            self.floor,
            self.recirculating.astype(float),
        )
        return zip(*(column.tolist() for column in columns), strict=True)


RECORDED = (
    "engine_coolant",
    "coolant_in",
    "coolant_out",
    "inlet_air",
    "mixed",
    "outlet",
    "outlet_defrost",
    "footwell",
    "cabin",
    "lift",
)
"""What `run` returns a column of."""


class Plant:
    """The state of all heat capacities of one car.

    Parameters
    ----------
    car
        The car.
    soaked
        Temperature everything has been left at overnight, °C.
    """

    __slots__ = (
        "_back", "_cabin", "_car", "_core", "_duct", "_duct_defrost", "_engine", "_feet",
        "_inlet", "_lift", "_mixed", "_off_air", "_out", "_out_defrost", "_radiator", "_returned",
        "_supply", "_wax", "_wax_followed",
    )  # fmt: skip

    def __init__(self, car: Car, soaked: float) -> None:
        self._car = car
        self._engine = self._wax = self._wax_followed = self._radiator = soaked
        self._supply = self._core = self._returned = self._back = soaked
        self._inlet = self._mixed = self._off_air = self._duct = self._duct_defrost = soaked
        self._out = self._out_defrost = self._feet = self._cabin = soaked
        self._lift = car.thermostat.least_lift

    def run(self, drive: Drive) -> dict[str, Floats]:
        """Step through the drive and record the columns of `RECORDED`."""
        rows = []
        for ambient, speed, rpm, air, share, coolant, leak, floor, recirculating in drive.rows():
            self._step_engine(ambient, speed, rpm, coolant)
            self._step_heater(ambient, speed, air, share, coolant, leak, recirculating)
            self._step_ducts(air, floor)
            self._step_cabin(ambient, speed, air, floor)
            rows.append(
                (
                    self._engine, self._supply, self._returned, self._inlet, self._mixed,
                    self._out, self._out_defrost, self._feet, self._cabin, self._lift,
                )
            )  # fmt: skip
        table = np.array(rows)
        return {name: table[:, index] for index, name in enumerate(RECORDED)}

    def _step_engine(self, ambient: float, speed: float, rpm: float, coolant: float) -> None:
        """Engine, wax, thermostat plate with its hysteresis, radiator."""
        engine, thermostat, radiator = self._car.engine, self._car.thermostat, self._car.radiator
        self._wax += (self._engine - self._wax) * STEP_S / thermostat.lag
        if self._wax > self._wax_followed:
            self._wax_followed = self._wax
        elif self._wax + thermostat.hysteresis < self._wax_followed:
            self._wax_followed = self._wax + thermostat.hysteresis
        drawn = (self._wax_followed - thermostat.opens) / thermostat.band
        self._lift = min(1.0, max(thermostat.least_lift, drawn))
        flow = radiator.flow * self._lift * rpm / 1000.0
        to_air = radiator.air + radiator.air_per_speed * speed
        pull = STEP_S / radiator.capacity
        self._radiator = (self._radiator + pull * (flow * self._engine + to_air * ambient)) / (
            1.0 + pull * (flow + to_air)
        )
        heat = 0.0
        if rpm > 300.0:
            heat = engine.heat_idle + speed * (
                engine.heat_per_speed + speed * engine.heat_per_speed_squared
            )
        heat -= flow * (self._engine - self._radiator)
        heat -= coolant * (self._engine - self._back)
        heat -= (engine.loss + engine.loss_per_speed * speed) * (self._engine - ambient)
        self._engine += heat * STEP_S / engine.capacity

    def _step_heater(
        self,
        ambient: float,
        speed: float,
        air: float,
        share: float,
        coolant: float,
        leak: float,
        recirculating: float,
    ) -> None:
        """Supply hose, core, return hose, air off the core, mixing chamber."""
        loop, flow = self._car.loop, self._car.airflow
        underhood = ambient + UNDERHOOD_SHARE * (self._engine - ambient)
        pull = STEP_S / loop.hose_capacity
        loss = loop.hose_loss
        self._supply = (self._supply + pull * (coolant * self._engine + loss * underhood)) / (
            1.0 + pull * (coolant + loss)
        )
        warmed = flow.pick_up * (self._engine - ambient) / 90.0 / (1.0 + speed / 5.0)
        drawn = ambient + warmed
        if recirculating:
            drawn = RECIRCULATED * self._cabin + (1.0 - RECIRCULATED) * ambient
        self._inlet += (drawn - self._inlet) * STEP_S * (air + 8.0) / flow.box_capacity
        through = share * (1.0 - leak) * air
        g_coolant, g_air = conductances(loop, through, coolant)
        pull = STEP_S / loop.capacity
        # a core without air still loses a little to the case
        g_case = 0.0 if through > NO_FLOW else 0.8
        self._core = (
            self._core + pull * (g_coolant * self._supply + (g_air + g_case) * self._inlet)
        ) / (1.0 + pull * (g_coolant + g_air + g_case))
        self._off_air = self._core
        if through > NO_FLOW:
            self._off_air = self._inlet + g_air / through * (self._core - self._inlet)
        left = self._core
        if coolant > NO_FLOW:
            left = self._supply - g_coolant / coolant * (self._supply - self._core)
        pull = STEP_S / loop.hose_capacity
        self._returned = (self._returned + pull * (coolant * left + loss * underhood)) / (
            1.0 + pull * (coolant + loss)
        )
        self._back = self._returned if coolant > NO_FLOW else self._engine
        if air > 1.0:
            mixed = self._inlet + share * (1.0 - leak) * (self._off_air - self._inlet)
            self._mixed += (mixed - self._mixed) * STEP_S / self._car.ducts.chamber_lag

    def _step_ducts(self, air: float, floor: float) -> None:
        """Floor and defroster ducts: the air exchanges heat with the wall it passes."""
        self._out, self._duct = self._pass(floor * air, self._duct)
        self._out_defrost, self._duct_defrost = self._pass((1.0 - floor) * air, self._duct_defrost)

    def _pass(self, air: float, wall: float) -> tuple[float, float]:
        ducts = self._car.ducts
        exchanged = -math.expm1(-ducts.wall / air) if air > 0.5 else 1.0
        pull = STEP_S / ducts.capacity
        gain = exchanged * air
        wall = (wall + pull * (gain * self._mixed + ducts.loss * self._cabin)) / (
            1.0 + pull * (gain + ducts.loss)
        )
        return self._mixed - exchanged * (self._mixed - wall), wall

    def _step_cabin(self, ambient: float, speed: float, air: float, floor: float) -> None:
        """Footwell between the floor outlets, the cabin and drafts; the cabin behind it."""
        body = self._car.body
        jet = body.jet * floor * air
        draft = body.draft_per_speed * speed
        pull = STEP_S / body.footwell_capacity
        self._feet = (
            self._feet + pull * (jet * self._out + body.exchange * self._cabin + draft * ambient)
        ) / (1.0 + pull * (jet + body.exchange + draft))
        gain = jet * (self._feet - self._cabin) + (air - jet) * (self._mixed - self._cabin)
        gain += body.exchange * (self._feet - self._cabin)
        gain += CABIN_GAIN_W if air > 1.0 else 0.0
        gain -= (body.hull + body.hull_per_speed * speed) * (self._cabin - ambient)
        self._cabin += gain * STEP_S / body.cabin_capacity
