"""Many tests at once: the share of false alarms among the alarms held down.

Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300: declaring what has ``q <= 0.05`` lets,
on the average, one alarm in twenty be false.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.stats import false_discovery_control

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
    made = ~np.isnan(p)
    if made.any():
        q[made] = false_discovery_control(p[made])
    return q
