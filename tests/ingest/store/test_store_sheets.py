"""Check sheets of stored runs: taken in, counted, kept when the catalog is made again."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ingest.check_sheet import Checked, note_check
from ingest.run import Run
from ingest.store.many import Report, Task, add_many, refresh_many
from ingest.store.rebuild import make_way, missing, rebuild_many
from ingest.store.rows import Outcome
from ingest.store.sheets import note_stored, sheet_of
from ingest.store.store import Store
from ingest.store.verify import leftovers
from ingest.work.outcome import HERE
from tests.support.stored.stores import make_place, outcome_of, verify, versions_for

NOON = datetime(2026, 1, 14, 12, tzinfo=UTC)


def counting(run: Run, sheet: Sequence[Checked] = ()) -> Outcome:
    """A result that says how many lines it was given."""
    told = outcome_of(run)
    return Outcome(told.document | {"lines": len(sheet)}, told.kept, told.random)


def put(task: Task, place: Path) -> Report:
    (report,) = add_many(task, [place], HERE)
    return report


def lines(task: Task, run_id: str) -> int:
    store = Store.open(task.folder, create=False)
    try:
        document = store.document(run_id)
        assert document is not None
        assert verify(store) == []
        assert leftovers(store) == []
        return int(document["lines"])
    finally:
        store.close()


def test_a_sheet_comes_in_with_its_run_and_later(tmp_path: Path) -> None:
    task = Task(tmp_path / "store", None, counting, versions_for)
    place = make_place(tmp_path / "run", "SC-100")
    note_check(place, "coolant_level", "full", NOON, found=False)
    first = put(task, place)
    assert first.new
    assert lines(task, first.run_id) == 1
    assert not put(task, place).new

    note_check(place, "case_seals", "torn", NOON + timedelta(hours=2), found=True)
    again = put(task, place)
    assert (again.run_id, again.new) == (first.run_id, True)
    assert lines(task, first.run_id) == 2
    assert not put(task, place).new


def test_what_was_noted_in_the_store_stays_in_its_place(tmp_path: Path) -> None:
    task = Task(tmp_path / "store", None, counting, versions_for)
    place = make_place(tmp_path / "run", "SC-100")
    run_id = put(task, place).run_id
    note_stored(task.folder, run_id, "hose_routing", "", NOON + timedelta(hours=1), found=False)
    assert [each.faults for each in refresh_many(task, [run_id], HERE)] == [()]
    assert lines(task, run_id) == 1

    note_check(place, "coolant_level", "full", NOON, found=False)
    note_check(place, "case_seals", "torn", NOON + timedelta(hours=2), found=True)
    put(task, place)
    noted = [each.check for each in sheet_of(task.folder, run_id)]
    assert noted == ["coolant_level", "hose_routing", "case_seals"]
    assert lines(task, run_id) == 3


def test_a_rebuilt_catalog_counts_the_sheets(tmp_path: Path) -> None:
    task = Task(tmp_path / "store", None, counting, versions_for)
    place = make_place(tmp_path / "run", "SC-100")
    note_check(place, "coolant_level", "full", NOON, found=False)
    run_id = put(task, place).run_id
    (task.folder / "catalog.sqlite").unlink()
    make_way(task.folder, None)
    store = Store.open(task.folder, create=False)
    assert [each.faults for each in rebuild_many(task, missing(store), HERE)] == [()]
    store.close()
    assert lines(task, run_id) == 1
