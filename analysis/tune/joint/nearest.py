"""The labelled runs a limit lies between: those whose label or value would move it first."""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.tune.joint.table import Indices, Table
from analysis.tune.search.one_figure import Nearest
from ingest.arrays import Bools, Floats

MAX_OF_A_KIND: Final = 3


def nearest_runs(table: Table, at: int, side: str, bound: Floats) -> Nearest:
    """Good cars' runs that lie farthest out, and the nearest of the bad ones it finds.

    Parameters
    ----------
    table
        Labelled runs.
    at
        Column of the figure.
    side
        ``low`` or ``high``, where it is bad.
    bound
        The limit of each run, shape (n,).

    Returns
    -------
    Nearest
        At most `MAX_OF_A_KIND` of each, the nearest bad ones first and the farthest good ones; each
        car once.
    """
    sign = 1.0 if side == "high" else -1.0
    beyond = sign * (table.value[:, at] - bound)
    known = np.isfinite(beyond)
    good = _cars(table, known & ~table.bad, -beyond)
    found = _cars(table, known & table.bad & (beyond > 0.0), beyond)
    return Nearest(
        tuple(str(table.run_id[each]) for each in good),
        tuple(str(table.run_id[each]) for each in found),
    )


def _cars(table: Table, kind: Bools, order: Floats) -> Indices:
    """Runs of a kind, least `order` first, one a car."""
    runs = np.flatnonzero(kind)
    runs = runs[np.lexsort((table.run_id[runs], order[runs]))]
    _, first = np.unique(table.car[runs], return_index=True)
    return np.asarray(runs[np.sort(first)][:MAX_OF_A_KIND], dtype=np.intp)
