"""Many tests at once: the share of false alarms among the alarms held down.

Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300: declaring what has ``q <= 0.05`` lets,
on the average, one alarm in twenty be false.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.arrays import Floats

ACCEPTED: Final = 0.05
"""Accepted share of false alarms among the alarms."""


def adjusted(p: Floats) -> Floats:
    """Adjusted p-values q: the smallest share of false alarms at which a test is still an alarm.

    Parameters
    ----------
    p
        p-values, shape (n,); NaN for a test that could not be made, which counts as none.

    Returns
    -------
    array
        q, shape (n,), NaN where p is.
    """
    q = np.full(p.shape, np.nan)
    made = np.flatnonzero(~np.isnan(p))
    if made.size == 0:
        return q
    order = made[np.argsort(p[made], kind="stable")]
    scaled = p[order] * made.size / np.arange(1, made.size + 1)
    q[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return q
