"""Control events: what was noted of the lever, the blower and the rest, in the log's own time."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from ingest.arrays import Floats
from ingest.errors import Fault, UnusableRun, did_you_mean
from ingest.events.file import EventLines, normal, read_event_lines
from ingest.findings import finding
from ingest.points import CONTROLS, MODES
from ingest.run import Finding, Rejected
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.clock.log_clock import Clock

EVENT_TIME_OF_DAY: Final = finding(
    "event_time_of_day",
    "Events with a time of day and no date: {events}; they were taken to be on the log's own day.",
    do="Nothing, where the test did not pass midnight; otherwise write the dates.",
)
EVENT_REJECTED: Final = finding(
    "event_rejected",
    "{rejected} of {count} lines of {file} could not be used ({named}).",
    do="Correct these lines of the events file.",
)
NO_EVENTS: Final = finding(
    "no_events",
    "{file} holds no event.",
    do="Note the controls: without them figures of the lever and of the blower are missing.",
)
EVENT_OUTSIDE_LOG: Final = finding(
    "event_outside_log",
    "Events noted {where}: {events}; {effect}.",
    do="Check that the events' times are the log's own, or write [events] offset.",
)
LEVER_DISAGREES: Final = finding(
    "lever_disagrees",
    "The lever noted in the events and the lever that was logged differ by up to "
    "{most:.0f} % for {span:.0f s}; the logged one is used.",
    do="Check the position sensor's scale, or the notes.",
)

SCHEMA: Final = {
    "time_s": pl.Float64,
    "control": pl.String,
    "position": pl.String,
    "value": pl.Float64,
}
SEEN: Final = frozenset({"opens", "full_open"})
"""What a thermostat on the bench is seen to do: a moment, and no position that holds."""
SEEN_WORDS: Final = frozenset({"1", "yes", "seen"})
ENGINE: Final = {"start": 1.0, "stop": 0.0}
WORDS: Final[dict[str, dict[str, float]]] = {
    "temp_lever": {"cold": 0.0, "hot": 100.0},
    "defrost": {"off": 0.0, "on": 100.0},
    "vacuum_isolated": {"off": 0.0, "on": 1.0},
    "blower": {"off": 0.0},
}
"""Words that people write in place of a number; a blower that is *on* may be at any step."""
LONGEST_LEAD_S: Final = 3600.0
"""Events noted this long before the log may still say where the controls stood."""
EDGE_S: Final = 1.0
"""Events this close to the log's ends count as inside."""
LEVER_TOLERANCE_PCT: Final = 5.0
LEVER_PATIENCE_S: Final = 60.0
"""Noted and logged lever may differ this long: notes are taken by hand and levers take time."""
MAX_STEP: Final = 1000
"""Of a blower: a percentage or a permille, where no steps are counted."""
NAMED: Final = 5


class PositionError(ValueError):
    """A position its control cannot take; the message says what it can."""


@dataclass(frozen=True)
class Events:
    """Events in log time.

    Parameters
    ----------
    frame
        As `Run.controls`, but in log time.
    findings, rejected, rejected_count
        What could not be used or looks doubtful; times in log time.
    """

    frame: pl.DataFrame
    findings: tuple[Finding, ...] = ()
    rejected: tuple[Rejected, ...] = ()
    rejected_count: int = 0


def no_events() -> Events:
    """Events of a run without an events file."""
    return Events(pl.DataFrame(schema=SCHEMA))


def read_position(control: str, text: str) -> tuple[str, float | None]:
    """Validate a position.

    Parameters
    ----------
    control
        One of `ingest.points.CONTROLS`.
    text
        As it stands in the file.

    Returns
    -------
    tuple
        The position as kept (words in lower case) and its number, None for words.

    Raises
    ------
    PositionError
        Where the control cannot stand there.
    """
    text = text.strip()
    word = normal(text)
    if control == "note":
        return text, None
    if control == "mode":
        if word not in MODES:
            raise PositionError(f"mode is one of {', '.join(MODES)}")
        return word, None
    if control in SEEN:
        if word not in SEEN_WORDS:
            raise PositionError(f"{control} is noted with 1 or yes, when it is seen")
        return word, 1.0
    if control == "engine":
        word = {"on": "start", "off": "stop"}.get(word, word)
        if word not in ENGINE:
            raise PositionError("engine is start or stop")
        return word, ENGINE[word]
    value = WORDS.get(control, {}).get(word, _number(text))
    if control == "vacuum_isolated":
        if value not in (0.0, 1.0):
            raise PositionError("vacuum_isolated is 1 (on) or 0 (off)")
    elif control == "blower":
        if value is None or not 0 <= value <= MAX_STEP:
            raise PositionError("blower is 0 (off), 1, 2, ...")
    elif value is None or not 0 <= value <= 100:
        words = "".join(f", {each}" for each in WORDS.get(control, ()))
        raise PositionError(f"{control} is 0 to 100 (%){words}")
    return text, value


def _number(text: str) -> float | None:
    text = text.removesuffix("%").strip()
    try:
        value = float(text if "." in text else text.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def read_events(path: Path, clock: Clock, offset: float = 0.0) -> Events:
    """Read an events file.

    Parameters
    ----------
    path
        The file: any dialect, columns time, control and position in any order and case.
    clock
        The log's clock.
    offset
        What is added to event times to get log time, s.

    Raises
    ------
    UnusableRun
        Where it cannot be read, a column is missing, or no event can belong to this log.
    """
    refs = [str(ref) for ref in clock.reader.refs]
    lines = read_event_lines(path, refs if len(refs) > 1 else ())
    texts = [event.time for event in lines.events]
    placed, on_the_day = clock.placed(texts)
    times, alone = placed + offset, sum(on_the_day)
    kept = _sort_out(lines, times, clock)
    kept.sort(key=lambda event: event[0])
    columns = zip(*kept, strict=True) if kept else ((),) * len(SCHEMA)
    frame = pl.DataFrame(
        [
            pl.Series(name, list(column), dtype=kind)
            for (name, kind), column in zip(SCHEMA.items(), columns, strict=True)
        ]
    )
    findings = _line_findings(lines, frame.height)
    if lines.rejected_count and not kept:
        raise UnusableRun(
            Fault(
                lines.file,
                f"no line that can be used: {findings[0].detail}",
                "lines of time, control and position",
                "correct the file, or take [events] out of run.toml",
            )
        )
    if alone:
        findings.append(EVENT_TIME_OF_DAY.found(events=alone, evidence={"events": alone}))
    findings += _outside(lines.file, frame, clock)
    return Events(frame, tuple(findings), tuple(lines.rejected), lines.rejected_count)


def _sort_out(
    lines: EventLines, times: Floats, clock: Clock
) -> list[tuple[float, str, str, float | None]]:
    kept: list[tuple[float, str, str, float | None]] = []
    for event, time in zip(lines.events, times.tolist(), strict=True):
        name = normal(event.control)
        try:
            if not math.isfinite(time):
                raise PositionError(
                    f"the time {event.time[:40]!r} is not {clock.reader.said}, as in the log"
                )
            if name not in CONTROLS:
                hint = did_you_mean(name, CONTROLS, "")
                raise PositionError(
                    f"no control is called {event.control[:40]!r}{f' ({hint})' if hint else ''}"
                )
            kept.append((time, name, *read_position(name, event.position)))
        except PositionError as error:
            lines.reject(event.line, event.text, str(error))
    return kept


def _line_findings(lines: EventLines, kept: int) -> list[Finding]:
    if lines.rejected_count:
        first = sorted(lines.rejected, key=lambda each: each.line)[:NAMED]
        named = "; ".join(f"line {each.line}: {each.reason}" for each in first)
        more = lines.rejected_count - len(first)
        return [
            EVENT_REJECTED.found(
                rejected=lines.rejected_count,
                count=lines.rejected_count + kept,
                file=lines.file,
                named=named + (f"; and {more} more" if more else ""),
                evidence={"events": lines.rejected_count},
            )
        ]
    return [] if kept else [NO_EVENTS.found(file=lines.file)]


def _outside(file: str, frame: pl.DataFrame, clock: Clock) -> list[Finding]:
    """Events beyond the log's ends: a finding, or a fault where none can belong to this log."""
    if frame.height == 0:
        return []
    first, last = float(clock.time[0]), float(clock.time[-1])
    times = frame["time_s"].to_numpy()
    before, after = times < first - EDGE_S, times > last + EDGE_S
    if np.all(after | (times < first - LONGEST_LEAD_S)):
        raise UnusableRun(
            Fault(
                f"{file} column 'time'",
                f"no event within the log (events from {times[0]:.6g} s to {times[-1]:.6g} s of "
                f"log time, the log from {first:.6g} s to {last:.6g} s)",
                "event times in the log's own time",
                "correct the times or write [events] offset in run.toml",
            )
        )
    findings: list[Finding] = []
    for mask, where, effect in (
        (before, "before the log starts", "they say where the controls stood at its start"),
        (after, "after the log ends", "they have no effect"),
    ):
        if mask.any():
            beyond = times[mask]
            findings.append(
                EVENT_OUTSIDE_LOG.found(
                    None,
                    float(beyond[0]),
                    float(beyond[-1]),
                    where=where,
                    events=int(beyond.size),
                    effect=effect,
                    evidence={"events": int(beyond.size)},
                )
            )
    return findings


def lever_disagreement(controls: pl.DataFrame, time: Floats, lever: Floats) -> tuple[Finding, ...]:
    """Where the noted lever and the logged one differ for long.

    Parameters
    ----------
    controls
        As in `Run.controls`.
    time
        Shape (n,): times of the logged lever, s from engine start.
    lever
        Shape (n,): the logged lever, %; NaN where there is none.
    """
    noted = controls.filter(pl.col("control") == "temp_lever")
    valid = np.isfinite(lever)
    if noted.height == 0 or not valid.any():
        return ()
    time, lever = time[valid], lever[valid]
    place = np.searchsorted(noted["time_s"].to_numpy(), time, side="right") - 1
    position = noted["value"].to_numpy()[np.maximum(place, 0)]
    apart = (place >= 0) & (np.abs(lever - position) > LEVER_TOLERANCE_PCT)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], apart, [False])).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2] - 1
    if starts.size == 0:
        return ()
    longest = int(np.argmax(time[stops] - time[starts]))
    start, stop = int(starts[longest]), int(stops[longest])
    span = float(time[stop] - time[start])
    if span < LEVER_PATIENCE_S:
        return ()
    most = float(np.abs(lever - position)[start : stop + 1].max())
    return (
        LEVER_DISAGREES.found(
            "temp_lever",
            float(time[start]),
            float(time[stop]),
            most=most,
            span=span,
            evidence={"difference_pct": most, "duration_s": span},
        ),
    )
