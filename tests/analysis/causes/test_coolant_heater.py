"""`[run] coolant_heated_by = "coolant heater"`: no thermostat, so none is judged or accused."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from analysis.pipeline import analyze
from analysis.result import document
from ingest.load.load import load_run

SAMPLES = Path(__file__).parents[3] / "sample_logs"
OF_THERMOSTAT = {"thermostat_opens_low", "thermostat_stuck_open"}


def analyzed(folder: Path, heated_by: str) -> dict[str, Any]:
    shutil.copytree(SAMPLES / "SC-014-complaint", folder)
    setup = folder / "run.toml"
    text = setup.read_text(encoding="utf-8")
    setup.write_text(text.replace("[run]\n", f'[run]\ncoolant_heated_by = "{heated_by}"\n'))
    return document(analyze(load_run(folder)))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("runs")


def test_neither_figure_nor_cause_of_a_thermostat(folder: Path) -> None:
    found = analyzed(folder / "heater", "coolant heater")
    for name in ("thermostat_opening", "coolant_plateau"):
        assert found["figures"][name]["verdict"] == "not measured"
        assert "no thermostat" in found["figures"][name]["note"]
    assert not {cause["cause"] for cause in found["causes"]} & OF_THERMOSTAT
    total = sum(cause["probability"] for cause in found["causes"])
    assert total == pytest.approx(1.0, abs=1e-4)  # as rounded for the document


def test_the_other_figures_are_those_of_an_engine(folder: Path) -> None:
    found = analyzed(folder / "one", "coolant heater")
    engine = analyzed(folder / "two", "engine")
    assert {cause["cause"] for cause in engine["causes"]} >= OF_THERMOSTAT
    for name in ("steady_outlet_rise", "core_effectiveness", "response_time"):
        assert found["figures"][name]["value"] == engine["figures"][name]["value"]
