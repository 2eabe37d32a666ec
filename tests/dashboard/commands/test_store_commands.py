"""The store and the comparison on the command line."""

from __future__ import annotations

import csv
import json
import os
import shutil
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import get_args

import openpyxl
import pytest
from sqlalchemy import delete

import lukewarm
from analysis.verdict import Verdict
from ingest.store.catalog import FigureRow, FileRow, ResultRow, RunRow
from ingest.store.read import runs
from ingest.store.store import Store
from tests.support.screen import Screen

SAMPLES = Path(__file__).parents[3] / "sample_logs"
RUNS = [
    *(SAMPLES / f"SC-00{n}-baseline" for n in range(1, 6)),
    SAMPLES / "SC-014-complaint",
    SAMPLES / "SC-014-after-repair",
]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet") / "store"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["lukewarm", "store", "add", str(folder), *map(str, RUNS)])
        with pytest.raises(SystemExit):
            lukewarm.main()
    return folder


def test_adding_again(command: Screen, fleet: Path) -> None:
    assert command("store", "add", fleet, *RUNS) == 0
    assert command.out == "0 added, 7 there already, 0 not usable\n"


def test_a_run_that_cannot_be_used(command: Screen, fleet: Path, tmp_path: Path) -> None:
    assert command("store", "add", fleet, tmp_path / "nothing", RUNS[0]) == 1
    assert command.out == "0 added, 1 there already, 1 not usable\n"
    assert "nothing there" in command.err


def test_list(command: Screen, fleet: Path) -> None:
    assert command("store", "list", fleet, "--purpose", "complaint") == 0
    heading, row = command.out.splitlines()
    assert heading.split()[:4] == ["id", "name", "vehicle", "family"]
    # the sample's clock says 07:49 at five hours behind
    assert heading.index("started (UTC)") == row.index("2026-01-14 12:4")
    assert row.split()[1:5] == ["SC-014-complaint", "SC-014", "Plover", "complaint"]
    assert "2026-01-14 12:4" in row
    assert command.err == "1 runs\n"
    assert command("store", "list", fleet / "elsewhere") == 1
    assert "no run store" in command.err


def test_list_by_verdict(command: Screen, fleet: Path) -> None:
    said = {word: command("store", "list", fleet, "--verdict", word) for word in get_args(Verdict)}
    assert said == {"pass": 0, "fail": 0, "undecided": 0, "not measured": 0}
    assert command("store", "list", fleet, "--verdict", "bogus") == 2
    told = " ".join(command.err.split())
    assert "'bogus' is not one of 'pass', 'fail', 'undecided', 'not measured'" in told


def test_list_as_json_and_filtered(command: Screen, fleet: Path) -> None:
    def names(*options: str) -> list[str]:
        assert command("store", "list", fleet, "--json", "-", *options) == 0, command.err
        assert command.err == ""
        return [row["name"] for row in json.loads(command.out)]

    every = names()
    assert len(every) == len(RUNS)
    assert names("--since", "2026-01-14", "--until", "2026-01-14") == ["SC-014-complaint"]
    causes = {row["first_cause"] for row in json.loads(command.out)}
    assert names("--cause", *causes) == [
        row["name"] for row in rows_of(command, fleet) if row["first_cause"] in causes
    ]
    failed = names("--failed", "dead_travel_cold")
    assert "SC-014-complaint" in failed
    assert not any("baseline" in name for name in failed)
    started = rows_of(command, fleet)[0]["started"]
    assert datetime.fromisoformat(started).tzinfo is not None


def rows_of(command: Screen, fleet: Path) -> list[dict]:
    assert command("store", "list", fleet, "--json", "-") == 0
    return json.loads(command.out)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--family", "Plovr"), "did you mean Plover?"),
        (("--cause", "healthi"), "did you mean healthy?"),
        (("--failed", "dead_travel_colt"), "did you mean dead_travel_cold?"),
        (("--plant", "North"), "add runs first"),
    ],
)
def test_a_misspelled_filter_gets_a_suggestion(
    command: Screen, fleet: Path, options: tuple[str, str], told: str
) -> None:
    for first in (("store", "list"), ("compare",)):
        if "--plant" in options and first == ("compare",):
            continue
        assert command(*first, fleet, *options) == 2  # wrong usage, by the contract
        assert command.out == ""
        assert told in command.err


def test_compare_as_json(command: Screen, fleet: Path) -> None:
    assert command("compare", fleet, "--json", "-", "--figure", "steady_outlet_rise") == 0
    rows = json.loads(command.out)
    assert {row["purpose"] for row in rows} == {"baseline", "complaint", "after-repair"}
    assert "after-repair (1 run), baseline (5 runs)" in command.err
    assert command("compare", fleet, "--json", "-", "--cause", "healthy") == 0
    assert all(row["purpose"] != "complaint" for row in json.loads(command.out))


def test_verify(command: Screen, tmp_path: Path) -> None:
    folder = tmp_path / "store"
    command("store", "add", folder, RUNS[0])
    assert command("store", "verify", folder) == 0
    assert command.out == "5 checked, 0 damaged\n"
    (folder / "raw" / "00").mkdir(exist_ok=True)
    (folder / "raw" / "00" / "left").write_text("over")
    raw = next((folder / "raw").rglob("?" * 64))
    raw.write_bytes(raw.read_bytes() + b"\n")
    assert command("store", "verify", folder, "--tidy") == 1
    assert "1 damaged; 1 leftover files" in command.out
    assert command.err.count("error: raw/") == 1


def empty_the_catalog(folder: Path) -> None:
    store = Store.open(folder)
    with store.engine.begin() as connection:
        for table in (FigureRow, ResultRow, FileRow, RunRow):
            connection.execute(delete(table))
    store.close()


def lose_the_catalog(folder: Path) -> None:
    for path in folder.glob("catalog.sqlite*"):
        path.unlink()


def put_a_blank_one_in_its_place(folder: Path) -> None:
    lose_the_catalog(folder)
    (folder / "catalog.sqlite").touch()


@pytest.mark.parametrize(
    ("lose", "found"),
    [
        (lose_the_catalog, "raw files but no catalog.sqlite"),
        (put_a_blank_one_in_its_place, "raw files but a new and empty catalog"),
        (empty_the_catalog, "raw files but no run in the catalog"),
    ],
)
@pytest.mark.parametrize(
    "arguments", [("verify",), ("verify", "--tidy"), ("list",), ("refresh",)], ids=" ".join
)
def test_a_store_that_lost_its_catalog(
    command: Screen,
    tmp_path: Path,
    lose: Callable[[Path], None],
    found: str,
    arguments: tuple[str, ...],
) -> None:
    folder = tmp_path / "store"
    command("store", "add", folder, RUNS[0])
    raw = sorted(path for path in (folder / "raw").rglob("*") if path.is_file())
    for path in raw:
        os.utime(path, (1.0, 1.0))  # old enough to be tidied
    lose(folder)
    first, *options = arguments
    for _ in range(2):  # the first try must not make a catalog that pleases the second
        assert command("store", first, folder, *options) == 1
        assert command.out == ""
        assert command.err.count("\n") == 1
        assert found in command.err
    assert sorted(path for path in (folder / "raw").rglob("*") if path.is_file()) == raw


def test_no_run_is_added_to_a_store_that_lost_its_catalog(command: Screen, tmp_path: Path) -> None:
    folder = tmp_path / "store"
    command("store", "add", folder, RUNS[0])
    lose_the_catalog(folder)
    assert command("store", "add", folder, RUNS[1]) == 1
    assert "raw files but no catalog.sqlite" in command.err
    assert not (folder / "catalog.sqlite").exists()


def test_a_store_without_files_needs_no_runs(command: Screen, tmp_path: Path) -> None:
    folder = tmp_path / "store"
    Store.open(folder).close()
    assert command("store", "list", folder) == 0
    assert command.err == "0 runs\n"
    lose_the_catalog(folder)
    assert command("store", "verify", folder, "--tidy") == 0


def test_export(command: Screen, fleet: Path, tmp_path: Path) -> None:
    assert command("store", "export", fleet, "--out", tmp_path / "fleet.xlsx") == 0
    book = openpyxl.load_workbook(tmp_path / "fleet.xlsx", read_only=True)
    assert "figures" in book.sheetnames
    book.close()
    assert command("store", "export", fleet, "--out", tmp_path / "fleet.doc") == 2
    assert "the ending '.doc'" in command.err


def few_good(place: Path) -> Path:
    """A folder of two good cars."""
    for run in RUNS[:2]:
        shutil.copytree(run, place / "good" / run.name)
    return place / "good"


def test_refresh_with_the_stores_own_good_cars(command: Screen, tmp_path: Path) -> None:
    folder = tmp_path / "store"
    command("store", "add", folder, *RUNS)
    assert command("store", "refresh", folder) == 0
    assert command.out.startswith("0 computed again, 0 could not be")
    # its own good cars judge from the start
    assert command("store", "refresh", folder, "--baseline", folder) == 0
    assert command.out.startswith("0 computed again")
    assert "decision" not in command.err
    # good cars from elsewhere are another decision, and the store's own again a third
    assert command("store", "refresh", folder, "--baseline", SAMPLES / "SC-001-baseline") == 1
    assert command("store", "refresh", folder, "--baseline", few_good(tmp_path)) == 0
    assert command.out.startswith("7 computed again, 0 could not be")
    assert "decision 2 of this store" in command.err
    assert command("store", "refresh", folder, "--baseline", folder) == 0
    assert command.out.startswith("7 computed again, 0 could not be")
    assert "decision 3 of this store" in command.err
    store = Store.open(folder)
    (run_id,) = runs(store).filter(name="SC-014-complaint")["id"]
    told = store.document(run_id)
    assert told is not None
    assert told["run"]["name"] == "SC-014-complaint"
    store.close()
    baseline = ["--baseline", folder, "--json", "-"]
    assert command("analyze", SAMPLES / "SC-014-complaint", *baseline) == 0
    assert json.loads(command.out) == told


def test_compare_a_car(command: Screen, fleet: Path, tmp_path: Path) -> None:
    assert command("compare", fleet, "--car", "SC-014") == 0
    rows = [line.split() for line in command.out.splitlines()]
    travel = next(row for row in rows if row[:2] == ["SC-014-complaint", "effective_travel"])
    assert travel[-1] == "yes"
    assert not any(row[-1] == "yes" for row in rows if row[:1] == ["SC-014-after-repair"])
    assert command("compare", fleet, "--car", "SC-014", "--out", tmp_path / "car.csv") == 0
    with (tmp_path / "car.csv").open(encoding="utf-8", newline="") as stream:
        row = next(csv.DictReader(stream))
    assert len(row["runs"].split()) == 6


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--by", "purpose", "--figure", "effective_travel"), "after-repair"),
        (("--by", "repair"), "first repair"),
        (("--by", "repair", "--car", "SC-014"), "SC-014-after-repair"),
        (("--over-time", "--figure", "effective_travel"), "found no figure that could be compared"),
        ((), "steady_outlet_rise"),
    ],
)
def test_compare(command: Screen, fleet: Path, arguments: tuple[str, ...], said: str) -> None:
    status = command("compare", fleet, *arguments)
    assert said in command.out + command.err
    assert status == (1 if "no figure" in said else 0)


def test_compare_to_a_workbook(command: Screen, fleet: Path, tmp_path: Path) -> None:
    assert command("compare", fleet, "--by", "purpose", "--out", tmp_path / "p.xlsx") == 0
    book = openpyxl.load_workbook(tmp_path / "p.xlsx", read_only=True)
    assert book.sheetnames == ["about", "by purpose", "runs behind"]
    book.close()


def test_compare_names_what_it_does_not_know(command: Screen, fleet: Path) -> None:
    for options, near in (
        (("--car", "SC-0144"), "SC-014"),
        (("--by", "family", "--against", "plovr"), "Plover"),
        (("--figure", "warm_up_tine"), "warm_up_time"),
    ):
        assert command("compare", fleet, *options) == 2
        assert f"{options[-2]}: found {options[-1]!r}" in command.err
        assert f"did you mean {near}?" in command.err
    assert command("compare", fleet, "--out", "fleet.docx") == 2
    assert "expected .csv or .parquet or .xlsx" in command.err
    assert command("compare", fleet, "--by", "color") == 2
