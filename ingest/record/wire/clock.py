"""The logger's clock against the host's: drift with its uncertainty, from a finished recording."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from ingest.clock.reader import open_reader
from ingest.errors import UnusableRun
from ingest.record.wire.count import ClockSamples
from ingest.table.text.read import read_text_table
from ingest.values import dataclass

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.setup.model import LogTable

MIN_LINES: Final = 20
LARGEST_LOG: Final = 256 << 20
"""Bytes; a larger log is not read whole for this."""
MIN_SPAN_S: Final = 20.0
_BREAK_S: Final = 5.0
"""A change of one clock against the other from one sample to the next that is no drift."""
_BATCHES: Final = 10


@dataclass(frozen=True)
class Drift:
    """How fast the logger's clock runs against the host's.

    Parameters
    ----------
    ppm, u_ppm
        Gain of the logger's clock, parts per million, and its standard uncertainty.
    seconds, u_seconds
        The same over the time compared, s.
    span_s
        That time, s.
    """

    ppm: float
    u_ppm: float
    seconds: float
    u_seconds: float
    span_s: float


def compare_clocks(path: Path, log: LogTable, samples: ClockSamples) -> Drift | None:
    """Compare the time column of a recorded log with when its lines were received.

    Parameters
    ----------
    path
        The log.
    log
        The set-up's `[log]`.
    samples
        Lines and when they were received.

    Returns
    -------
    Drift or None
        None where there is too little to compare.
    """
    if len(samples.lines) < MIN_LINES or path.stat().st_size > LARGEST_LOG:
        return None
    try:
        table = read_text_table(path, log)
        _, readings = open_reader(table, log)
    except UnusableRun:
        return None
    by_line = {table.line(row): row for row in range(table.height)}
    pairs = [
        (host, readings[by_line[line]])
        for line, host in zip(samples.lines, samples.host_s, strict=True)
        if line in by_line
    ]
    host, own = np.array(pairs, dtype=np.float64).T if pairs else np.empty((2, 0))
    known = np.isfinite(own)
    return drift_of(host[known], own[known])


def drift_of(host: NDArray[np.float64], own: NDArray[np.float64]) -> Drift | None:
    """Slope of one clock against another over their longest stretch without a jump.

    Parameters
    ----------
    host, own
        Shape (n,): when lines were received and the times they carry, s.

    Returns
    -------
    Drift or None
        None where the stretch is too short.
    """
    if host.size < MIN_LINES:
        return None
    jumps = np.flatnonzero(np.abs(np.diff(own - host)) > _BREAK_S) + 1
    edges = np.concatenate(([0], jumps, [host.size]))
    longest = int(np.argmax(np.diff(edges)))
    part = slice(int(edges[longest]), int(edges[longest + 1]))
    host, ahead = host[part], (own - host)[part]
    span = float(host[-1] - host[0]) if host.size else 0.0
    if host.size < MIN_LINES or span < MIN_SPAN_S:
        return None
    at = host - host.mean()
    slope = float(at @ ahead / (at @ at))
    residuals = ahead - ahead.mean() - slope * at
    u_slope = _batch_error(at, residuals)
    return Drift(slope * 1e6, u_slope * 1e6, slope * span, u_slope * span, span)


def _batch_error(at: NDArray[np.float64], residuals: NDArray[np.float64]) -> float:
    """Standard error of the slope where delays come in spells: from sums over batches.

    The sandwich estimate with whole batches as its units (Liang and Zeger 1986, from memory).
    """
    scores = [
        float(one @ other)
        for one, other in zip(
            np.array_split(at, _BATCHES), np.array_split(residuals, _BATCHES), strict=True
        )
    ]
    spread = sum(score * score for score in scores) * _BATCHES / (_BATCHES - 2)
    return math.sqrt(spread) / float(at @ at)
