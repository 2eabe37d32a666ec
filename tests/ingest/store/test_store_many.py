"""Many runs, many processes: nothing twice, nothing lost, nothing stops at a bad run."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from ingest.store.many import Task, add_many, outdated, refresh_many
from ingest.store.read import made_with, runs
from ingest.store.rows import Versions
from ingest.store.store import Store
from ingest.store.verify import leftovers
from ingest.work.each import FEW
from ingest.work.outcome import Workers
from tests.support.run_folders import write_run
from tests.support.stored.store_work import DEADLY, FAULTY, die_on_deadly
from tests.support.stored.stores import TODAY, make_place, outcome_of, verify, versions_for

pytest_plugins = ("tests.support.stored.store_fixtures",)

ROOT = Path(__file__).parents[3]


def places_of(folder: Path, count: int) -> list[Path]:
    return [make_place(folder / f"run-{n:03}", f"SC-{n:03}", n) for n in range(count)]


def later_versions(_family: str | None, _heater: str) -> Versions:
    return Versions("2.0", "1", "default-1")


def test_several_processes_add_every_run_once(tmp_path: Path, database: str | None) -> None:
    places = places_of(tmp_path / "runs", FEW + 4)
    task = Task(tmp_path / "store", database, outcome_of, versions_for)
    reports = list(add_many(task, [*places, *places], Workers(jobs=2)))
    assert not any(report.faults for report in reports)
    store = Store.open(tmp_path / "store", database)
    assert sorted(runs(store)["vehicle"]) == [f"SC-{n:03}" for n in range(len(places))]
    assert sum(report.new for report in reports) == len(places)
    assert verify(store) == []
    again = list(add_many(task, places, Workers(jobs=2)))
    assert [report.new for report in again] == [False] * len(places)
    assert {report.run_id for report in again} == set(runs(store)["id"])
    store.close()


def test_a_bad_run_does_not_stop_the_others(tmp_path: Path, database: str | None) -> None:
    places = places_of(tmp_path / "runs", 3)
    bad = write_run(tmp_path / "runs" / "no log", setup="[run]\n")
    faulty = make_place(tmp_path / "runs" / "faulty", FAULTY)
    task = Task(tmp_path / "store", database, die_on_deadly, versions_for)
    reports = {
        Path(each.item): each
        for each in add_many(task, [bad, faulty, *places, tmp_path / "nowhere"])
    }
    assert all(reports[place].new for place in places)
    assert "vehicle" in " ".join(reports[bad].faults)
    assert "nothing there" in " ".join(reports[tmp_path / "nowhere"].faults)
    assert "an error inside lukewarm (ZeroDivisionError: no such luck)" in reports[faulty].faults[0]


def test_a_run_that_ends_its_process_is_named_and_the_others_are_added(tmp_path: Path) -> None:
    places = places_of(tmp_path / "runs", 7)
    deadly = make_place(tmp_path / "runs" / "deadly", DEADLY)
    task = Task(tmp_path / "store", None, die_on_deadly, versions_for)
    reports = list(add_many(task, [*places[:3], deadly, *places[3:]], Workers(jobs=2)))
    failed = [report for report in reports if report.faults]
    assert [report.item for report in failed] == [str(deadly)]
    assert "its process was ended" in failed[0].faults[0]
    store = Store.open(tmp_path / "store")
    assert runs(store).height == len(places)
    assert verify(store) == []
    store.close()


def test_refresh_computes_what_is_out_of_date(tmp_path: Path, database: str | None) -> None:
    places = places_of(tmp_path / "runs", 4)
    task = Task(tmp_path / "store", database, outcome_of, versions_for)
    list(add_many(task, places[:2]))
    later = Task(tmp_path / "store", database, outcome_of, later_versions)
    list(add_many(later, places[2:]))
    store = Store.open(tmp_path / "store", database)
    assert outdated(store, versions_for) != []
    ids = outdated(store, later_versions)
    assert len(ids) == 2
    before = {run_id: store.document(run_id) for run_id in runs(store)["id"]}
    reports = list(refresh_many(later, ids, Workers(jobs=2)))
    assert [report.new for report in reports] == [True, True]
    assert outdated(store, later_versions) == []
    assert {each.versions for each in made_with(store)} == {later_versions(None, "")}
    assert {run_id: store.document(run_id) for run_id in before} == before
    assert verify(store) == []
    assert leftovers(store) == []
    store.close()


def test_refresh_says_what_is_lost(tmp_path: Path) -> None:
    (place,) = places_of(tmp_path / "runs", 1)
    task = Task(tmp_path / "store", None, outcome_of, versions_for)
    (report,) = add_many(task, [place])
    store = Store.open(tmp_path / "store")
    store.files(report.run_id)["log.csv"].unlink()
    (again,) = refresh_many(task, [report.run_id])
    assert "bring it back from a copy of the store" in again.faults[0]
    assert {each.versions for each in made_with(store)} == {TODAY}
    store.close()


def start_adding(store: Path, database: str | None, places: list[Path]) -> subprocess.Popen[bytes]:
    code = (
        "import sys; from pathlib import Path; from ingest.store.many import Task, add_many\n"
        "from ingest.work.outcome import Workers\n"
        "from tests.support.stored.stores import outcome_of, versions_for\n"
        "places = [Path(each) for each in sys.argv[3:]]\n"
        "task = Task(Path(sys.argv[1]), sys.argv[2] or None, outcome_of, versions_for)\n"
        "sys.exit(any(each.faults for each in add_many(task, places, Workers())))\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", code, str(store), database or "", *map(str, places)],
        cwd=ROOT,
        env=os.environ,
    )


def test_programs_side_by_side_and_one_killed(tmp_path: Path, database: str | None) -> None:
    chance = np.random.default_rng(1)
    places = places_of(tmp_path / "runs", 60)
    folder = tmp_path / "store"
    programs = [
        start_adding(
            folder, database, [places[each] for each in chance.permutation(60)] if n else places
        )
        for n in range(3)
    ]
    store = Store.open(folder, database)
    while runs(store).height < 5:
        time.sleep(0.01)
    programs[0].kill()
    assert [program.wait() for program in programs[1:]] == [0, 0]
    programs[0].wait()
    assert sorted(runs(store)["vehicle"]) == [f"SC-{n:03}" for n in range(60)]
    assert verify(store) == []
    store.close()


def test_ten_thousand_columns_and_bombs_are_refused_or_taken_with_clear_words(
    tmp_path: Path,
) -> None:
    import gzip
    import zipfile

    wide = make_place(tmp_path / "wide", "SC-001")
    header = ",".join(["t", "OUT", "CIN", *(f"=c{n}" for n in range(10_000))])
    rows = [",".join([f"{row}"] * 10_003) for row in range(12)]
    (wide / "log.csv").write_text("\n".join([header, *rows]))
    bomb = make_place(tmp_path / "zip", "SC-002")
    with zipfile.ZipFile(bomb / "log.csv", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../escape.csv", b"0" * 50_000_000)
    packed = make_place(tmp_path / "gzip", "SC-003")
    (packed / "log.csv").write_bytes(gzip.compress(b"t,OUT,CIN\n" + b"0,0,0\n" * 5_000_000))
    line = make_place(tmp_path / "line", "SC-004")
    (line / "log.csv").write_bytes(b"t,OUT,CIN\n" + b"9" * 30_000_000)
    task = Task(tmp_path / "store", None, outcome_of, versions_for)
    reports = {Path(each.item): each for each in add_many(task, [wide, bomb, packed, line])}
    assert reports[wide].new
    for place in (bomb, packed, line):
        assert reports[place].faults
        assert all("inside lukewarm" not in fault for fault in reports[place].faults)
    assert not (tmp_path / "escape.csv").exists()
    store = Store.open(tmp_path / "store")
    assert store.readings(reports[wide].run_id).columns == [
        "time_s",
        "outlet_degC",
        "coolant_in_degC",
    ]
    assert verify(store) == []
    store.close()
