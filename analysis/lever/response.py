"""The outlet as the lever's response: mix fraction or rise, and where it may be used."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.lever.blocks import Blocks
from analysis.lever.path import NotMeasurable
from analysis.timeline.grid import controls_on
from analysis.timeline.levels import COLD_CAR, COLD_CAR_NOTE
from analysis.timeline.reasons import no_outlet
from ingest.arrays import Floats
from ingest.points import MODES
from ingest.run import Run
from ingest.saying import say
from ingest.values import dataclass

BLOCK_S: Final = 1.0

WARM_SHARE: Final = 0.8
"""Warm: the coolant (or else the hot outlet) has covered this share of its rise above the air."""

MIN_RISE_K: Final = 15.0
"""Coolant less warm than this above the air heats nothing worth fitting."""

FOLLOWS: Final = (0.15, 0.6)
"""A coolant that varies by this share of its excess and is correlated with the outlet by this much
follows the lever."""

MIN_BLOCKS: Final = 10

HELD: Final = ("blower", "air_door", "defrost", "vacuum_isolated")
"""Controls with a number that must not change, besides the mode."""


@dataclass(frozen=True)
class Outlet:
    """Readings of the outlet and of what it is compared with, in blocks of about a second.

    Parameters
    ----------
    time
        Mean time of each block, s from engine start, shape (n,).
    rise
        Outlet less the air entering, K, shape (n,).
    excess
        Coolant less the air entering, K, by measuring point, the better one first.
    own_air
        Whether the air entering the heater was itself logged.
    notes
        What stands in for what.
    """

    time: Floats
    rise: Floats
    excess: dict[str, Floats]
    own_air: bool
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Response:
    """The outlet over the whole run, in blocks of about a second.

    Parameters
    ----------
    time
        Mean time of each block, s from engine start, shape (n,).
    value
        Mix fraction, or outlet rise in K where no coolant is logged, shape (n,).
    state
        Controls that must not change, shape (controls, n).
    usable
        Where the engine was warm, the blower on and every reading there, shape (n,).
    rise_k
        What a change of `value` by 1 is in K.
    normalized
        Whether `value` is the mix fraction.
    notes
        What a reader of the figures must know.
    """

    time: Floats
    value: Floats
    state: Floats
    usable: NDArray[np.bool_]
    rise_k: float
    normalized: bool
    notes: tuple[str, ...]


def read_outlet(run: Run) -> Outlet:
    """Average the readings in blocks.

    Raises
    ------
    NotMeasurable
        Where the outlet was not logged.
    """
    if not run.has("outlet"):
        raise NotMeasurable(no_outlet(run))
    seen = Blocks(run, "outlet", BLOCK_S)
    notes: list[str] = []
    entering = next((point for point in ("inlet_air", "ambient") if run.has(point)), None)
    if entering == "ambient":
        cold_car = run.sensors[entering].kind == COLD_CAR
        notes.append(COLD_CAR_NOTE if cold_car else "ambient stands in for inlet_air")
    elif entering is None:
        notes.append("the air entering the heater was not logged: taken as constant")
    air = seen.value(entering) if entering else np.zeros(seen.time.size)
    coolants = [point for point in ("coolant_in", "engine_coolant") if run.has(point)]
    return Outlet(
        seen.time,
        seen.lead - air,
        {point: seen.value(point) - air for point in coolants},
        entering == "inlet_air",
        tuple(notes),
    )


def outlet_response(outlet: Outlet, controls: pl.DataFrame, shift: float = 0.0) -> Response:
    """Decide what the outlet is compared with and where it may be used.

    Parameters
    ----------
    outlet
        From `read_outlet`.
    controls
        As in `Run.controls`.
    shift
        Seconds by which the noted events are later than they say.

    Raises
    ------
    NotMeasurable
        Where the air entering is not known, or nothing was warm.
    """
    notes = list(outlet.notes)
    state, usable = _controls(controls, outlet.time - shift, own_air=outlet.own_air)
    usable &= ~np.isnan(outlet.rise)
    for point, excess in outlet.excess.items():
        warm, typical = _warm_by_coolant(excess)
        since_warm = np.maximum.accumulate(warm) & usable & ~np.isnan(excess)
        if _follows_lever(excess, outlet.rise, since_warm):
            notes.append(f"{point} cools when the lever is closed")
            continue
        if point == "engine_coolant":
            notes.append("engine_coolant stands in for coolant_in")
        value = outlet.rise / np.where(warm, excess, np.nan)
        return Response(outlet.time, value, state, usable & warm, typical, True, tuple(notes))
    notes.append("no coolant to compare with: the outlet's own span is used")
    warm = _warm_by_outlet(outlet.rise, usable)
    return Response(outlet.time, outlet.rise, state, usable & warm, 1.0, False, tuple(notes))


def _controls(
    controls: pl.DataFrame, noted: Floats, *, own_air: bool
) -> tuple[Floats, NDArray[np.bool_]]:
    """Controls that must not change, and whether air comes out that a running engine heats.

    Raises
    ------
    NotMeasurable
        Where the air was recirculated all the time and what enters is not logged.
    """
    positions, mode = controls_on(controls, noted)
    rows = [mode.astype(float)]
    held = [positions[name] for name in HELD if name in positions]
    rows += [np.where(np.isnan(each), -1.0, each) for each in held]
    usable: NDArray[np.bool_] = mode != MODES.index("off")
    for name in ("blower", "engine"):
        if name in positions:
            usable &= positions[name] != 0.0
    if not own_air:
        recirculated = mode == MODES.index("recirculate")
        if usable.any() and recirculated[usable].all():
            raise NotMeasurable(
                "the air was recirculated and the air entering the heater was not logged"
            )
        usable &= ~recirculated
    return np.vstack(rows), usable


def _warm_by_coolant(excess: Floats) -> tuple[NDArray[np.bool_], float]:
    """Where the coolant was about as much warmer than the air as it ever was, and how much.

    Raises
    ------
    NotMeasurable
        Where that was too little for any heater.
    """
    valid = excess[~np.isnan(excess)]
    level = _ranked(valid, 0.9) if valid.size else math.nan
    if not level >= MIN_RISE_K:
        raise NotMeasurable(
            say(
                "the coolant was never more than {least:.0f K} warmer than the air: "
                "warm the engine up first",
                least=MIN_RISE_K,
            )
        )
    warm = excess >= WARM_SHARE * level
    return warm, _ranked(excess[warm], 0.5)


def _warm_by_outlet(rise: Floats, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """From when the outlet has first been nearly as warm as it ever gets."""
    warm = np.zeros(rise.size, dtype=bool)
    if usable.any():
        low, high = _ranked(rise[usable], 0.02), _ranked(rise[usable], 0.95)
        reached = usable & (rise >= low + WARM_SHARE * (high - low))
        warm[int(np.argmax(reached)) :] = bool(reached.any())
    return warm


def _follows_lever(excess: Floats, rise: Floats, where: NDArray[np.bool_]) -> bool:
    """Whether the coolant sensor loses its heat with the flow: no reference for the outlet then.

    Downstream of a closed water valve the hose cools towards the air.
    """
    if where.sum() < MIN_BLOCKS:
        return False
    level, response = excess[where], rise[where]
    low, high = _ranked(level, 0.05), _ranked(level, 0.95)
    if high - low < FOLLOWS[0] * high:
        return False
    spread = level.std() * response.std()
    together = float(np.mean((level - level.mean()) * (response - response.mean())))
    return bool(together > FOLLOWS[1] * spread)


def _ranked(values: Floats, share: float) -> float:
    """Value below which a share of the others lies."""
    place = min(int(share * values.size), values.size - 1)
    return float(np.partition(values, place)[place])
