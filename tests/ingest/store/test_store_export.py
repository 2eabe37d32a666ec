"""Exports: every table whole, in four forms, none of which can carry a formula."""

from __future__ import annotations

import csv
import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from ingest.errors import UnusableRun
from ingest.export.tables import Sheet, harmless
from ingest.export.workbook import MAX_CHARACTERS, MAX_ROWS, write_workbook
from ingest.store.export import TABLES, export, sheets
from ingest.store.read import Filter, figures
from ingest.store.store import Store
from tests.support.stores import add, make_place

pytest_plugins = ("tests.support.store_fixtures",)

FORMULAS = [
    "=1+1",
    "+1",
    "-1+2",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "\n=1",
    "  =cmd|' /C calc'!A0",
    "＝1+1",
    "＠SUM(A1)",
]
HARMLESS = ["SC-014", "a=b", "3 - 2", "", "x;=1+1", 'say "hi", ok', "'quoted"]


@pytest.fixture
def filled(store: Store, tmp_path: Path) -> Store:
    for number, name in enumerate([*FORMULAS, "SC-014"]):
        add(store, make_place(tmp_path / f"run{number}", name, number, plant=f"{name}"))
    return store


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("text", FORMULAS)
def test_formulas_get_an_apostrophe(text: str) -> None:
    assert harmless(pl.DataFrame({"a": [text]}))["a"].to_list() == ["'" + text]


@pytest.mark.parametrize("text", HARMLESS)
def test_other_texts_stay(text: str) -> None:
    assert harmless(pl.DataFrame({"a": [text]}))["a"].to_list() == [text]


def test_numbers_stay_numbers() -> None:
    frame = pl.DataFrame({"a": [-1.5, None], "b": [-3, 4]})
    assert_frame_equal(harmless(frame), frame)


def test_csv_is_one_row_a_run_with_its_figures(filled: Store, tmp_path: Path) -> None:
    export(filled, tmp_path / "fleet.csv")
    rows = rows_of(tmp_path / "fleet.csv")
    assert {row["vehicle"] for row in rows} == {"'" + each for each in FORMULAS} | {"SC-014"}
    row = next(row for row in rows if row["vehicle"] == "SC-014")
    assert (row["warm_up_time"], row["warm_up_time_u"]) == ("24.5", "0.5")
    assert row["steady_outlet_rise"] == ""


def test_csv_texts_are_quoted_whatever_the_delimiter(store: Store, tmp_path: Path) -> None:
    # where the list separator is a semicolon, a spreadsheet would part an unquoted cell there
    add(store, make_place(tmp_path / "a", "SC;=1+1"))
    export(store, tmp_path / "runs.csv", "runs")
    assert '"SC;=1+1"' in (tmp_path / "runs.csv").read_text(encoding="utf-8")


def test_parquet_holds_the_table_unchanged(filled: Store, tmp_path: Path) -> None:
    export(filled, tmp_path / "figures.parquet", "figures")
    assert_frame_equal(pl.read_parquet(tmp_path / "figures.parquet"), figures(filled))


def test_only_what_was_asked_for(filled: Store, tmp_path: Path) -> None:
    export(filled, tmp_path / "some.csv", "causes", Filter(vehicle="SC-014"))
    rows = rows_of(tmp_path / "some.csv")
    assert [row["cause"] for row in rows] == ["healthy", "weak_airflow"]
    assert rows[0]["next_check"] == "'=look()"
    assert sum(float(row["probability"]) for row in rows) == 1.0


READ_TO = {"K": "0.00", "–": "0.000", "s": "0.0"}


def test_workbook_has_a_sheet_a_table_and_no_formula(filled: Store, tmp_path: Path) -> None:
    export(filled, tmp_path / "fleet.xlsx")
    book = openpyxl.load_workbook(tmp_path / "fleet.xlsx")
    assert book.sheetnames == ["about", *TABLES]
    kinds = {cell.data_type for page in book for row in page.iter_rows() for cell in row}
    assert "f" not in kinds
    page = book["runs"]
    heading = [cell.value for cell in page[1]]
    vehicles = list(page.columns)[heading.index("vehicle")][1:]
    # a carriage return comes back as the escape that spreadsheets read as one
    assert {cell.value.replace("_x000D_", "\r") for cell in vehicles} == {*FORMULAS, "SC-014"}
    assert all(cell.quotePrefix for cell in vehicles)
    assert page.max_row == 1 + len(FORMULAS) + 1
    assert all(sheet.freeze_panes == "A2" for sheet in book)
    assert "ambient_degC (°C)" in heading
    figures_page = book["figures"]
    names = [cell.value for cell in figures_page[1]]
    assert {"value (in unit)", "u (in unit)", "unit"} <= set(names)
    formats = {
        row[names.index("unit")].value: row[names.index("value (in unit)")].number_format
        for row in figures_page.iter_rows(min_row=2)
        if row[names.index("value (in unit)")].value is not None
    }
    assert formats
    # a temperature difference is read to the hundredth, a share of one to the thousandth
    assert all(formats[unit] == shown for unit, shown in READ_TO.items() if unit in formats)
    fleet = [cell.value for cell in book["fleet"][1]]
    assert "steady_outlet_rise (K)" in fleet
    explained = {(row[0].value, row[1].value) for row in book["about"].iter_rows(min_row=2)}
    assert ("runs", "ambient_degC") in explained
    book.close()


def test_workbook_dates_are_dates(store: Store, tmp_path: Path) -> None:
    place = make_place(tmp_path / "a", "SC-001")
    setup = (place / "run.toml").read_text()
    (place / "run.toml").write_text(
        setup.replace("\n[log]", "started = 2026-01-14T07:31:00-05:00\n[log]", 1)
    )
    add(store, place)
    export(store, tmp_path / "a.xlsx", "runs")
    page = openpyxl.load_workbook(tmp_path / "a.xlsx")["runs"]
    place_of = [cell.value for cell in page[1]].index("started")
    assert page[2][place_of].value == datetime(2026, 1, 14, 12, 31)  # noqa: DTZ001 - UTC, as said
    export(store, tmp_path / "a.csv", "runs")
    assert rows_of(tmp_path / "a.csv")[0]["started"] == "2026-01-14T12:31:00Z"


def test_too_much_for_a_sheet(tmp_path: Path) -> None:
    many = Sheet(pl.DataFrame({"n": pl.int_range(MAX_ROWS + 1, eager=True)}), "many")
    with pytest.raises(UnusableRun, match=r"1,048,576 rows of many"):
        write_workbook({"many": many}, tmp_path / "many.xlsx")
    long = Sheet(pl.DataFrame({"text": ["x" * (MAX_CHARACTERS + 9)]}), "long")
    write_workbook({"long": long}, tmp_path / "long.xlsx")
    cell = openpyxl.load_workbook(tmp_path / "long.xlsx")["long"]["A2"].value
    assert len(cell) == MAX_CHARACTERS
    assert cell.endswith("…")


def test_data_package(filled: Store, tmp_path: Path) -> None:
    # specs.frictionlessdata.io, Tabular Data Package, version 1
    folder = tmp_path / "package"
    export(filled, folder)
    package = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    assert package["profile"] == "tabular-data-package"
    assert [each["name"] for each in package["resources"]] == list(TABLES)
    tables = {}
    for resource in package["resources"]:
        raw = (folder / resource["path"]).read_bytes()
        assert resource["profile"] == "tabular-data-resource"
        assert resource["bytes"] == len(raw)
        assert resource["hash"] == "sha256:" + hashlib.sha256(raw).hexdigest()
        rows = tables[resource["name"]] = rows_of(folder / resource["path"])
        fields = resource["schema"]["fields"]
        assert list(rows[0]) == [each["name"] for each in fields]
        for field in fields:
            assert field["description"]
            for row in rows:
                assert reads_as(field["type"], row[field["name"]]), (field, row)
        keys = [tuple(row[key] for key in resource["schema"]["primaryKey"]) for row in rows]
        assert len(set(keys)) == len(keys) > 0
    for resource in package["resources"]:
        for foreign in resource["schema"].get("foreignKeys", ()):
            reference = foreign["reference"]
            there = {row[reference["fields"]] for row in tables[reference["resource"]]}
            assert {row[foreign["fields"]] for row in tables[resource["name"]]} <= there
    assert not list(tmp_path.glob(".package*"))


def reads_as(kind: str, text: str) -> bool:
    """Whether a cell is what the schema says."""
    if not text:
        return True
    if kind == "number":
        return text == str(float(text)) or float(text) == float(text)
    if kind == "datetime":
        return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC).year > 2000
    return kind == "string"


def test_units_are_said(filled: Store) -> None:
    fleet = sheets(filled, ("fleet",))["fleet"]
    assert fleet.units["warm_up_time"] == fleet.units["warm_up_time_u"] == "s"
    assert fleet.units["ambient_degC"] == "°C"


def test_a_package_overwrites_nothing(filled: Store, tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    with pytest.raises(UnusableRun, match="something there already"):
        export(filled, tmp_path / "there")
    assert list((tmp_path / "there").iterdir()) == []


@pytest.mark.parametrize(
    ("name", "table", "match"),
    [
        ("a.txt", None, "the ending '.txt'"),
        ("a.csv", "secrets", "'secrets'"),
        ("no/such/place/a.csv", None, "cannot be written"),
        ("no/such/place/a.xlsx", None, "cannot be written"),
        ("no/such/place/a", None, "cannot be written"),
    ],
)
def test_wrong_names(
    filled: Store, tmp_path: Path, name: str, table: str | None, match: str
) -> None:
    with pytest.raises(UnusableRun, match=match):
        export(filled, tmp_path / name, table)
