"""A bench run as the outcome of a check: did it find the fault the check looks for, how surely."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from analysis.bench.parts import measure_part
from analysis.bench.registry import Asked
from analysis.limits import Limit
from analysis.measured import Measured
from analysis.verdict import conformance
from ingest.check_sheet import MeasuredOutcome
from ingest.errors import Fault, UnusableRun

PARTS_OF: Final[Mapping[str, tuple[frozenset[str], str]]] = {
    "thermostat_test": (frozenset({"thermostat"}), "opening_start"),
    "sensor_check": (frozenset({"sensors"}), "sensor_offset"),
    "vacuum_isolation": (frozenset({"actuator", "line"}), "hold_decay"),
    "check_valve": (frozenset({"check valve"}), "hold_decay"),
}
"""By check: the parts that are measured for it, and the figure that tells."""

LEAST_ERROR: Final = 0.01
"""However sure the figure: another part may have been on the bench (common practice, no source)."""

DECIDED: Final = 0.05
"""An answer that is wrong more often than this is none."""


def bench_outcome(measured: Measured, check: str) -> MeasuredOutcome:
    """What a bench run says of a check.

    Parameters
    ----------
    measured
        The bench run.
    check
        Name of the check.

    Raises
    ------
    UnusableRun
        Where the run is not of the part that the check is about, or does not decide.
    """
    run = measured.run
    wanted = PARTS_OF.get(check)
    there = None if run.setup.bench is None else run.setup.bench.part
    if wanted is None or there not in wanted[0]:
        raise UnusableRun(
            Fault(
                f"{run.name} [bench] part",
                "no part on the bench" if there is None else there,
                f"{' or '.join(sorted(wanted[0]))}, for {check}"
                if wanted
                else f"one of {', '.join(PARTS_OF)}",
                "name the bench run of this part, or note the check with --found",
            )
        )
    bad = [
        _fault_probability(check, asked)
        for name, asked in measure_part(run).items()
        if name.partition(".")[0] == wanted[1]
    ]
    known = [each for each in bad if each is not None]
    worst = max(known, default=None)
    # sound only where every figure is; a fault of one is enough
    if worst is not None and worst >= 1.0 - DECIDED:
        return MeasuredOutcome(found=True, error=max(LEAST_ERROR, 1.0 - worst))
    if len(known) == len(bad) and known and sum(known) <= DECIDED:
        return MeasuredOutcome(found=False, error=max(LEAST_ERROR, sum(known)))
    raise UnusableRun(
        Fault(
            run.name,
            "a bench run that does not decide",
            f"{wanted[1]} well inside or well beyond what is asked of it",
            "see `lukewarm analyze` for what would decide it, and measure again",
        )
    )


def _fault_probability(check: str, asked: Asked) -> float | None:
    """Probability that the part has the fault the check looks for; None where it is not known."""
    value, u, limit = asked.measurement.value, asked.measurement.u, asked.limit
    if value is None or u is None or limit is None:
        return None
    if check == "thermostat_test":  # one that opens late warms the heater, not the other way round
        limit = Limit(limit.low, None, limit.basis)
    return 1.0 - conformance(value, u, limit)
