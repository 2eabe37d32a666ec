"""A run with its figures, not judged: what causes, baselines and stores begin with."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.context import Context
from analysis.measurement import Measurement
from ingest.run import Finding, Run
from ingest.values import dataclass


@dataclass(frozen=True)
class Measured:
    """A run with its figures, not judged.

    Parameters
    ----------
    run
        The run as the figures saw it: bad stretches null, offsets corrected, events aligned.
    context
        Grid and windows, for pictures.
    figures
        By the contract's name, in the contract's order.
    findings
        All that was found wrong with the log.
    """

    run: Run
    context: Context
    figures: Mapping[str, Measurement]
    findings: tuple[Finding, ...]
