"""The heater core as two conductances in series around one heat capacity.

Between coolant and air stands the core with its water: the coolant heats it through `g_coolant`,
it heats the air through `g_air`. Chosen so that the settled heat flow is that of a cross-flow
heat exchanger of the same UA (effectiveness-NTU), the pair also gives the right limits: a core
without flow cools down with the air that passes it, a core with plenty of flow is all at the
coolant's temperature.

Effectiveness, cross-flow with both streams unmixed, the usual textbook approximation (Incropera
and DeWitt, Fundamentals of Heat and Mass Transfer, table 11.3):
``1 - exp(NTU**0.22 / Cr * (exp(-Cr * NTU**0.78) - 1))``; parallel flow where the hoses are
reversed: ``(1 - exp(-NTU * (1 + Cr))) / (1 + Cr)``.
"""

from __future__ import annotations

import math

from sample_logs.simulator.car import HeaterLoop

NO_FLOW = 0.05
"""Heat capacity rate below which a stream is taken as standing, W/K."""

AIR_REFERENCE = 95.0
COOLANT_REFERENCE = 450.0


def conductances(loop: HeaterLoop, air: float, coolant: float) -> tuple[float, float]:
    """Conductances coolant to core and core to air.

    Parameters
    ----------
    loop
        The heater's branch.
    air, coolant
        Heat capacity rates through the core, W/K.

    Returns
    -------
    tuple of float
        ``(g_coolant, g_air)``, W/K. Their series is effectiveness times the smaller rate.
    """
    if air < NO_FLOW:
        return coolant, 0.0
    ua_air = loop.ua_air * math.sqrt(air / AIR_REFERENCE)
    if coolant < NO_FLOW:
        return coolant, air * -math.expm1(-ua_air / air)
    ua_coolant = loop.ua_coolant * (coolant / COOLANT_REFERENCE) ** 0.6
    ua = ua_air * ua_coolant / (ua_air + ua_coolant)
    least, most = (air, coolant) if air < coolant else (coolant, air)
    total = least * effectiveness(ua / least, least / most, parallel=loop.reversed)
    g_air = air * -math.expm1(-ua_air / air)
    # near plenty of flow the series is all air side; the cap only keeps the division finite
    rest = 1.0 / total - 1.0 / g_air
    return (1.0 / rest if rest > 1e-6 else 1e6), g_air


def effectiveness(ntu: float, ratio: float, *, parallel: bool = False) -> float:
    """Effectiveness of the core from its NTU and capacity ratio (both > 0)."""
    if parallel:
        return -math.expm1(-ntu * (1.0 + ratio)) / (1.0 + ratio)
    return -math.expm1(ntu**0.22 / ratio * math.expm1(-ratio * ntu**0.78))


def settled_off_air(
    loop: HeaterLoop, air: float, coolant: float, coolant_in: float, air_in: float
) -> float:
    """Temperature of the air leaving the core once everything has settled, °C."""
    if air < NO_FLOW:
        return coolant_in
    g_coolant, g_air = conductances(loop, air, coolant)
    if g_coolant <= 0.0:
        return air_in
    series = g_coolant * g_air / (g_coolant + g_air)
    return air_in + series / air * (coolant_in - air_in)
