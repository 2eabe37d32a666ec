"""Runs put into a store so that all of it is judged by one decision of the store."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands.progress import counted
from dashboard.commands.shared import note, read_baseline

if TYPE_CHECKING:
    from analysis.compare.judging import Judging
    from ingest.load.remote import Place
    from ingest.store.many import Report
    from ingest.store.store import Store
    from ingest.work.outcome import Workers


def decided(opened: Store, limits: Path | None, baseline: Path | None) -> Judging:
    """The store's decision, changed first where limits or good cars are given."""
    from analysis.compare.judging import decide
    from analysis.limits import parse_limits
    from ingest.files import read_text

    text = good = None
    if limits is not None:
        text = read_text(limits)
        parse_limits(text, limits.name)  # refused before it is kept
    own = baseline is not None and baseline.resolve() == opened.folder.resolve()
    if baseline is not None and not own:
        good = (baseline.resolve().name, read_baseline(baseline))
    before = decide(opened)
    after = decide(opened, limits=text, good=good, own=own)
    if after.number != before.number:
        note(f"decision {after.number} of this store: limits {after.limits.version}, good cars "
             f"{f'from {after.good_from}' if after.good_from else 'of its own'}")  # fmt: skip
    return after


def add_judged(
    opened: Store,
    database: str | None,
    places: Sequence[Place],
    workers: Workers,
    judging: Judging,
) -> tuple[int, int]:
    """Add runs, the good cars first; then judge anew what other good cars had judged.

    Returns
    -------
    tuple
        How many are new, and how many could not be used.
    """
    from analysis.compare.judging import judging_of
    from ingest.store.many import add_many, judged_otherwise, refresh_many

    good = [place for place in places if _is_good(place)]
    others = [place for place in places if place not in set(good)]
    new = bad = 0
    for portion in (good, others):
        if portion:
            reports = add_many(judging.task(opened.folder, database), portion, workers)
            more, worse = count_reports(reports, len(portion), "adding")
            new, bad = new + more, bad + worse
            judging = judging_of(opened)
    ids = judged_otherwise(opened, judging.versions) if new else []
    if ids:
        again = refresh_many(judging.task(opened.folder, database), ids, workers)
        count_reports(again, len(ids), "judging anew")
    return new, bad


def _is_good(place: Place) -> bool:
    """Whether a run folder says that it is of a known-good car; what is wrong is said later."""
    import tomllib

    if not isinstance(place, Path):
        return False  # somewhere else; it is judged anew once all are in
    try:
        told = tomllib.loads((place / "run.toml").read_text("utf-8-sig"))
        return bool(told["run"]["purpose"] == "baseline")
    except (OSError, ValueError, KeyError, TypeError):
        return False


def count_reports(reports: Iterable[Report], total: int, what: str) -> tuple[int, int]:
    """Show progress and faults; says how many were written and how many could not be used."""
    new = bad = 0
    for report in counted(reports, total, what):
        new += report.new
        bad += bool(report.faults)
        if report.faults:
            note(f"{report.item}:")
        for line in report.faults:
            note(f"error: {line}")
    return new, bad
