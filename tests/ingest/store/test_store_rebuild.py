"""A damaged catalog ends in one line, and is made again from the raw files."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from ingest.errors import LukewarmError, UnusableRun
from ingest.store.listing import lists
from ingest.store.many import Task, add_many
from ingest.store.open import CATALOG
from ingest.store.read import figures, made_with, runs
from ingest.store.rebuild import make_way, missing, rebuild_many, unlisted, write_lists
from ingest.store.store import Store
from ingest.store.verify import leftovers, require_runs
from ingest.work.outcome import HERE, Workers
from tests.support.stored.stores import make_place, outcome_of, verify, versions_for

PAGE = 4096
"""Bytes of a page of an SQLite database as it is made by default (sqlite.org, pragma page_size)."""


@pytest.fixture
def task(tmp_path: Path) -> Task:
    """A store with eight runs."""
    places = [make_place(tmp_path / f"run-{n}", f"SC-{n:03}", n) for n in range(8)]
    told = Task(tmp_path / "store", None, outcome_of, versions_for)
    assert all(each.new for each in add_many(told, places))
    return told


def told_by(folder: Path) -> dict[str, object]:
    """Everything a store says of its runs, but for the moments of adding and computing."""
    store = Store.open(folder, create=False)
    try:
        require_runs(store)
        listed = runs(store).drop("added", strict=False).sort("id")
        return {
            "runs": listed.to_dicts(),
            "figures": figures(store).sort("run_id", "figure").to_dicts(),
            "documents": {each: store.document(each) for each in listed["id"]},
            "versions": sorted((each.run_id, each.versions.code) for each in made_with(store)),
            "damage": verify(store),
        }
    finally:
        store.close()


def rebuilt(task: Task, workers: Workers = HERE) -> dict[str, object]:
    make_way(task.folder, None)
    store = Store.open(task.folder, create=False)
    try:
        found = list(rebuild_many(task, missing(store), workers))
    finally:
        store.close()
    assert not [each.faults for each in found if each.faults]
    return told_by(task.folder)


def garbage(catalog: Path) -> None:
    catalog.write_bytes(b"not a database at all" * 1000)


def cut(catalog: Path) -> None:
    catalog.write_bytes(catalog.read_bytes()[: catalog.stat().st_size // 2])


def lost(catalog: Path) -> None:
    catalog.unlink()


@pytest.mark.parametrize("damage", [garbage, cut, lost])
@pytest.mark.parametrize("workers", [HERE, Workers(jobs=2)])
def test_a_damaged_catalog_is_one_line_and_comes_back(
    task: Task, damage: Callable[[Path], None], workers: Workers
) -> None:
    before = told_by(task.folder)
    damage(task.folder / CATALOG)
    with pytest.raises(UnusableRun, match="lukewarm store rebuild") as refused:
        told_by(task.folder)
    assert len(refused.value.faults) == 1
    assert rebuilt(task, workers) == before
    store = Store.open(task.folder, create=False)
    assert leftovers(store) == []
    assert unlisted(store) == 0
    store.close()


def test_a_damaged_page_anywhere_is_one_line_or_does_no_harm(task: Task, tmp_path: Path) -> None:
    before = told_by(task.folder)
    chance = np.random.default_rng(4)
    pages = (task.folder / CATALOG).stat().st_size // PAGE
    refused = 0
    for page in range(pages):
        copy = tmp_path / f"copy-{page}"
        shutil.copytree(task.folder, copy)
        with (copy / CATALOG).open("r+b") as stream:
            stream.seek(page * PAGE)
            stream.write(chance.bytes(PAGE))
        try:
            told_by(copy)
        except LukewarmError as error:
            assert len(str(error).splitlines()) == 1
            refused += 1
        again = Task(copy, None, outcome_of, versions_for)
        assert rebuilt(again) == before
    assert refused > pages // 3


def test_a_whole_catalog_is_left_as_it_is(task: Task) -> None:
    before = (task.folder / CATALOG).read_bytes()
    assert make_way(task.folder, None) is None
    store = Store.open(task.folder, create=False)
    assert missing(store) == []
    store.close()
    assert (task.folder / CATALOG).read_bytes() == before


def test_runs_of_earlier_versions_get_lists(task: Task) -> None:
    before = told_by(task.folder)
    shutil.rmtree(task.folder / "runs")
    store = Store.open(task.folder)
    assert write_lists(store) == 8
    assert write_lists(store) == 0
    store.close()
    (task.folder / CATALOG).unlink()
    assert rebuilt(task) == before


def test_a_damaged_catalog_still_tells_of_runs_without_a_list(task: Task) -> None:
    before = told_by(task.folder)
    shutil.rmtree(task.folder / "runs")
    with (task.folder / CATALOG).open("r+b") as stream:  # the documents lie at the end
        stream.seek(-3 * PAGE, 2)
        stream.write(b"\xff" * PAGE)
    make_way(task.folder, None)
    there = len(list(lists(task.folder)))
    assert 0 < there <= 8
    if there == 8:
        assert rebuilt(task) == before


def test_what_cannot_come_back_is_named(task: Task) -> None:
    one, two, three, *_ = lists(task.folder)
    one.write_text("{}", encoding="utf-8")
    two.write_text(two.read_text(encoding="utf-8").replace("log.csv", "log2.csv"), "utf-8")
    three.unlink()
    (task.folder / CATALOG).unlink()
    make_way(task.folder, None)
    store = Store.open(task.folder, create=False)
    found = {each.item: each for each in rebuild_many(task, missing(store), HERE)}
    assert "no readable list" in found[one.stem].faults[0]
    assert "other files than were added" in found[two.stem].faults[0]
    assert sum(each.new for each in found.values()) == 5
    assert unlisted(store) > 0
    store.close()
