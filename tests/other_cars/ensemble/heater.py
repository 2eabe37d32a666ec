"""The heater at given controls: what the march and the settled state both rest on.

`transfer` turns positions and speeds into flows and one conductance, W of heat for each K between
supply hose and entering air. Everything here is algebra on arrays of one common shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.ensemble.car import Car
from tests.other_cars.ensemble.laws.air import BLOWERS, CP_AIR, DUCTS, PATHS, RAMS
from tests.other_cars.ensemble.laws.cabin import LEAKS
from tests.other_cars.ensemble.laws.core import CORES
from tests.other_cars.ensemble.laws.engine import PUMPS
from tests.other_cars.ensemble.laws.mixing import LINKAGES, MIXINGS, VALVES
from tests.other_cars.ensemble.laws.vacuum import LOSSES
from tests.other_cars.trips import FLOOR_SHARE, MODES

Floats = NDArray[np.float64]

CP_COOLANT: Final = 3500.0
NO_VACUUM_SHARE: Final = 0.14
"""Share of the air at the floor when the deflector has fallen back."""

ASTRAY_SHARE: Final = 0.10


@dataclass(frozen=True)
class Transfer:
    """Flows as capacity rates and conductance, W/K."""

    air: Floats
    water: Floats
    core: Floats


def commanded(car: Car, backlash: Floats) -> Floats:
    """Position 0..1 of the door or valve for a cable position, %."""
    x = np.clip((backlash - car.closed_at) / (car.open_at - car.closed_at), 0, 1)
    x = LINKAGES[car.law("linkage")](x, car.k("linkage"))
    return 1 - x if car.backwards else x


def reach(needs: float, vacuum: Floats) -> Floats:
    """How far vacuum moves what needs it; 1 where it is moved by cable."""
    return np.clip(vacuum / needs, 0, 1) if needs > 0 else np.ones_like(vacuum)


def openings(car: Car, x: Floats, vacuum: Floats) -> tuple[Floats, Floats]:
    """Share of the air through the core and share of the full coolant flow."""
    moved = reach(car.needs_vacuum, vacuum)
    if car.heater == "water-valve":
        flow = VALVES[car.law("valve")](x * moved, car.k("valve"))
        return np.ones_like(flow), car.valve_seep + (1 - car.valve_seep) * flow
    share = MIXINGS[car.law("mixing")](x * moved, car.k("mixing"))
    share = car.seep_hot + (1 - car.seep_hot) * share
    if car.heater == "combined":
        flow = np.clip(x * moved / 0.08, 0, 1)
        return share, car.valve_seep + (1 - car.valve_seep) * flow
    return share, np.ones_like(share)


def air_flow(car: Car, blower: Floats, door: Floats, speed: Floats) -> Floats:
    """Air the blower and the road bring, kg/s."""
    steps = np.array(BLOWERS[car.law("blower")])
    fan = car.air_flow * steps[np.asarray(blower).astype(int)]
    # the fresh-air door throttles what the blower draws; some always finds its way
    fan = fan * (0.22 + 0.78 * np.clip(door / 60, 0, 1))
    ram = car.ram * np.clip(door / 60, 0, 1)
    flow = RAMS[car.law("ram")](fan, speed, 1.0 * ram)
    return np.maximum(flow, 0.002)


def transfer(
    car: Car, x: Floats, vacuum: Floats, revs: Floats, air: Floats, speed: Floats,
    lift: Floats | float = 0.0, running: Floats | float = 1.0,
) -> Transfer:  # fmt: skip
    """Flows and the core's conductance for door or valve positions 0..1."""
    share, opening = openings(car, x, vacuum)
    path = PATHS[car.law("path")](share, car.k("path"))
    total = air * path
    leak = np.clip(car.bypass + car.bypass_ram * speed / 20, 0, 0.85)
    crossing = np.maximum(total * share * (1 - leak), 1e-4)
    pump = PUMPS[car.law("pump")](revs, car.k("pump"))
    flow = car.heater_flow * pump * opening * (1 + car.bypass_flow * lift) * running
    flow = np.maximum(flow, 2e-5)
    ua = 1 / (
        1 / (car.ua_air * (crossing / 0.085) ** car.air_power)
        + 1 / (car.ua_water * (flow / 0.13) ** car.water_power)
    )
    ua = ua * (1 - car.against)
    core = CORES[car.law("core")](ua, crossing * CP_AIR, flow * CP_COOLANT, car.k("core"))
    core = core * (1 - car.against) if car.law("core") == "fixed" else core
    return Transfer(total * CP_AIR, flow * CP_COOLANT, core)


def mean_running(car: Car) -> float:
    """Mean share of its flow that a pulsing or gurgling loop keeps."""
    return (1 - car.pulse * (1 - 1 / 1.7)) * (1 - 0.8 * car.gurgle)


def duct(car: Car, air: Floats) -> tuple[Floats, float]:
    """Share of its difference to the surroundings the air keeps; how far those are the cabin."""
    return DUCTS[car.law("duct")](air, car.duct_size)


def floor_share(car: Car, mode: NDArray[np.int64], defrost: Floats, vacuum: Floats) -> Floats:
    """Share of the air that leaves at the floor."""
    share = FLOOR_SHARE[mode]
    share = np.where(defrost > 5, np.minimum(share, 0.95 - 0.85 * defrost / 100), share)
    moved = reach(car.deflector_vacuum, vacuum)
    fallen = np.where(mode == MODES.index("defrost"), share, NO_VACUUM_SHARE)
    share = fallen + moved * (share - fallen)
    return share + car.astray * (ASTRAY_SHARE - share)


def draft(car: Car, speed: Floats) -> Floats:
    """Cold air into the footwell, as a weight beside the heater's."""
    return car.foot_leak + car.foot_draft * LEAKS[car.law("leak")](speed, car.k("leak"))


def foot_target(
    car: Car, outlet: Floats, cabin: Floats, ambient: Floats, air: Floats, speed: Floats
) -> Floats:
    """Footwell air: the outlet's (`air`, kg/s at the floor), the cabin's, and the draft."""
    mine = np.clip(air / 0.07, 0.02, 1.3)
    cold = draft(car, speed)
    return (mine * outlet + car.foot_cabin * cabin + cold * ambient) / (
        mine + car.foot_cabin + cold
    )


def under_hood(engine: Floats, ambient: Floats) -> Floats:
    """Air around the hoses."""
    return ambient + 0.15 * (engine - ambient)


def leak_rate(car: Car, line: Floats) -> Floats:
    """Loss of vacuum, kPa/s."""
    return LOSSES[car.law("loss")](line, car.k("loss")) / car.reservoir_lag
