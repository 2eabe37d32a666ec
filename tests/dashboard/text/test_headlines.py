"""The first sentence of every run names its verdict and the figure or cause that decides.

What decides is read here from the figures' own verdicts, their limits and the causes; the sentence
must agree with it. The cars are the samples and thirty more of the simulator, whole and broken,
with sensors missing.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.figures import all_figures
from analysis.pipeline import analyze
from analysis.result import document
from dashboard.text.answer import SURE, headline
from dashboard.text.shown import SIGNS, figure_name, figure_text, limit_text, said_in
from ingest.load.load import load_run, run_folders
from sample_logs.simulator.families import FAMILIES, draw_car
from sample_logs.simulator.faults import FAULTS, with_fault
from sample_logs.simulator.memory import as_run
from sample_logs.simulator.protocol import full_test, road_test, short_test
from sample_logs.simulator.sensors import standard_sensors
from sample_logs.simulator.simulate import simulate

FOLDERS = run_folders(Path(__file__).parents[3] / "sample_logs")
SIMULATED = 30
DROPPED = ("inlet_air", "coolant_in", "coolant_out", "engine_coolant", "footwell", "vacuum_source")
MISSING_SHARE = 0.15


def simulated(number: int) -> dict[str, Any]:
    """The result of a car drawn by its number; each fault comes twice."""
    rng = np.random.default_rng([number, 13])
    family = list(FAMILIES)[number % len(FAMILIES)]
    cause = list(FAULTS)[number % len(FAULTS)]
    heater, ambient = FAMILIES[family].heater, float(rng.uniform(-15.0, 8.0))
    plans = (
        full_test(heater, ambient=ambient), short_test(heater, ambient=ambient),
        road_test(ambient=ambient),
    )  # fmt: skip
    gone = [point for point in DROPPED if rng.random() < MISSING_SHARE]
    case = with_fault(
        draw_car(family, "SC-900", number), plans[number % len(plans)],
        standard_sensors().without(*gone), cause, float(rng.uniform(0.2, 1.0)), seed=number,
    )  # fmt: skip
    return document(analyze(as_run(simulate(case.car, case.protocol, case.sensors, number))))


@cache
def sample(folder: Path) -> dict[str, Any]:
    return document(analyze(load_run(folder)))


def check(told: dict[str, Any], units: str) -> None:
    """The sentence against figures, limits and causes."""
    said = headline(told, units)
    verdict = told["verdict"]
    assert said.startswith(f"{SIGNS[verdict]} {verdict}")
    assert said.endswith(".")
    assert "None" not in said
    assert "nan" not in said.split()
    figures = told["figures"]
    of_verdict = {
        word: [name for name, each in figures.items() if each["verdict"] == word]
        for word in ("fail", "undecided")
    }
    named = [
        each.name
        for each in all_figures()
        if f"{figure_name(each.name)} {figure_text(figures[each.name], units)} (limit " in said
    ]
    first = told["causes"][0]
    blamed = first["cause"] != "healthy" and first["probability"] >= SURE
    if blamed:
        assert first["title"] in said
    for name in named:
        assert f"(limit {limit_text(figures[name], units)})" in said
    if verdict == "fail":
        # a failing car is told which figure fails, or what is to blame where no figure does
        assert named or blamed
        assert set(named) <= set(of_verdict["fail"])
    elif verdict == "undecided":
        assert named or blamed or said_in(told["reason"], units) in said
        assert set(named) <= set(of_verdict["undecided"])
    else:
        assert not of_verdict["fail"]
        assert not named
    check_named = told["next_check"]
    gap = told["next_measurement"]
    nothing_wrong = first["cause"] == "healthy" and not told["decided_by"]
    if verdict in ("undecided", "not measured") and nothing_wrong and gap:
        # what keeps a run from passing is a gap: it is closed before anything is checked
        assert said.endswith(f"Next: {gap['what']}.")
    elif check_named and verdict != "pass":
        assert f"Next: {check_named['title']}" in said


@pytest.mark.parametrize("units", ["si", "us"])
@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_of_a_sample_run(folder: Path, units: str) -> None:
    check(sample(folder), units)


@pytest.mark.slow
@pytest.mark.parametrize("number", range(SIMULATED))
def test_of_a_simulated_run(number: int) -> None:
    told = simulated(number)
    for units in ("si", "us"):
        check(told, units)


@pytest.mark.slow
def test_every_verdict_is_among_them() -> None:
    words = {sample(folder)["verdict"] for folder in FOLDERS}
    assert {"fail", "undecided"} <= words
