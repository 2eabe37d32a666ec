"""Power transforms for figures of either sign (Yeo and Johnson, Biometrika 87, 2000, 954)."""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.arrays import Floats

POWERS: Final = np.linspace(-1.0, 3.0, 9)
"""Powers tried; 1 changes nothing, less pulls a long right tail in, more a long left one."""

PULL: Final = 0.5
"""How far from 1 a power is believed beforehand (standard deviation of a normal prior): few cars
say little about their shape, many overrule it."""


def transform(z: Floats, power: float) -> Floats:
    """Transform values.

    Parameters
    ----------
    z
        Values centered and scaled to about 1, any shape.
    power
        The exponent; 1 is the identity.
    """
    right = z >= 0.0
    up, down = np.where(right, z, 0.0), np.where(right, 0.0, -z)
    other = 2.0 - power
    above = np.log1p(up) if abs(power) < 1e-9 else ((1.0 + up) ** power - 1.0) / power
    below = np.log1p(down) if abs(other) < 1e-9 else ((1.0 + down) ** other - 1.0) / other
    return np.asarray(np.where(right, above, -below), dtype=np.float64)


def slope(z: Floats, power: float) -> Floats:
    """Derivative of the transform."""
    return np.asarray((1.0 + np.abs(z)) ** ((power - 1.0) * np.where(z >= 0, 1.0, -1.0)))


def inverse(y: float, power: float) -> float:
    """The value whose transform is y; infinite where no value has it."""
    if y >= 0.0:
        if abs(power) < 1e-9:
            return float(np.expm1(y))
        inside = 1.0 + power * y
        return float(inside ** (1.0 / power)) - 1.0 if inside > 0.0 else np.inf
    other = 2.0 - power
    if abs(other) < 1e-9:
        return float(-np.expm1(-y))
    inside = 1.0 - other * y
    return 1.0 - float(inside ** (1.0 / other)) if inside > 0.0 else -np.inf


def likelihood(z: Floats, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """How normal each power makes the values.

    Parameters
    ----------
    z
        Shape (n,).
    weights
        How often each counts, shape (rows, n); every row sums to more than 1.

    Returns
    -------
    ndarray
        Log-likelihood less the pull towards 1, shape (rows, powers).
    ndarray
        Mean of the transformed values, same shape.
    ndarray
        Their standard deviation, same shape.
    """
    total = weights.sum(axis=1)
    y = np.stack([transform(z, float(power)) for power in POWERS], axis=1)
    mean = (weights @ y) / total[:, None]
    square = (weights @ y**2) / total[:, None]
    bias = (total / np.maximum(total - 1.0, 1.0))[:, None]
    sd = np.sqrt(np.maximum((square - mean**2) * bias, 1e-12))
    jacobian = (weights @ (np.sign(z) * np.log1p(np.abs(z))))[:, None] * (POWERS - 1.0)
    pull = 0.5 * ((POWERS - 1.0) / PULL) ** 2
    return -total[:, None] * np.log(sd) + jacobian - pull, mean, sd
