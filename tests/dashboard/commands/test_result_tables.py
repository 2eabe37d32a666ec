"""Results as Parquet tables, read back by three libraries, against the JSON documents."""

from __future__ import annotations

import json
from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pytest

from tests.support.run_folders import write_run
from tests.support.screen import Screen

ROOT = Path(__file__).parents[3]
SAMPLES = sorted((ROOT / "sample_logs").glob("SC-0*"))[:4]


def test_tables_hold_what_the_documents_say(
    command: Screen, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboard.result_tables.BATCH", 2)  # several parts
    broken = write_run(tmp_path / "broken", setup="[run]\n")
    out = tmp_path / "results"
    places = [*SAMPLES[:2], broken, *SAMPLES[2:]]
    assert command("analyze", *places, "--out", out, "--json", tmp_path / "all.json") == 1
    told = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))
    assert sorted(each.name for each in out.iterdir()) == [
        "causes", "figures", "findings", "runs",
    ]  # fmt: skip
    assert len(list((out / "runs").iterdir())) == 3
    read = {name.name: pl.read_parquet(name / "*.parquet") for name in out.iterdir()}
    runs = read["runs"]
    assert runs["number"].to_list() == [1, 2, 3, 4, 5]
    assert runs["run"].to_list() == [place.name for place in places]
    assert runs["error"].is_null().to_list() == [True, True, False, True, True]
    assert runs["run_verdict"].to_list() == [each.get("verdict") for each in told]
    for number, document in enumerate(told, start=1):
        rows = {name: frame.filter(number=number) for name, frame in read.items()}
        values = dict(rows["figures"].select("figure", "value").iter_rows())
        assert values == {
            name: figure["value"] for name, figure in document.get("figures", {}).items()
        }
        assert rows["causes"].select("cause", "probability").rows() == [
            (each["cause"], each["probability"]) for each in document.get("causes", ())
        ]
        assert rows["findings"].select("channel", "fault", "from_s", "detail").rows() == [
            (each["channel"], each["fault"], each["from_s"], each["detail"])
            for each in document.get("quality", ())
        ]
    for name, frame in read.items():
        by_pandas = pd.read_parquet(out / name).sort_values("number", kind="stable")
        assert list(by_pandas.columns) == frame.columns
        assert len(by_pandas) == frame.height
        by_duckdb = duckdb.read_parquet(str(out / name / "*.parquet")).order("number")
        assert by_duckdb.columns == frame.columns
        assert len(by_duckdb) == frame.height
    assert by_pandas["number"].tolist() == frame["number"].to_list()


def test_a_folder_that_holds_something_is_left_alone(command: Screen, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    assert command("analyze", SAMPLES[0], "--out", tmp_path) == 1
    assert "a new or an empty folder" in command.err
    assert [each.name for each in tmp_path.iterdir()] == ["mine.txt"]


def test_only_the_folder_is_written(command: Screen, tmp_path: Path) -> None:
    assert command("analyze", *SAMPLES[:2], "--out", tmp_path / "new", "--jobs", 2) == 0
    assert command.out == ""
    assert pl.read_parquet(tmp_path / "new" / "figures").height > 0
