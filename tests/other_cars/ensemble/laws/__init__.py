"""Which laws there are, and which are kept for judging alone.

A law is a function of physics with numbers of its own. Each component of a car has several; a
structure names one for each component. The laws in `LEFT_OUT` are used for judging only, so that
what was calibrated on the others is judged on structures it never met.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from tests.other_cars.ensemble.laws.air import BLOWERS, DUCTS, PATHS, RAMS
from tests.other_cars.ensemble.laws.cabin import CABINS, LEAKS
from tests.other_cars.ensemble.laws.core import CORES
from tests.other_cars.ensemble.laws.engine import FANS, HEATERS, HEATS, PUMPS, THERMOSTATS
from tests.other_cars.ensemble.laws.mixing import LINKAGES, MIXINGS, VALVES
from tests.other_cars.ensemble.laws.vacuum import LOSSES, SOURCES

COMPONENTS: Final[Mapping[str, Mapping[str, Any]]] = {
    "linkage": LINKAGES,
    "mixing": MIXINGS,
    "valve": VALVES,
    "core": CORES,
    "duct": DUCTS,
    "path": PATHS,
    "ram": RAMS,
    "blower": BLOWERS,
    "pump": PUMPS,
    "heat": HEATS,
    "thermostat": THERMOSTATS,
    "fan": FANS,
    "cabin": CABINS,
    "leak": LEAKS,
    "source": SOURCES,
    "loss": LOSSES,
}

LEFT_OUT: Final[Mapping[str, frozenset[str]]] = {
    "linkage": frozenset({"cam"}),
    "mixing": frozenset({"areas", "logistic"}),
    "valve": frozenset({"parabolic", "authority"}),
    "core": frozenset({"mixed coolant", "counterflow"}),
    "duct": frozenset({"to outside by flow"}),
    "path": frozenset({"core resists"}),
    "ram": frozenset({"square", "pressures add"}),
    "blower": frozenset({"even"}),
    "pump": frozenset({"saturating", "bypass"}),
    "heat": frozenset({"road load"}),
    "thermostat": frozenset({"at the inlet", "by load", "slow to close"}),
    "fan": frozenset({"viscous"}),
    "cabin": frozenset({"with its seats"}),
    "leak": frozenset({"square", "from a speed on"}),
    "source": frozenset({"pump"}),
    "loss": frozenset({"both"}),
}

CALIBRATE_HEATERS: Final = tuple(name for name in HEATERS if name != "staged")
"""Coolant heaters; the staged one is left out of calibration."""
