"""True figures of a drive, from the contract's definitions and the model's own signals.

Nothing here has seen a sensor. Where the trip or the logged channels cannot show a figure it is
None; the judge then only counts whether something was claimed.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.settled import SPAN_ENDS, Conditions, Model, travel_ends
from tests.other_cars.trips import DT, FLOOR_SHARE, MODES, Trip

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


class Drive(Protocol):
    """What truly happened to a car of any kind: no sensor involved."""

    @property
    def car(self) -> Any: ...
    @property
    def trip(self) -> Trip: ...
    @property
    def signals(self) -> dict[str, Floats]: ...
    @property
    def model(self) -> Model: ...


FIGURES: Final = (
    "steady_outlet_rise", "warm_up_time", "fluctuation_index", "fluctuation_period",
    "effective_travel", "dead_travel_cold", "dead_travel_hot", "lever_hysteresis",
    "cold_end_rise", "response_time", "coolant_plateau", "thermostat_opening",
    "core_effectiveness", "coolant_drop", "speed_sensitivity", "footwell_deficit",
    "vacuum_decay", "vacuum_source_low",
)  # fmt: skip


NEAR_K: Final = 2.5
"""So near to its plateau the coolant counts as being at it."""

ARRIVED_K: Final = 0.7
"""Once it has come so near it has arrived; before, it is still warming up."""

HARDLY_K_PER_MIN: Final = 0.4
"""An outlet at the cold end that drifts less than this is steady."""

CALM_K_PER_MIN: Final = 1.0
"""A coolant that drifts less than this counts as steady where there is no plateau."""


@dataclass(frozen=True)
class Window:
    """The longest settled hot-end hold, as a mask on the model's time axis."""

    mask: Mask

    def mean(self, signal: Floats) -> float:
        return float(signal[self.mask].mean())


def true_figures(drive: Drive, channels: Collection[str]) -> dict[str, float | None]:
    """Every figure of the contract, or None."""
    figures: dict[str, float | None] = dict.fromkeys(FIGURES)
    # hoses changed over, the one labelled supply is the return: no place to see the thermostat
    places = ("engine_coolant",) if drive.car.swapped else ("engine_coolant", "coolant_in")
    coolant = next((place for place in places if place in channels), None)
    air = {"inlet_air", "ambient"} & set(channels)
    recirculating = bool((drive.trip.mode == MODES.index("recirculate")).any())
    level = plateau(drive, drive.signals["engine_coolant"])
    if coolant and level is not None:
        figures["coolant_plateau"] = plateau(drive, drive.signals[coolant])
    if coolant:
        figures["thermostat_opening"] = _opening(drive, drive.signals[coolant])
    _vacuum(drive, channels, figures)
    if "outlet" not in channels:
        return figures
    window = steady_window(drive, level)
    if window is not None:
        _steady(drive, channels, window, figures, recirculating=recirculating)
    if air and (not recirculating or "inlet_air" in channels):
        inlet = drive.signals["inlet_air" if "inlet_air" in channels else "ambient"]
        figures["cold_end_rise"] = _cold_end(drive, inlet, level)
    if window is not None:
        _travel(drive, channels, figures)
    figures["response_time"] = _response(drive, level)
    return figures


def plateau(drive: Drive, signal: Floats) -> float | None:
    """Mean coolant temperature once it has stopped climbing; None where it never does."""
    trip = drive.trip
    smooth = _smooth(drive.signals["engine_coolant"], 90.0)
    last = trip.time > trip.time[-1] - 240
    level = float(np.median(smooth[last]))
    near = np.abs(smooth - level) < 2.0
    first = int(np.argmax(near & (trip.time > trip.start_s + 60)))
    steady = np.arange(trip.time.size) >= first
    drift = np.polyfit(trip.time[steady], smooth[steady], 1)[0] if steady.sum() > 400 else np.inf
    if steady.sum() * DT < 200 or abs(drift) * 300 > 2.0:
        return None
    return float(signal[steady].mean())


def _opening(drive: Drive, signal: Floats) -> float | None:
    """The logged coolant's temperature when the valve starts to open."""
    lift, car = drive.signals["lift"], drive.car
    if car.thermostat_seep > 0 or car.start_temperature > car.thermostat_opens - 12:
        return None
    # one that seeps when shut has opened when it does more than that
    open_ = np.flatnonzero(lift > lift[0] + 0.002)
    return float(signal[open_[0]]) if open_.size else None


def _smooth(signal: Floats, seconds: float) -> Floats:
    width = max(1, round(seconds / DT))
    padded = np.pad(signal, (width // 2, width - 1 - width // 2), "edge")
    total = np.cumsum(np.insert(padded, 0, 0.0))
    return (total[width:] - total[:-width]) / width


def _holds(trip: Trip, lever: float) -> list[tuple[int, int]]:
    """Stretches with the lever at a place and nothing else touched, engine on and blower on."""
    still = (np.abs(trip.lever - lever) < 0.6) & (trip.engine > 0) & (trip.blower > 0)
    state = trip.mode * 100 + trip.blower * 10 + trip.isolated
    if trip.defrost is not None:
        state = state + 1000 * trip.defrost
    breaks = np.flatnonzero((np.diff(still.astype(int)) != 0) | (np.diff(state) != 0)) + 1
    edges = [0, *breaks.tolist(), still.size]
    return [(a, b) for a, b in itertools.pairwise(edges) if still[a]]


def steady_window(drive: Drive, level: float | None) -> Window | None:
    """The longest hot-end hold, less its transients, with the coolant at its plateau.

    Where there is no plateau, or no hold was at it, the coolant must at least have stopped moving.
    """
    smooth = _smooth(drive.signals["engine_coolant"], 90.0)
    if level is not None:
        arrived = np.maximum.accumulate(smooth > level - ARRIVED_K)
        window = _longest(drive, arrived & (np.abs(smooth - level) < NEAR_K))
        if window is not None:
            return window
    calm = np.abs(np.gradient(smooth, DT) * 60) < CALM_K_PER_MIN
    window = _longest(drive, calm)
    if window is None or float(np.ptp(smooth[window.mask])) > NEAR_K:
        return None  # a drift: every stretch of it has its own truth
    return window


def _longest(drive: Drive, good: Mask) -> Window | None:
    trip = drive.trip
    best: Mask | None = None
    for start, stop in _holds(trip, 100.0):
        mask = np.zeros(good.size, dtype=bool)
        settle = 4 * drive.car.wall_lag if start and trip.time[start] > 60 else 0.0
        mask[start + round(settle / DT) : stop] = True
        mask &= good & (trip.time > trip.start_s + 60)
        if mask.sum() * DT >= 60 and (best is None or mask.sum() > best.sum()):
            best = mask
    return None if best is None else Window(best)


def _steady(
    drive: Drive, channels: Collection[str], window: Window, figures: dict[str, float | None], *,
    recirculating: bool,
) -> None:  # fmt: skip
    s = drive.signals
    outlet = s["outlet"]
    outside = next((c for c in ("ambient", "inlet_air") if c in channels), None)
    inlet = next((c for c in ("inlet_air", "ambient") if c in channels), None)
    if outside is not None and not (recirculating and outside == "inlet_air"):
        rise = window.mean(outlet - s[outside])
        figures["steady_outlet_rise"] = rise
        figures["warm_up_time"] = _warm_up(drive, outlet - s[outside], rise)
        figures["fluctuation_index"] = 100 * fluctuation(outlet[window.mask]) / rise
        if drive.car.pulse > 0:
            figures["fluctuation_period"] = drive.car.pulse_period
    if (
        inlet is not None
        and "coolant_in" in channels
        and not (recirculating and inlet == "ambient")
    ):
        figures["core_effectiveness"] = window.mean(outlet - s[inlet]) / window.mean(
            s["coolant_in"] - s[inlet]
        )
    if {"coolant_in", "coolant_out"} <= set(channels):
        figures["coolant_drop"] = window.mean(s["coolant_in"] - s["coolant_out"])
    if "footwell" in channels:
        figures["footwell_deficit"] = window.mean(outlet - s["footwell"])
    if "road_speed" in channels and outside is not None:
        figures["speed_sensitivity"] = _speed_slope(drive, window, footwell="footwell" in channels)


def _warm_up(drive: Drive, rise: Floats, steady: float) -> float | None:
    trip = drive.trip
    if rise[trip.time <= trip.start_s + 1].max() > 0.5 * steady:
        return None  # it was warm when the log began
    above = rise >= 0.9 * steady
    held = round(30 / DT)
    stays = np.convolve(above.astype(int), np.ones(held, dtype=int), "valid") == held
    found = np.flatnonzero(stays & (trip.time[: stays.size] >= trip.start_s))
    if not found.size or trip.lever[found[0]] < 99:
        return None
    return float(trip.time[found[0]] - trip.start_s)


def fluctuation(signal: Floats) -> float:
    """Standard deviation within periods of 8-120 s.

    Tapered (Hann), so that what drifts more slowly than the window does not leak into the band.
    """
    place = np.linspace(-1.0, 1.0, signal.size)
    signal = signal - np.polynomial.Polynomial.fit(place, signal, 2)(place)
    taper = np.hanning(signal.size)
    power = np.abs(np.fft.rfft(signal * taper)) ** 2 / np.mean(taper**2)
    frequency = np.fft.rfftfreq(signal.size, DT)
    band = (frequency >= 1 / 120) & (frequency <= 1 / 8)
    return float(np.sqrt(2 * power[band].sum()) / signal.size)


def conditions(drive: Drive, at: Mask | int) -> Conditions:
    """What the heater stood in: means over a mask, or one moment."""
    t, s = drive.trip, drive.signals
    pick = (lambda x: np.array(float(x[at]))) if isinstance(at, int) else (
        lambda x: np.array(float(x[at].mean()))
    )  # fmt: skip
    return Conditions(
        engine=pick(s["engine_coolant"]), inlet=pick(s["inlet_air"]), ambient=pick(s["ambient"]),
        revs=pick(t.revs), speed=pick(t.speed), blower=np.round(pick(t.blower)),
        air_door=pick(t.air_door), vacuum=pick(s["vacuum_source"]), cabin=pick(s["cabin"]),
        lift=pick(s["lift"]),
    )  # fmt: skip


def travel(
    drive: Drive, *, coolant_logged: bool, shares: tuple[float, ...] = SPAN_ENDS
) -> Floats | None:
    """Lever positions where the settled curve has covered `shares`, mean of the sweeps driven, %.

    None where the lever was not swept, or works backwards.
    """
    trip = drive.trip
    swept = (trip.lever < 99) & (trip.time > trip.start_s + 200)
    if not trip.sweeps or drive.car.backwards or not swept.any():
        return None
    c = conditions(drive, swept)
    ends = [
        travel_ends(
            drive.model, drive.car.lash, c, way, coolant_logged=coolant_logged, shares=shares
        )
        for way in trip.sweeps
    ]
    return np.asarray(np.mean(ends, axis=0))


def _travel(drive: Drive, channels: Collection[str], figures: dict[str, float | None]) -> None:
    ends = travel(drive, coolant_logged="coolant_in" in channels)
    if ends is None:
        return
    figures["dead_travel_cold"] = float(ends[0])
    figures["dead_travel_hot"] = float(100 - ends[1])
    figures["effective_travel"] = float(ends[1] - ends[0])
    if len(set(drive.trip.sweeps)) == 2:
        figures["lever_hysteresis"] = drive.car.lash


def _cold_end(drive: Drive, inlet: Floats, level: float | None) -> float | None:
    """Outlet over inlet air at the end of the longest cold-end hold, engine warm.

    A shut valve leaves a core that cools for an hour through what air seeps past: what hardly
    moves any more is steady. What still falls has its settled value for a truth only where that is
    near; else it has none.
    """
    holds = [
        (a, b)
        for a, b in _holds(drive.trip, 0.0)
        if level is not None
        and drive.signals["engine_coolant"][a] > level - 15
        and (b - a) * DT > 30
    ]
    if not holds:
        return None
    start, stop = max(holds, key=lambda hold: hold[1] - hold[0])
    last = slice((start + 2 * stop) // 3, stop)
    rise = (drive.signals["outlet"] - inlet)[last]
    here = float(rise.mean())
    drift = np.polyfit(drive.trip.time[last], rise, 1)[0] * 60
    if abs(drift) < HARDLY_K_PER_MIN:
        return here
    settled = _settled_cold_end(drive, (start + stop) // 2) - float(inlet[last].mean())
    return settled if abs(settled - here) < 0.5 else None


def _settled_cold_end(drive: Drive, moment: int) -> float:
    car = drive.car
    backlash = np.array(0.0 if car.backwards else car.lash / 2)
    settled, _ = drive.model.settled_heater(
        drive.model.actuator_for(backlash), conditions(drive, moment)
    )
    feed = _feed(car.astray, int(drive.trip.mode[moment]))
    foot = float(drive.signals["footwell"][moment])
    return foot + feed * (float(settled) - foot)


def _feed(astray: float, mode: int) -> float:
    floor = float(FLOOR_SHARE[mode])
    floor += astray * (0.10 - floor)
    return float(np.clip(floor / 0.4, 0.05, 1))


def _response(drive: Drive, level: float | None) -> float | None:
    """Median time to 63 % of the settled answer over lever steps of at least 20 %."""
    trip, car = drive.trip, drive.car
    if level is None or car.astray:
        return None
    moved = np.flatnonzero(np.diff(trip.lever) != 0) + 1
    times: list[float] = []
    for at, after in zip(moved, [*moved[1:], trip.time.size], strict=False):
        size = trip.lever[at] - trip.lever[at - 1]
        hold = (after - at) * DT
        warm = drive.signals["engine_coolant"][at] > level - 8
        if abs(size) < 19.9 or hold < 20 or not warm or trip.speed[at:after].max() > 1e9:
            continue
        answer = _answer(drive, int(at), int(after), float(size))
        if answer is not None:
            times.append(answer)
    # a step that was left too soon took longer: it counts as such among the others
    middle = float(np.median(times)) if times else np.inf
    return middle if np.isfinite(middle) else None


def _answer(drive: Drive, at: int, after: int, size: float) -> float | None:
    car, outlet = drive.car, drive.signals["outlet"]
    before = float(outlet[at])
    half = car.lash / 2
    backlash = drive.trip.lever[at] - half * np.sign(size)
    backlash = np.clip(backlash, half, 100 - half)
    last = min(after - 1, at + round(60 / DT))
    end, _ = drive.model.settled_heater(
        drive.model.actuator_for(np.array(backlash)), conditions(drive, last)
    )
    swing = float(end) - before
    if abs(swing) < 4.0:
        return None
    covered = (outlet[at:after] - before) / swing
    reached = np.flatnonzero(covered >= 0.632)
    return float(reached[0] * DT) if reached.size else np.inf


def _speed_slope(drive: Drive, window: Window, *, footwell: bool) -> float | None:
    """Slope of the settled rise against speed over the speeds driven at the hot end, per 10 m/s."""
    trip, car = drive.trip, drive.car
    speed = trip.speed[window.mask]
    if speed.std() < 2.0 or car.astray:
        return None
    c = conditions(drive, window.mask)
    speeds = np.quantile(speed, np.linspace(0.01, 0.99, 60))
    moving = Conditions(
        engine=c.engine, inlet=c.inlet, ambient=c.ambient, revs=_revs_at(trip, window, speeds),
        speed=speeds, blower=c.blower, air_door=c.air_door, vacuum=c.vacuum, cabin=c.cabin,
        lift=c.lift,
    )  # fmt: skip
    outlet, _ = drive.model.settled_heater(
        drive.model.actuator_for(np.full(60, 100 - car.lash / 2)), moving
    )
    value = outlet
    if footwell:
        value = drive.model.settled_foot(outlet, moving, int(trip.mode[window.mask][0]))
    return float(np.polyfit(speeds, value, 1)[0] * 10)


def _revs_at(trip: Trip, window: Window, speeds: Floats) -> Floats:
    speed, revs = trip.speed[window.mask], trip.revs[window.mask]
    standing = float(revs[speed < 0.5].mean()) if (speed < 0.5).any() else 1000.0
    return np.where(speeds > 0.5, 1000 + 62.0 * speeds, standing)


def _vacuum(drive: Drive, channels: Collection[str], figures: dict[str, float | None]) -> None:
    trip, line = drive.trip, drive.signals["vacuum_source"]
    isolated = trip.isolated > 0
    if "vacuum_source" in channels:
        usable = (trip.engine > 0) & ~isolated & (trip.time > trip.start_s + 60)
        figures["vacuum_source_low"] = float(np.percentile(line[usable], 5))
    logged = {"vacuum_source", "vacuum_actuator"} & set(channels)
    if logged and isolated.any():
        start = line[int(np.argmax(isolated))]
        figures["vacuum_decay"] = float(drive.model.leak_rate(np.array(start)) * 60)
