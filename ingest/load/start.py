"""When the engine started and what the wall's clock showed."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from ingest.clock.order import DAY_S
from ingest.errors import Fault, UnusableRun
from ingest.events.controls import LONGEST_LEAD_S
from ingest.findings import finding
from ingest.run import Finding

if TYPE_CHECKING:
    import polars as pl

    from ingest.clock.log_clock import Clock
    from ingest.setup.model import RunTable

ENGINE_START_OUTSIDE_LOG: Final = finding(
    "engine_start_outside_log",
    "The noted start of the engine does not lie within the log, nor in the hour before "
    "it, and was not used.",
    do="Correct the time of the engine event, or [events] offset in run.toml.",
)
ENGINE_START_READ: Final = finding(
    "engine_start_read",
    "engine_start = {stated:g s} does not lie within the log's own time "
    "({first:.6g s} to {last:.6g s}); it was counted from the first row.",
    do="Write engine_start in the log's own time if that was meant.",
)
ENGINE_START_DISAGREES: Final = finding(
    "engine_start_disagrees",
    "The events note the engine's start {apart:+.1f s} from the one "
    "run.toml states; that of run.toml is used.",
    do="Keep the one of the two that is right.",
)
STARTED_DISAGREES: Final = finding(
    "started_disagrees",
    "The log's own dates lie {apart:+.0f s} from [run] started; those of the log are used.",
    do="Correct or drop [run] started, or set the logger's clock.",
)

_ON: Final = ("engine", 1.0)
AGREE_S: Final = 5.0
"""Stated and noted engine start may differ this much."""
WALLS_AGREE_S: Final = 60.0
"""`[run] started` and the log's own dates may differ this much."""


def engine_start(run: RunTable, events: pl.DataFrame, clock: Clock) -> tuple[float, list[Finding]]:
    """Log time of the engine start, from which a run's time counts.

    ``[run] engine_start`` is a reading of the time column where that is plain elapsed time and
    the reading lies within the log; else it counts from the log's first row. Without it the first
    noted ``engine`` start counts, else the first row.

    Parameters
    ----------
    run
        The set-up's `[run]`.
    events
        Events in log time.
    clock
        The log's clock.

    Raises
    ------
    UnusableRun
        Where the stated start lies after the log's end or more than a day before it.
    """
    first, last = float(clock.time[0]), float(clock.time[-1])
    columns = (events[name].to_list() for name in ("control", "value", "time_s"))
    starts = (
        time for control, value, time in zip(*columns, strict=True) if (control, value) == _ON
    )
    noted = next(starts, None)
    findings: list[Finding] = []
    if noted is not None and not first - LONGEST_LEAD_S <= noted <= last:
        noted = None
        findings.append(ENGINE_START_OUTSIDE_LOG.found())
    if run.engine_start is None:
        return (first if noted is None else noted), findings
    elapsed = clock.reader.form is None and not clock.reader.absolute
    own = elapsed and first - 2 * clock.tail.interval <= run.engine_start <= last
    start = run.engine_start if own else first + run.engine_start
    if not first - DAY_S <= start <= last:
        raise UnusableRun(
            Fault(
                "run.toml [run] engine_start",
                f"{run.engine_start:g} s, {'after the log' if start > last else 'days before it'}",
                f"a time within the log (it runs from {first:.6g} s to {last:.6g} s)",
                "correct it, or leave it out",
            )
        )
    if elapsed and not own:
        findings.append(ENGINE_START_READ.found(stated=run.engine_start, first=first, last=last))
    if noted is not None and abs(noted - start) > AGREE_S:
        findings.append(
            ENGINE_START_DISAGREES.found(
                apart=noted - start, evidence={"difference_s": noted - start}
            )
        )
    return start, findings


def wall_clock(run: RunTable, clock: Clock, start: float) -> tuple[datetime | None, list[Finding]]:
    """Wall clock of the first row, from the log's dates or from ``[run] started``.

    Parameters
    ----------
    run
        The set-up's `[run]`.
    clock
        The log's clock.
    start
        Log time of the engine start.
    """
    if run.started is None:
        return clock.started, []
    stated = run.started + timedelta(seconds=float(clock.time[0]) - start)
    logged = clock.started
    if logged is None:
        return stated, []
    if logged.tzinfo is None:  # the log's dates are those of the stated wall clock
        logged = logged.replace(tzinfo=stated.tzinfo)
    elif stated.tzinfo is None:
        stated = stated.replace(tzinfo=logged.tzinfo)
    apart = (logged - stated).total_seconds()
    if abs(apart) <= WALLS_AGREE_S:
        return logged, []
    return logged, [STARTED_DISAGREES.found(apart=apart, evidence={"difference_s": apart})]
