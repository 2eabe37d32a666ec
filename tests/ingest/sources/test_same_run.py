"""One run as text, workbook, Parquet and measurement file, bare and packed: the same figures.

The truth is the run read from its CSV; the writers are xlsxwriter, polars and asammdf.
"""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import json
import shutil
from pathlib import Path

import pytest

from analysis.pipeline import analyze
from analysis.result import document
from ingest.files import file_sha256
from ingest.load.load import load_run
from tests.support.sources import WRITERS, Table, packed_gz, packed_zip

SAMPLE = Path(__file__).parents[3] / "sample_logs" / "SC-014-complaint"


@pytest.fixture(scope="module")
def table() -> Table:
    lines = (SAMPLE / "log.csv").read_text(encoding="utf-8").splitlines()
    start = next(at for at, line in enumerate(lines) if line.startswith("Elapsed,"))
    names, units, *rows = csv.reader(lines[start:])
    return names, units, [[float(cell) for cell in column] for column in zip(*rows, strict=True)]


def run_folder(folder: Path, log: Path) -> Path:
    """The sample's folder with another log, of whose time the set-up says only what it must."""
    folder.mkdir()
    text = (SAMPLE / "run.toml").read_text(encoding="utf-8")
    text = text.replace('file = "log.csv"', f'file = "{log.name}"')
    if ".mf4" in log.name:
        text = text.replace('column = "Elapsed"', 'column = "time"')
    (folder / "run.toml").write_text(text, encoding="utf-8")
    shutil.copyfile(SAMPLE / "events.csv", folder / "events.csv")
    shutil.copyfile(log, folder / log.name)
    return folder


def figures_of(folder: Path) -> str:
    run = dataclasses.replace(load_run(folder), name="the run")
    told = document(analyze(run))
    told["run"].pop("sha256")
    told.pop("quality")
    return json.dumps(told, sort_keys=True)


@pytest.fixture(scope="module")
def expected(table: Table, tmp_path_factory: pytest.TempPathFactory) -> str:
    place = tmp_path_factory.mktemp("csv")
    WRITERS["csv"](table, place / "log.csv")
    return figures_of(run_folder(place / "run", place / "log.csv"))


@pytest.mark.parametrize("packing", ["bare", "gz", "zip"])
@pytest.mark.parametrize("kind", ["csv", "xlsx", "parquet", "mf4"])
def test_the_same_figures(
    table: Table, expected: str, kind: str, packing: str, tmp_path: Path
) -> None:
    if kind == "mf4":
        pytest.importorskip("asammdf")
    log = tmp_path / f"log.{kind}"
    WRITERS[kind](table, log)
    if packing != "bare":
        log = {"gz": packed_gz, "zip": packed_zip}[packing](log)
    folder = run_folder(tmp_path / "run", log)
    assert figures_of(folder) == expected
    run = load_run(folder)
    assert run.sha256[log.name] == hashlib.sha256(log.read_bytes()).hexdigest()
    assert run.sha256[log.name] == file_sha256(folder / log.name)
