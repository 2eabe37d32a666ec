"""How far a sensor clipped onto a hose reads from the coolant inside it.

The clip sits on the outside of a warm hose in cooler air: conduction along the leads and what the
pad does not cover make it read low by a share of the difference. Nobody knows the share of one
clip, so that nothing is corrected; what it may be is part of the uncertainty. The same hands, pads
and hoses make it nearly the same on all hoses of a car: it cancels where two are compared.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Final

from ingest.run import ErrorSource, Run
from ingest.setup.model import WIRED

HOSES: Final = ("coolant_in", "coolant_out")
"""Points where any sensor is a clipped one."""

MAX_SHARE: Final = 0.04
"""Most that a clip under an insulating pad reads low, as a share of what the hose is warmer than
the air around it (common practice, no source; a 4 mm rubber wall of 0.2 W/(m K) under a pad that
loses 2 W/(m² K) makes 0.04)."""

NAME: Final = "sensors clipped onto hoses"

AIR_C: Final = 20.0
"""Air around the hoses, °C."""


def allow_for_clips(run: Run) -> Run:
    """The run with the clips' error source at its sensors on hoses.

    The share lies between none and `MAX_SHARE` (rectangular, JCGM 100:2008, 4.3.7) and is not
    corrected: its mean square counts (the same, F.2.4.5).

    Parameters
    ----------
    run
        An assessed run of a car.
    """
    slope = MAX_SHARE / math.sqrt(3.0)
    source = ErrorSource(NAME, 0.0, slope, AIR_C)
    clipped = {
        point: dataclasses.replace(sensor, errors=(*sensor.errors, source))
        for point, sensor in run.sensors.items()
        if point in HOSES or (point == "engine_coolant" and sensor.kind in WIRED)
    }
    return run.with_(sensors={**run.sensors, **clipped}) if clipped else run
