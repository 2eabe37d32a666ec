"""From cases to logs with their truth."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.ensemble.car import Car
from tests.other_cars.ensemble.case import Case
from tests.other_cars.ensemble.logger.notes import Notes, take_notes
from tests.other_cars.ensemble.logger.sensors import Logger
from tests.other_cars.ensemble.march import Drive, simulate
from tests.other_cars.ensemble.severity import BROKEN
from tests.other_cars.sensors import Column
from tests.other_cars.trips import DT
from tests.other_cars.truth import fluctuation, travel, true_figures

Floats = NDArray[np.float64]

BATCH: Final = 64

ENDS: Final = ("dead_travel_cold", "dead_travel_hot")
SAME_TRAVEL: Final = 2.0
"""Lever positions that differ less than this are the same, %."""

NEAR_SHARES: Final = ((0.015, 0.965), (0.035, 0.985))
FLAT_TRAVEL: Final = 8.0
"""A curve that is not flat there takes less than this of the lever between these shares, %."""

NO_THERMOSTAT: Final = ("coolant_plateau", "thermostat_opening")

SHOWN_BY: Final[dict[str, tuple[str, ...]]] = {
    "thermostat_opens_low": ("coolant_plateau", "thermostat_opening"),
    "thermostat_stuck_open": ("coolant_plateau",),
    "low_core_flow": ("coolant_drop",),
    "hoses_reversed": ("coolant_drop", "fluctuation_index"),
    "lever_short_of_hot": ("dead_travel_cold",),
    "lever_short_of_cold": ("dead_travel_hot",),
    "cold_leak_in_case": ("core_effectiveness", "steady_outlet_rise"),
    "cold_leak_in_body": ("speed_sensitivity",),
    "weak_airflow": ("steady_outlet_rise",),
    "vacuum_leak": ("vacuum_decay",),
    "vacuum_supply": ("vacuum_source_low",),
}
"""Figures of which one at least must have a truth for the cause to be visible at all."""


@dataclass(frozen=True)
class Made:
    """A case with its log.

    Parameters
    ----------
    drive
        What truly happened.
    times, columns
        What the logger wrote, every channel of the layout.
    notes
        What was noted.
    """

    case: Case
    drive: Drive
    times: Floats
    columns: list[Column]
    notes: Notes


def make(cases: Sequence[Case]) -> Iterator[Made]:
    """Drive and log cases; those of like length march together, the order is theirs."""
    ordered = sorted(cases, key=lambda case: case.trip.time.size)
    for start in range(0, len(ordered), BATCH):
        batch = ordered[start : start + BATCH]
        generators = [np.random.default_rng((*case.seed, 7)) for case in batch]
        drives = simulate(generators, [c.car for c in batch], [c.trip for c in batch])
        for case, drive, rng in zip(batch, drives, generators, strict=True):
            good = case.purpose == "baseline"
            logger = Logger(rng, drive, fault=case.fault, good=good)
            notes = take_notes(rng, case.trip, good=good)
            yield Made(case, drive, logger.times, logger.columns(), notes)


def truth_of(made: Made, channels: Collection[str]) -> dict[str, float | None]:
    """True figures of what the channels can show.

    A valve that is nearly shut lets its supply hose go cold, and the mix fraction then rises where
    the outlet does not; a door with a shut-off valve beside it has a step at the valve that no
    sweep is slow enough to see; and where a curve lies almost flat at 2.5 % of its span, a degree
    decides over a quarter of the travel. Travel figures that hang on one of these have no one
    truth: none is given.
    """
    figures = true_figures(made.drive, channels)
    if made.case.car.structure.heated_by:
        figures |= dict.fromkeys(NO_THERMOSTAT)
    if figures["effective_travel"] is not None:
        for name in doubtful_travel(made.drive, coolant_logged="coolant_in" in channels):
            figures[name] = None
    return figures


def doubtful_travel(drive: Drive, *, coolant_logged: bool) -> set[str]:
    """Travel figures that hang on how theta is taken, on a shut-off valve, or on a flat end."""
    here = travel(drive, coolant_logged=coolant_logged)
    others = [travel(each, coolant_logged=False) for each in (drive, _without_valve(drive))]
    less, more = (travel(drive, coolant_logged=False, shares=each) for each in NEAR_SHARES)
    if here is None or less is None or more is None:
        return set()
    apart = np.abs(less - more) > FLAT_TRAVEL
    for other in others:
        apart |= np.abs(here - np.asarray(other)) > SAME_TRAVEL
    found = {name for name, bad in zip(ENDS, apart, strict=True) if bad}
    return found | {"effective_travel"} if found else found


def _without_valve(drive: Drive) -> Drive:
    structure = drive.car.structure
    if structure.heater != "combined":
        return drive
    door = dataclasses.replace(structure, heater="blend-air")
    return dataclasses.replace(drive, car=dataclasses.replace(drive.car, structure=door))


def fluctuation_in(made: Made, window: tuple[float, float], rise: float) -> float:
    """True fluctuation index of one window, s from engine start."""
    start, stop = (round((edge + made.case.trip.start_s) / DT) for edge in window)
    return 100 * fluctuation(made.drive.signals["outlet"][max(start, 0) : stop]) / rise


def record(made: Made) -> dict[str, Any]:
    """Everything true of a car, ready for JSON."""
    case, structure = made.case, made.case.car.structure
    channels = [column.point for column in made.columns]
    figures = truth_of(made, channels)
    needed = SHOWN_BY.get(case.causes[0], ())
    thermocouples = {c.point for c in made.columns if c.settings["sensor"] == "thermocouple"}
    shown = case.fault is None or case.fault[1] in thermocouples
    shown &= not needed or any(figures[name] is not None for name in needed)
    return {
        "family": structure.family,
        "heater": structure.heater,
        "laws": structure.laws,
        "left_out": structure.left_out(),
        "heated_by": structure.heated_by or "engine",
        "causes": list(case.causes),
        "form": case.form,
        "severity": case.severity,
        "harm": round(case.harm, 4),
        "broken": case.harm >= BROKEN,
        "shown": bool(shown),
        "purpose": case.purpose,
        "plan": case.order.kind,
        "by_hand": case.trip.by_hand,
        "slip": case.order.slip,
        "put_right": case.order.put_right,
        "control_use_noted": made.notes.shows(case.trip),
        "notes": made.notes.kind,
        "clock_offset_s": round(made.notes.offset_s, 2),
        "start_s": case.trip.start_s,
        "interval_s": float(np.median(np.diff(made.times))),
        "channels": channels,
        "figures": figures,
        "cable_offset": _middle(case.car) - _middle(case.nominal),
        "cable_moved": _middle(case.car) - _middle(case.good),
    }


def _middle(car: Car) -> float:
    return (car.closed_at + car.open_at) / 2
