"""The heater at full hot in a few numbers, and what each kind of fault does to them.

All the air meets a door. Most of it crosses the core, a share `leak` does not and joins it behind.
With heat capacity rates ``C_air`` (all the air) and ``C_coolant``, the outlet's share of the
coolant's lead over the entering air, and the coolant's drop over the outlet's rise, are::

    E = delivered * (1 - leak) * e(UA / ((1 - leak) * C_air), (1 - leak) * C_air / C_coolant)
    R = C_air / C_coolant

`e` is the effectiveness of the core on its air side and `delivered` what ducts leave of the rise
(they lose a little to the car). `R` is the heat balance, whatever the core does. So cold air behind
the core lowers `E` and leaves `R`; less coolant raises `R` and lowers `E` along the core's own
curve; less air lowers `R` and raises `E`; a cool thermostat moves neither.

The core's conductance is that of its air side and its coolant side in series. Slower fluids pass
less heat: about the root of the flow over fins (Kays and London, Compact Heat Exchangers, ch. 10),
``flow**0.8`` inside tubes while the flow is turbulent (Dittus and Boelter, in Incropera and DeWitt,
Fundamentals of Heat and Mass Transfer, eq. 8.60), ``flow**(1/3)`` where it is laminar and still
developing (Sieder and Tate, eq. 8.57); thick coolant in a starved core is in between. How the two
sides share the resistance is assumed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from analysis.heater.effectiveness import effectiveness_from_ntu, ntu_from_effectiveness
from ingest.arrays import Floats

COOLANT_EXPONENT: Final = (0.7, 0.12)
"""Power of the coolant's flow its side's conductance goes with, between turbulent and laminar, and
how sure that is (k = 1)."""

AIR_EXPONENT: Final = 0.5

AIR_SIDE: Final = (0.75, 0.10)
"""Share of a core's resistance to heat that is on its air side, and how sure that is (k = 1).
Common practice, no source; the air side rules in every liquid-to-air core."""

DELIVERED: Final = (0.95, 0.03)
"""Share of the rise off core and door that ducts leave at the outlet, and how sure that is (k = 1).
Common practice, no source."""


@dataclass(frozen=True)
class Core:
    """One or many heaters in their usual state; all arrays broadcast.

    Parameters
    ----------
    ntu
        ``UA / C_air``, [-].
    ratio
        ``C_air / C_coolant``, [-].
    air_side
        Share of the resistance on the air side, [-].
    delivered
        Share of the rise that reaches the outlet, [-].
    exponent
        Power of the coolant's flow that its side's conductance goes with, [-].
    """

    ntu: Floats
    ratio: Floats
    air_side: Floats
    delivered: Floats
    exponent: Floats

    @classmethod
    def from_outlet(
        cls,
        effectiveness: ArrayLike,
        ratio: ArrayLike,
        air_side: ArrayLike = AIR_SIDE[0],
        delivered: ArrayLike = DELIVERED[0],
        exponent: ArrayLike = COOLANT_EXPONENT[0],
    ) -> Core:
        """The core that gives an outlet its effectiveness with all the air through it.

        Its `ntu` is NaN where no core of this flow ratio gives so much.
        """
        share, flows, side, left, power = (
            np.asarray(each, dtype=np.float64)
            for each in (effectiveness, ratio, air_side, delivered, exponent)
        )
        return cls(air_ntu(share / left, flows), flows, side, left, power)

    def outlet(
        self, coolant: ArrayLike = 1.0, air: ArrayLike = 1.0, leak: ArrayLike = 0.0
    ) -> Floats:
        """Effectiveness at the outlet with flows changed and cold air past the core.

        Parameters
        ----------
        coolant, air
            Flows as shares of the usual ones, > 0.
        leak
            Share of the air that does not cross the core, < 1; 0 is usual, a negative one gives
            what a heater has more than its like.
        """
        flow, crossing = np.asarray(coolant), 1.0 - np.asarray(leak)
        through = np.asarray(air) * crossing
        resistance = self.air_side * through**-AIR_EXPONENT
        resistance = resistance + (1.0 - self.air_side) * flow**-self.exponent
        ntu = self.ntu / (resistance * through)
        ratio = self.ratio * through / flow
        return np.asarray(self.delivered * crossing * air_effectiveness(ntu, ratio))

    def leak(
        self, effectiveness: ArrayLike, coolant: ArrayLike = 1.0, air: ArrayLike = 1.0
    ) -> Floats:
        """The leak that lowers the outlet to an effectiveness, flows as given.

        NaN where no leak within `LEAKS` does it.
        """
        wanted = np.asarray(effectiveness, dtype=np.float64)
        above = self.outlet(coolant, air, LEAKS[0]) - wanted
        below = self.outlet(coolant, air, LEAKS[1]) - wanted
        low, high = (np.full(above.shape, end) for end in LEAKS)
        possible = (above >= 0.0) & (below <= 0.0)
        for _ in range(MAX_STEPS):
            # false position; the end that stays twice is halved (Illinois), so that both close in
            span = np.where(above > below, above - below, 1.0)
            middle = low + (high - low) * above / span
            there = self.outlet(coolant, air, middle) - wanted
            if np.all(np.abs(there[possible]) < CLOSE_ENOUGH):
                break
            up = there > 0.0
            low, high = np.where(up, middle, low), np.where(up, high, middle)
            above, below = (
                np.where(up, there, above / 2.0),
                np.where(up, below / 2.0, there),
            )
        return np.asarray(np.where(possible, middle, np.nan))


LEAKS: Final = (-0.9, 0.98)
"""Leaks that are looked for."""

MAX_STEPS: Final = 60
CLOSE_ENOUGH: Final = 1e-9


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
