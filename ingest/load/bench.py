"""What [bench] states in units of its own, checked before anything is measured with it."""

from __future__ import annotations

import math

from ingest.errors import Fault, UnusableRun
from ingest.sensors.units import UnknownUnit, conversion, split_number, value_with_unit
from ingest.setup.model import Setup


def require_bench(setup: Setup, file: str) -> None:
    """Check the values of a bench run that carry a unit.

    Parameters
    ----------
    setup
        The set-up, of a bench run or not.
    file
        Name of its file.

    Raises
    ------
    UnusableRun
        With one fault for each value that cannot be read.
    """
    bench, faults = setup.bench, list[Fault]()
    if bench is None:
        return
    if bench.stamped is not None:
        try:
            value_with_unit(bench.stamped, "temperature")
        except UnknownUnit as error:
            faults.append(
                Fault(f"{file} [bench] stamped", str(error), 'such as "180 degF"', "correct it")
            )
    if bench.uniformity is not None:
        try:
            number, unit = split_number(bench.uniformity)
            width = number * conversion(unit, "temperature").factor
            if not 0.0 < width < math.inf:
                raise UnknownUnit(f"{bench.uniformity!r} is not above zero")
        except UnknownUnit as error:
            faults.append(
                Fault(f"{file} [bench] uniformity", str(error), 'such as "0.2 K"', "correct it")
            )
    if faults:
        raise UnusableRun(faults)
