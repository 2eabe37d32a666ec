"""Boards for tests: over sample logs, over made readings, over hostile names."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from analysis.limits import Limit, default_limits, limits_for
from analysis.pipeline import Analysis
from dashboard.board.app import create_app
from dashboard.board.login import Password
from dashboard.board.server import Serving, address_of, bind, make_server
from dashboard.plots.readings import Readings
from dashboard.web.folder_source import FolderSource
from dashboard.web.frames import figure_records, figures_frame, run_record, runs_frame
from dashboard.web.service import Board
from dashboard.web.uploads import Uploads

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"
FEW = ("SC-001-baseline", "SC-002-baseline", "SC-003-baseline", "SC-004-baseline",
       "SC-005-baseline", "SC-014-complaint", "SC-014-after-repair")  # fmt: skip

SPIKE = 123.4
SPIKE_S = 70_001.0


def few_samples() -> FolderSource:
    """Five good cars of a family and one before and after its repair."""
    return FolderSource.read([SAMPLES / name for name in FEW], "a few cars")


def id_of(source: FolderSource, name: str) -> str:
    """Id of the run of a folder's name."""
    runs = source.runs()
    return str(runs.filter(pl.col("name") == name)["id"][0])


def made_document(vehicle: str, family: str | None = "Plover", **about: Any) -> dict[str, Any]:
    """A result as the pipeline writes it, with numbers that are simply set."""
    from analysis.figures import all_figures

    figures = {
        each.name: {
            "value": None, "unit": each.unit, "u": None, "verdict": "not measured",
            "limit": None, "note": "not asked for", "window": None,
        }
        for each in all_figures()
    }  # fmt: skip
    figures["steady_outlet_rise"] |= {
        "value": 46.2, "u": 0.9, "verdict": "pass", "limit": {"low": 38.0}, "note": None,
        "window": [200.0, 400.0],
    }  # fmt: skip
    run = {
        "name": f"{vehicle}-run", "vehicle": vehicle, "family": family, "heater": "blend-air",
        "purpose": "complaint", "started": "2026-01-14T07:31:00-05:00", "duration_s": 1500.0,
        "sha256": {},
    }  # fmt: skip
    return {
        "schema": 1, "run": run | about, "figures": figures, "verdict": "pass",
        "causes": [{"cause": "healthy", "probability": 1.0, "evidence": [], "next_check": None}],
        "next_check": None, "quality": [],
    }  # fmt: skip


def long_readings(rows: int = 1_000_000) -> Readings:
    """Ten channels at 10 Hz with one reading far above all others in the outlet."""
    time = np.arange(rows) / 10.0
    rng = np.random.default_rng(5)
    outlet = 60.0 + 5.0 * np.sin(time / 300.0) + rng.normal(0.0, 0.2, rows)
    outlet[int(SPIKE_S * 10.0) % rows] = SPIKE
    columns = {"time_s": time, "outlet_degC": outlet}
    for place, point in enumerate(
        ("ambient", "inlet_air", "coolant_in", "coolant_out", "footwell", "cabin")
    ):
        columns[f"{point}_degC"] = 10.0 * place + rng.normal(0.0, 0.2, rows)
    columns["vacuum_source_kPa"] = 60.0 + rng.normal(0.0, 0.2, rows)
    columns["road_speed_m_s"] = 12.0 + 10.0 * np.sin(time / 100.0)
    columns["temp_lever_pct"] = np.where(time % 3000.0 < 1500.0, 100.0, 0.0)
    return Readings(pl.DataFrame(columns))


class MadeSource:
    """Runs that were simply made up.

    Parameters
    ----------
    documents
        Results by id.
    readings
        Readings by id.
    """

    title = "made up"
    unusable: Mapping[str, list[str]] = {}

    def __init__(
        self, documents: Mapping[str, dict[str, Any]], readings: Mapping[str, Readings]
    ) -> None:
        self._documents = documents
        self._readings = readings

    def runs(self) -> pl.DataFrame:
        return runs_frame([run_record(key, each, 3.0) for key, each in self._documents.items()])

    def figures(
        self, names: Collection[str] | None = None, family: str | None = None
    ) -> pl.DataFrame:
        rows = [
            row
            for key, each in self._documents.items()
            if family is None or each["run"]["family"] == family
            for row in figure_records(key, each, {})
            if names is None or row["figure"] in names
        ]
        return figures_frame(rows)

    def document(self, run_id: str) -> dict[str, Any] | None:
        return self._documents.get(run_id)

    def readings(self, run_id: str) -> Readings | None:
        return self._readings.get(run_id)

    def analysis(self, run_id: str) -> Analysis | None:
        return None

    def limits(self, family: str | None, heater: str) -> Mapping[str, Limit]:
        return limits_for(default_limits(), family, heater)

    def judging(self) -> dict[str, Any]:
        return {"limits": None, "baseline": None}

    def judged_by(self, family: str | None, heater: str) -> str:
        return "limits default-1, no good cars of its family"

    def judged_otherwise(self) -> frozenset[str]:
        return frozenset()

    def sheet(self, run_id: str) -> list[Any]:
        return []


@contextlib.contextmanager
def served(source: Any, password: str | None = None, live: Path | None = None) -> Iterator[str]:
    """A board that is being served on a free port; gives its address without the last slash."""
    uploads = Uploads(source)
    app = create_app(
        Board(source, uploads, live=live), password=Password(password) if password else None
    )
    serving = Serving(port=0, password=password)
    server = make_server(app.server, serving)
    bind(server, serving)
    thread = threading.Thread(target=server.serve, daemon=True)
    thread.start()
    try:
        yield address_of(server, serving).rstrip("/")
    finally:
        server.stop()
        thread.join(10.0)
        uploads.close()
