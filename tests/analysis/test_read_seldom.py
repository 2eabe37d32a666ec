"""A law: a car that is read more seldom is the same car.

Everything that is counted in bins was thought of in seconds. The truth is the same run's own answer
to all of its readings; figures may differ by what the readings left out tell, which is a part of
their uncertainty.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from analysis.pipeline import analyze
from analysis.result import document
from ingest.load.load import load_run

SAMPLES = Path(__file__).parents[2] / "sample_logs"

WITHIN_U = 1.0
SAME_U = 0.1
"""Standard uncertainties by which half or a tenth of the readings move a figure at most."""

TIMED = {"response_time"}
"""Needs readings as quick as what it times."""


@cache
def told(name: str, nth: int = 1) -> dict[str, Any]:
    run = load_run(SAMPLES / name)
    return document(analyze(run.with_(readings=run.readings.gather_every(nth))))


@pytest.mark.parametrize(
    ("name", "nth", "seconds"),
    [
        ("SC-014-complaint", 2, 1.0),
        ("SC-014-complaint", 4, 2.0),
        ("SC-014-complaint", 10, 5.0),
        ("SC-014-after-repair", 4, 2.0),
        ("SC-019-complaint", 2, 2.0),
        ("SC-046-complaint", 2, 2.0),
        ("SC-051-complaint", 2, 2.0),
        ("SC-073-baseline", 2, 2.0),
    ],
)
def test_a_car_that_is_read_more_seldom_is_the_same_car(
    name: str, nth: int, seconds: float
) -> None:
    whole, found = told(name), told(name, nth)
    assert found["verdict"] == whole["verdict"]
    wrong = []
    for figure, one in whole["figures"].items():
        other = found["figures"][figure]
        if figure in TIMED and seconds > 1.0:
            continue
        if one["value"] is None or other["value"] is None:
            if one["value"] != other["value"]:
                wrong.append((figure, one["value"], other["note"]))
            continue
        apart = abs(one["value"] - other["value"]) / math.hypot(one["u"], other["u"])
        moved = max(abs(a - b) for a, b in zip(one["window"], other["window"], strict=True))
        less = other["u"] < 0.8 * one["u"]
        # on a level that is flat its highest readings may lie elsewhere: then the value is the same
        elsewhere = moved > 3.0 + 7.0 * seconds and apart > SAME_U
        if apart > WITHIN_U or elsewhere or less:
            wrong.append((figure, apart, moved, other["u"] / one["u"]))
    assert wrong == []
    before = {each["cause"]: each["probability"] for each in whole["causes"]}
    after = {each["cause"]: each["probability"] for each in found["causes"]}
    assert after == pytest.approx(before, abs=0.02)
