"""A measuring point without a column: a thermometer that was read once, for the whole run."""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.run import Finding
from ingest.sensors.calibrate import RawChannel
from ingest.sensors.units import UnknownUnit, value_with_unit
from ingest.setup.model import Setup

READ_ONCE: Final = finding(
    "read_once",
    "{point} was read once and is taken to hold for the whole run.",
    do="Log it all along where it changes during the test.",
)


def read_once(setup: Setup, point: str, count: int, setup_file: str) -> RawChannel:
    """A channel that has one reading in all rows.

    Parameters
    ----------
    setup
        The set-up, whose channel has a ``value``.
    point
        The measuring point.
    count
        Rows.
    setup_file
        Name for the fault's text.

    Raises
    ------
    UnusableRun
        Where it is not clear what is measured, or the value has no unit of that.
    """
    text, quantity = setup.channels[point].value or "", setup.quantity(point)
    place = f"{setup_file} [channels.{point}]"
    if quantity is None:
        raise UnusableRun(
            Fault(place, "a value of no known quantity", "sensor = ...", "say what sensor it was")
        )
    try:
        reading = value_with_unit(text, quantity.name)
    except UnknownUnit as error:
        raise UnusableRun(
            Fault(
                f"{place} value",
                str(error),
                f'a number with a unit of {quantity.name}, such as "21.5 {quantity.unit}"',
                "correct it",
            )
        ) from error
    return RawChannel(np.full(count, reading), quantity.unit, text)


def said_once(point: str) -> Finding:
    """What is to be said of such a channel."""
    return READ_ONCE.found(point, point=point)
