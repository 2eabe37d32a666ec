"""One folder through all that `analyze` does with it, and what must hold whatever it is."""

from __future__ import annotations

import json
import math
import shutil
import warnings
from pathlib import Path

from analysis.pipeline import analyze
from analysis.result import document
from dashboard.places import checks_on_sheet
from dashboard.text.result import result_lines
from ingest.errors import LukewarmError
from ingest.load.load import load_run

VERDICTS = {"pass", "fail", "undecided", "not measured"}
HEAD = 40
"""Lines that are all kept: what stands above the readings, and the first of them."""
MAX_FAULTS = 60
"""One line a fault, and no file of a few hundred lines has more of them than a person reads."""


def judged(folder: Path) -> str:
    """``answer`` or ``refused``; AssertionError or whatever else was raised where neither."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            run = load_run(folder)
            analysis = analyze(run, checked=checks_on_sheet(folder))
        except LukewarmError as error:
            lines = str(error).splitlines()
            assert lines, "a refusal that says nothing"
            assert len(lines) <= MAX_FAULTS, f"{len(lines)} lines"
            assert all(len(line) < 2000 for line in lines), "a line of more than 2000 characters"
            return "refused"
    result = document(analysis)
    json.dumps(result, allow_nan=False)
    assert result["verdict"] in VERDICTS, result["verdict"]
    for name, found in result["figures"].items():
        if found["value"] is None:
            assert found["verdict"] == "not measured", name
            assert found["note"], name
        else:
            assert math.isfinite(found["value"]), name
            assert found["u"] is not None, name
            assert found["u"] >= 0, name
    assert (
        abs(sum(cause["probability"] for cause in result["causes"]) - 1) < 1e-5
    )  # six digits each
    for units in ("si", "us"):
        result_lines(result, units, color=False)
    return "answer"


def good_folder(to: Path, sample: Path, every: int) -> Path:
    """A sample run with every so many rows of its log, so that thousands of them are soon read."""
    shutil.copytree(sample, to)
    lines = (to / "log.csv").read_bytes().splitlines(keepends=True)
    (to / "log.csv").write_bytes(b"".join(lines[:HEAD] + lines[HEAD::every]))
    (to / "checks.csv").write_text(
        "time,check,found,remark\n2026-01-15T10:00:00,cable_adjustment,no,fine\n", encoding="utf-8"
    )
    return to
