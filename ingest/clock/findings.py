"""What was wrong with a log's clock, in sentences a technician understands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from ingest.clock.order import ClockStep, Ordered
from ingest.findings import finding
from ingest.run import Finding, Rejected
from ingest.saying import say

if TYPE_CHECKING:
    from ingest.table.columns import Columns

MAX_NAMED: Final = 5
"""Places named in one finding; the rest are counted."""
UNEVEN: Final = 0.25
"""Half the spread of the middle 90 % of intervals over their median, above which it is said."""

CLOCK_ROLLED_OVER: Final = finding(
    "clock_rolled_over",
    "The clock passed midnight; its day was added ({often}{size}, {places}).",
    do="Nothing: the time goes on.",
)
_KINDS: Final = {
    "roll-over": CLOCK_ROLLED_OVER,
    "overflow": CLOCK_ROLLED_OVER.also(
        "The logger's counter was full and began again at zero ({often}{size}, {places})."
    ),
    "restart": finding(
        "logger_restart",
        "The elapsed time began again, so the logger restarted; how long it was off is not "
        "known, and the rows after it continue one sampling interval later "
        "({often}{size}, {places}).",
        do="Check the logger's supply; a figure across the restart is doubtful.",
    ),
    "step back": finding(
        "clock_step_back",
        "The clock was set back; the rows after it continue one sampling interval later "
        "({often}{size}, {places}).",
        do="Let no time server set the logger's clock during a test.",
    ),
    "clock set": finding(
        "clock_set",
        "The clock jumped ahead by more than a day, so it was set; the rows after it continue one "
        "sampling interval later ({often}{size}, {places}).",
        do="Set the logger's clock before the test.",
    ),
}
ROWS_WITHOUT_TIME: Final = finding(
    "rows_without_time",
    "Rows without a readable time, set aside: {rows} of {count} ({places}).",
    do="Look at these lines of the log.",
)
STRAY_TIME: Final = finding(
    "stray_time",
    "Rows whose time jumps away from their neighbors' and comes back, set aside: "
    "{rows} ({places}).",
    do="Look at these lines of the log.",
)
ROWS_OUT_OF_ORDER: Final = finding(
    "rows_out_of_order",
    "Rows slightly out of the order of their times, sorted: {rows}.",
    do="Nothing, if they are few.",
)
EQUAL_TIMES: Final = finding(
    "equal_times",
    "Rows that repeat the time of the row before them: {rows} (up to {largest} share "
    "one time); they were spread evenly over the step to the next time, or over the "
    "usual step where that is shorter.",
    do="Log the time with more decimals if the logger can.",
)
UNEVEN_SAMPLING: Final = finding(
    "uneven_sampling",
    "Rows come unevenly: usually {usual:.3g s} apart, nine in ten between "
    "{low:.3g s} and {high:.3g s}.",
    do="Nothing: times are taken as logged.",
)


def unread_finding(rejected: Sequence[Rejected], count: int, rows: int) -> tuple[Finding, ...]:
    """Rows whose time could not be read."""
    if count <= 0:
        return ()
    lines = [each.line for each in rejected if each.reason.startswith("no time")]
    return (
        ROWS_WITHOUT_TIME.found(
            rows=count, count=rows, places=_places(lines, count), evidence={"rows": count}
        ),
    )


def order_findings(ordered: Ordered, table: Columns) -> list[Finding]:
    """Every policy that changed something, with its count and place."""
    found: list[Finding] = []
    for kind in _KINDS:
        steps = [step for step in ordered.steps if step.kind == kind]
        if steps:
            found.append(_steps_finding(steps, table))
    if ordered.stray.size:
        lines = [table.line(int(row)) for row in ordered.stray[:MAX_NAMED]]
        found.append(
            STRAY_TIME.found(
                rows=int(ordered.stray.size),
                places=_places(lines, ordered.stray.size),
                evidence={"rows": int(ordered.stray.size)},
            )
        )
    if ordered.sorted_rows:
        found.append(
            ROWS_OUT_OF_ORDER.found(
                rows=ordered.sorted_rows, evidence={"rows": ordered.sorted_rows}
            )
        )
    return found


def spacing_findings(time: np.ndarray, equal: int, largest: int) -> list[Finding]:
    """Equal times and uneven sampling of a log with one row a moment.

    Parameters
    ----------
    time
        Log time, s, strictly increasing.
    equal
        Rows that had the time of the row before them.
    largest
        Most rows that shared one time.
    """
    found: list[Finding] = []
    if equal:
        found.append(
            EQUAL_TIMES.found(
                rows=equal, largest=largest, evidence={"rows": equal, "largest_group": largest}
            )
        )
    step = np.diff(time)
    if step.size >= 20 and _may_be_uneven(step):
        low, middle, high = (float(each) for each in np.percentile(step, [5, 50, 95]))
        if high - low > 2 * UNEVEN * middle:
            found.append(
                UNEVEN_SAMPLING.found(
                    usual=middle,
                    low=low,
                    high=high,
                    evidence={"median_s": middle, "p5_s": low, "p95_s": high},
                )
            )
    return found


def _may_be_uneven(step: np.ndarray) -> bool:
    """Whether the percentiles may lie far apart, by the steps next to them; sorting is quick."""
    ordered = np.sort(step)
    last = step.size - 1
    low, high = ordered[int(0.05 * last)], ordered[min(int(0.95 * last) + 1, last)]
    return bool(high - low > 1.99 * UNEVEN * ordered[last // 2])


def _steps_finding(steps: Sequence[ClockStep], table: Columns) -> Finding:
    lines = [table.line(step.row) for step in steps[:MAX_NAMED]]
    size = max((step.size for step in steps), key=abs)
    once = len(steps) == 1
    often = "" if once else f"{len(steps)} times, "
    return _KINDS[steps[0].kind].found(
        None,
        steps[0].at,
        steps[-1].at,
        often=often,
        size=say("by {size:+.6g s}" if once else "by at most {size:+.6g s}", size=size),
        places=_places(lines, len(steps)),
        evidence={"count": len(steps), "size_s": size},
    )


def _places(lines: Sequence[int], count: int) -> str:
    named = ", ".join(map(str, lines))
    more = count - len(lines)
    word = "line" if count == 1 else "lines"
    return f"{word} {named}" + (f" and {more} more" if more > 0 else "")
