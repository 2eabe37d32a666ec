"""The heater at full hot in two numbers.

With heat capacity rates ``C_air`` and ``C_coolant``, the outlet's share of the coolant's lead over
the entering air, and the coolant's drop over the outlet's rise, are::

    E = delivered * e(UA / C_air, C_air / C_coolant)
    R = C_air / C_coolant

`e` is the effectiveness of the core on its air side and `delivered` what ducts leave of the rise
(they lose a little to the car). `R` is the heat balance, whatever the core does. So cold air behind
the core lowers `E` and leaves `R`; less coolant raises `R` and lowers `E` along the core's own
curve; less air lowers `R` and raises `E`; a cool thermostat moves neither.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from analysis.heater.effectiveness import effectiveness_from_ntu, ntu_from_effectiveness
from ingest.arrays import Floats

DELIVERED: Final = (0.95, 0.03)
"""Share of the rise off core and door that ducts leave at the outlet, and how sure that is (k = 1).
Common practice, no source."""


def air_effectiveness(ntu: ArrayLike, ratio: ArrayLike) -> Floats:
    """Rise of the air crossing the core over the coolant's lead, cross flow, both unmixed.

    Parameters
    ----------
    ntu
        ``UA / C_air``, >= 0, [-].
    ratio
        ``C_air / C_coolant``, > 0, [-]; above 1 the coolant is the lesser stream.
    """
    flows = np.asarray(ratio, dtype=np.float64)
    more = np.maximum(flows, 1.0)
    share = effectiveness_from_ntu(np.asarray(ntu) * more, np.where(flows > 1.0, 1.0 / more, flows))
    return np.asarray(share / more)


def air_ntu(effectiveness: ArrayLike, ratio: ArrayLike) -> Floats:
    """``UA / C_air`` of the core that warms its air so far; NaN where none does.

    Parameters
    ----------
    effectiveness
        On the air side, >= 0, [-].
    ratio
        ``C_air / C_coolant``, > 0, [-].
    """
    flows = np.asarray(ratio, dtype=np.float64)
    more = np.maximum(flows, 1.0)
    least = np.where(flows > 1.0, 1.0 / more, flows)
    return np.asarray(ntu_from_effectiveness(np.asarray(effectiveness) * more, least) / more)
