"""A recording's files made again from its journal, and what is to be said about the recording.

The journal is what counts; log.csv, events.csv and rejected.csv are made from it, live and here by
the same code. A folder whose recording was not closed is put in order when it is loaded.
"""

from __future__ import annotations

import atexit
import json
import os
import shutil
import tempfile
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ingest.access import make_folders, usual, write
from ingest.files import NOT_RECORDED, SETUP_NAME, Recording, corrections_beside, read_text
from ingest.findings import finding
from ingest.json_text import parse_json
from ingest.record.journal import FOLDER, Damage, read_records, segments
from ingest.record.wire.clock import Drift, compare_clocks
from ingest.record.wire.count import Gap
from ingest.record.wire.derivation import EVENTS_NAME, LOG_NAME, Derivation, make_derivation
from ingest.record.wire.deriver import Deriver
from ingest.record.wire.files import REJECTED_NAME, DerivedFiles
from ingest.run import Finding
from ingest.saying import say
from ingest.setup.model import parse_setup, read_setup
from ingest.setup.serial import read_serial

if TYPE_CHECKING:
    from filelock import BaseFileLock

RECORDING_RUNNING: Final = finding(
    "recording_running",
    "The recording goes on; this is its state so far.",
    do="Analyze again when the recording has ended.",
)
RECORDING_INCOMPLETE: Final = finding(
    "recording_incomplete",
    "The recording was not ended in order; the log was made again from its journal.",
    do="Nothing is lost; go on with lukewarm record --resume if the test was not over.",
)
JOURNAL_DAMAGED: Final = finding(
    "journal_damaged",
    "The journal is damaged in {places} places ({skipped} bytes); what "
    "stands around them was read.",
    do="Check the disk of the computer.",
)
HOST_CLOCK_SET: Final = finding(
    "host_clock_set",
    "The computer's clock was set while recording ({steps}); the recording's times "
    "do not follow it.",
    do="Nothing: the times are right.",
)
RECORDING_GAP: Final = finding(
    "recording_gap",
    "{what} {end}{how}, {begin:.1f s} after the recording began ({reason}).",
    do="Check the cable and supply of the logger and of the computer.",
)
MORE_GAPS: Final = RECORDING_GAP.also("And {more} more gaps in the recording.")
RECORDING_REJECTS: Final = finding(
    "recording_rejects",
    "Of {lines} lines received: {named}. {file} lists what was not "
    "used; the journal keeps every byte.",
    do="Check the port's speed and cable if they are many.",
)
LOGGER_CLOCK: Final = finding(
    "logger_clock",
    "The logger's clock ran {ppm:+.0f} ppm (± {u_ppm:.0f}) against the "
    "computer's: {seconds:+.2f s} (± {u_seconds:.2f s}) in "
    "{span:.0f s}. The log keeps the logger's times.",
    do="Nothing: it is too small to matter within a run.",
)

STATE_NAME: Final = "recording.json"
LOCK_NAME: Final = "recording.lock"
GAPS_NAMED: Final = 20
FLUSH_EVERY: Final = 2000
"""Records after which the files are flushed, so that memory stays flat."""
HANG_UP_S: Final = 60.0
"""A port may be gone for this long at the end without a word."""
DRIFT_SAID_S: Final = 0.5
"""Drift over a recording from which on it is a finding."""


def recording_lock(folder: Path) -> BaseFileLock:
    """The lock that the process holds which records into a run folder."""
    from filelock import FileLock

    return FileLock(folder / FOLDER / LOCK_NAME, mode=usual().files)


def is_recording(folder: Path) -> bool:
    """Whether a run folder was made by a recording."""
    return bool(segments(folder))


def folder_derivation(folder: Path) -> Derivation:
    """How the lines of a recorded run folder become its log.

    Raises
    ------
    UnusableRun
        Where its run.toml cannot be used.
    """
    setup = parse_setup(read_text(folder / SETUP_NAME), SETUP_NAME)
    return make_derivation(setup, read_serial(setup))


def replay_journal(folder: Path, deriver: Deriver) -> Damage:
    """Feed a deriver every record of a folder's journal.

    Parameters
    ----------
    folder
        The run folder.
    deriver
        It must not have seen a record.
    """
    damage, count = Damage(), 0
    for path in segments(folder):
        for record in read_records(path, damage):
            deriver.feed(record)
            count += 1
            if count % FLUSH_EVERY == 0:
                deriver.files.flush()
    deriver.files.flush()
    return damage


def rebuild(folder: Path, target: Path | None = None) -> dict[str, Any]:
    """Make a recording's files again from its journal.

    Parameters
    ----------
    folder
        The run folder.
    target
        Where to write them; the run folder itself where it is not given.

    Returns
    -------
    dict
        What stands in recording.json.

    Raises
    ------
    UnusableRun
        Where the run.toml cannot be used.
    OSError
        Where the files cannot be written.
    """
    target = folder if target is None else target
    derivation = folder_derivation(folder)
    with tempfile.TemporaryDirectory(prefix=".rebuild-", dir=target) as scratch:
        place = Path(scratch)
        files = DerivedFiles(place, fresh=True)
        try:
            deriver = Deriver(derivation, files)
            damage = replay_journal(folder, deriver)
            deriver.finish()
            files.flush()
        finally:
            files.close()
        for name in (LOG_NAME, EVENTS_NAME, REJECTED_NAME):
            (place / name).replace(target / name)
    findings = recording_findings(deriver, target / LOG_NAME, damage, closed=False)
    state = state_of(folder, deriver, "recovered", findings)
    write(target / STATE_NAME, (json.dumps(state, indent=1) + "\n").encode())
    return state


def state_of(folder: Path, deriver: Deriver, state: str, findings: list[Finding]) -> dict[str, Any]:
    """What recording.json holds.

    Parameters
    ----------
    folder
        The run folder.
    deriver
        After the last record.
    state
        ``recording``, ``closed`` or ``recovered``.
    findings
        Of the recording.
    """
    started = deriver.clock.started_ns
    return {
        "version": 1,
        "state": state,
        "started": None
        if started is None
        else datetime.fromtimestamp(started / 1e9, UTC)
        .astimezone()
        .isoformat(timespec="milliseconds"),
        "duration_s": round(deriver.clock.last_s, 3),
        "time": "host" if deriver.derivation.host_time else "logger",
        "counters": asdict(deriver.counters),
        "journal": journal_sizes(folder),
        "findings": [asdict(finding) for finding in findings],
    }


def journal_sizes(folder: Path) -> dict[str, int]:
    """Bytes of each segment."""
    return {path.name: path.stat().st_size for path in segments(folder)}


def read_state(folder: Path) -> dict[str, Any]:
    """What recording.json says; empty where there is none that can be read."""
    try:
        found = parse_json((folder / STATE_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def prepare(folder: Path) -> Recording:
    """Put a recorded run folder in order before it is loaded.

    A recording that goes on is left alone: its log is read as far as it is written. One that was
    not closed has its files made again from the journal, in the folder or, where that cannot be
    written, in a temporary one.

    Parameters
    ----------
    folder
        A run folder; one without a journal was not recorded here.
    """
    if not (folder / FOLDER).is_dir():
        return NOT_RECORDED
    state = read_state(folder)
    if not is_recording(folder) or state.get("state") == "closed" or _is_settled(folder, state):
        return _told(folder, state)
    if not os.access(folder / FOLDER, os.W_OK):
        return _elsewhere(folder)
    lock = recording_lock(folder)
    try:
        lock.acquire(timeout=0)
    except TimeoutError:
        goes_on = RECORDING_RUNNING.found()
        return Recording(folder, (goes_on,), _started(state))
    except OSError:
        return _elsewhere(folder)
    try:
        return _told(folder, rebuild(folder))
    except OSError:  # a full disk takes no second copy
        return _elsewhere(folder)
    finally:
        lock.release()


def _is_settled(folder: Path, state: dict[str, Any]) -> bool:
    """Whether the files were made again since the last record was written."""
    return state.get("state") == "recovered" and state.get("journal") == journal_sizes(folder)


def _elsewhere(folder: Path) -> Recording:
    place = Path(tempfile.mkdtemp(prefix="lukewarm-")) / folder.resolve().name
    atexit.register(shutil.rmtree, place.parent, ignore_errors=True)
    place.mkdir(mode=0o700)
    write(place / SETUP_NAME, (folder / SETUP_NAME).read_bytes())
    corrections = corrections_beside(read_setup(folder / SETUP_NAME), folder / SETUP_NAME)
    if corrections is not None:
        make_folders((place / corrections[0]).parent)
        write(place / corrections[0], corrections[1].encode())
    return _told(place, rebuild(folder, place))


def _told(folder: Path, state: dict[str, Any]) -> Recording:
    """What recording.json says; one that was written by hand says nothing."""
    try:
        findings = tuple(Finding(**each) for each in state.get("findings", ()))
    except TypeError:
        findings = ()
    return Recording(folder, findings, _started(state))


def _started(state: dict[str, Any]) -> datetime | None:
    try:
        return datetime.fromisoformat(state["started"])
    except (KeyError, TypeError, ValueError):
        return None


def recording_findings(
    deriver: Deriver, log: Path, damage: Damage, *, closed: bool
) -> list[Finding]:
    """What is to be said about a recording.

    Parameters
    ----------
    deriver
        After the last record.
    log
        The log made.
    damage
        What could not be read of the journal.
    closed
        Whether the recording was ended in order.
    """
    found: list[Finding] = []
    derivation = deriver.derivation
    if not closed:
        found.append(RECORDING_INCOMPLETE.found())
    ended = deriver.clock.last_s - HANG_UP_S  # a logger switched off first is no gap
    gaps = [gap for gap in deriver.all_gaps() if gap.to_s is not None or gap.from_s < ended]
    found += _gap_findings(gaps, deriver, host_time=derivation.host_time)
    found += _count_findings(deriver)
    found += _damage_findings(deriver)
    if damage.places:
        found.append(
            JOURNAL_DAMAGED.found(
                places=damage.places,
                skipped=damage.skipped,
                evidence={"places": damage.places, "bytes": damage.skipped},
            )
        )
    if deriver.clock.steps:
        steps = ", ".join(f"{by:+.1f} s at {at:.0f} s" for at, by in deriver.clock.steps[:5])
        found.append(
            HOST_CLOCK_SET.found(steps=steps, evidence={"steps": len(deriver.clock.steps)})
        )
    drift = None
    if not derivation.host_time:
        drift = compare_clocks(log, derivation.setup.log, deriver.samples)
    return found if drift is None else [*found, *_drift_findings(drift)]


def _gap_findings(gaps: list[Gap], deriver: Deriver, *, host_time: bool) -> list[Finding]:
    found = []
    for gap in gaps[:GAPS_NAMED]:
        what = "Nothing was recorded" if gap.port is None else f"Nothing came from {gap.port}"
        end = "to the end"
        if gap.to_s is not None:
            end = say("for {length:.1f s}", length=gap.to_s - gap.from_s)
        by_wall = any(abs(each - (gap.to_s or 0.0)) < 1e-3 for each in deriver.clock.by_wall)
        how = ", by the computer's wall clock" if by_wall else ""
        evidence: dict[str, float | str] = {"host_from_s": round(gap.from_s, 3)}
        if gap.to_s is not None:
            evidence["host_to_s"] = round(gap.to_s, 3)
        found.append(
            RECORDING_GAP.found(
                None,
                gap.from_s if host_time else None,
                gap.to_s if host_time else None,
                what=what,
                end=end,
                how=how,
                begin=gap.from_s,
                reason=gap.reason,
                evidence=evidence,
            )
        )
    if len(gaps) > GAPS_NAMED:
        more = len(gaps) - GAPS_NAMED
        found.append(MORE_GAPS.found(more=more, evidence={"gaps": more}))
    return found


def _count_findings(deriver: Deriver) -> list[Finding]:
    counters = deriver.counters
    kinds: dict[str, int] = {
        "garbage": counters.garbage,
        "half lines": counters.half_lines,
        "wrong checksums": counters.bad_checksums,
        "lines with another number of columns": counters.changed_columns,
        "questions without an answer": counters.unanswered,
    }
    some = {name: count for name, count in kinds.items() if count}
    if not some:
        return []
    named = ", ".join(f"{name} {count}" for name, count in some.items())
    return [
        RECORDING_REJECTS.found(
            lines=counters.lines, named=named, file=REJECTED_NAME, evidence=dict(some)
        )
    ]


def _damage_findings(deriver: Deriver) -> list[Finding]:
    damage = deriver.damage
    share = damage.share()
    if share is None:
        return []
    return [
        Finding(
            "damaged_lines",
            f"About {share:.0%} of the lines came with a damaged digit: {damage.jumps} readings "
            f"that jumped in one line were left out, {damage.times} times were put right by the "
            f"lines' arrival ({REJECTED_NAME} lists them as they came). Let the logger print a "
            "checksum.",
            evidence={"share": share, "jumps": damage.jumps, "times": damage.times},
        )
    ]


def _drift_findings(drift: Drift) -> list[Finding]:
    if abs(drift.seconds) < max(DRIFT_SAID_S, 2 * drift.u_seconds):
        return []
    return [
        LOGGER_CLOCK.found(
            ppm=drift.ppm,
            u_ppm=2 * drift.u_ppm,
            seconds=drift.seconds,
            u_seconds=2 * drift.u_seconds,
            span=drift.span_s,
            evidence={"ppm": drift.ppm, "u_ppm": drift.u_ppm, "seconds": drift.seconds},
        )
    ]
