"""How far a sensor clipped onto a hose reads from the coolant inside it.

The clip sits on the outside of a warm hose in cooler air: conduction along the leads and what the
pad does not cover make it read low by a share of the difference. Nobody knows the share of one
clip, so that nothing is corrected; what it may be is part of the uncertainty. The same hands, pads
and hoses make it much the same on all hoses of a car: that cancels where two are compared, what one
clip sits worse than the other does not.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Final

from ingest.run import ErrorSource, Run
from ingest.setup.model import WIRED

HOSES: Final = ("coolant_in", "coolant_out")
"""Points where any sensor is a clipped one."""

MAX_SHARE: Final = 0.06
"""Most that clips under insulating pads read low alike, as a share of what the hose is warmer than
the air around it (common practice, no source; a 4 mm rubber wall of 0.2 W/(m K) makes 0.04 under a
pad that loses 2 W/(m² K), and 0.06 under one that loses 3)."""

MAX_OWN_SHARE: Final = 0.02
"""Most that one of them reads lower than the others (the same)."""

NAME: Final = "sensors clipped onto hoses"
"""What all clips read low: the middle of what they may, on every car alike."""

WORSE: Final = "how well the clips sit"
"""How one car's clips may differ from that, both hoses' alike: the same hands fitted them."""

AIR_C: Final = 20.0
"""Air around the hoses, °C."""


def allow_for_clips(run: Run) -> Run:
    """The run with the clips' error source at its sensors on hoses.

    The shares lie between none and the most (rectangular, JCGM 100:2008, 4.3.7) and are
    not corrected: their mean squares count (the same, F.2.4.5).

    Parameters
    ----------
    run
        An assessed run of a car.
    """
    # the mean square of a rectangular share is that of its middle and its variance
    alike = (
        ErrorSource(NAME, 0.0, MAX_SHARE / 2.0, AIR_C),
        ErrorSource(WORSE, 0.0, MAX_SHARE / math.sqrt(12.0), AIR_C),
    )
    own = MAX_OWN_SHARE / math.sqrt(3.0)
    clipped = {
        point: dataclasses.replace(
            sensor,
            errors=(*sensor.errors, *alike, ErrorSource(f"clip of {point}", 0.0, own, AIR_C)),
        )
        for point, sensor in run.sensors.items()
        if point in HOSES or (point == "engine_coolant" and sensor.kind in WIRED)
    }
    return run.with_(sensors={**run.sensors, **clipped}) if clipped else run
