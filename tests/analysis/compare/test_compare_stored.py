"""Good cars out of a store are the good cars that went in."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest

from analysis.baseline import Baseline
from analysis.causes.evidence import evidence_of
from analysis.compare.stored import (
    Edition,
    StoredCar,
    baseline_from_store,
    code_version,
    keep,
    outcome,
)
from analysis.limits import Limit, default_limits, limits_for
from analysis.measured import Measured
from analysis.pipeline import analyze, measure
from analysis.result import DEFINITIONS, document
from ingest.errors import UnusableRun
from ingest.files import find_files
from ingest.load.load import load_run
from ingest.run import Run
from ingest.store.store import Store

SAMPLES = Path(__file__).parents[3] / "sample_logs"
GOOD = [SAMPLES / f"SC-00{n}-baseline" for n in range(1, 6)]
COMPLAINT = SAMPLES / "SC-014-complaint"


@pytest.fixture(scope="module")
def measured() -> list[Measured]:
    return [measure(load_run(place)) for place in GOOD]


@pytest.fixture(scope="module")
def complaint() -> Run:
    return load_run(COMPLAINT)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Store:
    store = Store.open(tmp_path_factory.mktemp("stores") / "store")
    edition = Edition()
    for place in (*GOOD, COMPLAINT):
        run = load_run(place)
        versions = edition.versions("Plover", "blend-air")
        store.add(run, find_files(place).raw(), outcome, versions)
    yield store
    store.close()


def test_what_is_kept_of_a_car_is_all_a_baseline_needs(measured: list[Measured]) -> None:
    for car in measured:
        again = StoredCar.of(json.loads(json.dumps(keep(car))), "SC-001")
        assert again.evidence == evidence_of(car)
        for name, figure in car.figures.items():
            if figure.value is None:
                assert name not in again.figures
            else:
                assert again.figures[name].value == figure.value
                assert again.figures[name].u == figure.u


def test_stored_good_cars_judge_like_measured_ones(
    filled: Store, measured: list[Measured], complaint: Run
) -> None:
    stored = document(analyze(complaint, baseline=baseline_from_store(filled)))
    assert stored == document(analyze(complaint, baseline=Baseline.of(measured)))
    assert stored != document(analyze(complaint))


def test_only_good_cars_of_the_same_kind_count(filled: Store) -> None:
    baseline = baseline_from_store(filled)
    assert len(baseline.evidence("Plover", "blend-air")) == 5
    for family, heater in (("Plover", "combined"), ("Dunlin", "blend-air"), (None, "blend-air")):
        assert baseline.evidence(family, heater) == ()
        default = limits_for(default_limits(), family, heater)
        in_force = baseline.limits(family, heater, default)
        assert {name: (limit.low, limit.high) for name, limit in in_force.items()} == {
            name: (limit.low, limit.high) for name, limit in default.items()
        }


def test_a_store_without_good_cars(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "store")
    with pytest.raises(UnusableRun, match="no run of a known-good car"):
        baseline_from_store(store)
    store.close()


def test_the_result_names_its_definitions(filled: Store, complaint: Run) -> None:
    assert outcome(complaint).document["definitions"] == DEFINITIONS


def test_versions_change_with_everything_that_makes_a_result(
    filled: Store, measured: list[Measured]
) -> None:
    plain = Edition().versions("Plover", "blend-air")
    assert (plain.code, plain.definitions) == (code_version(), DEFINITIONS)
    assert plain.limits.startswith(default_limits().version)
    figures = {**default_limits().figures, "warm_up_time": Limit(None, 1000.0, "mine")}
    other_limits = dataclasses.replace(default_limits(), figures=figures)
    assert Edition(other_limits).versions("Plover", "blend-air").limits != plain.limits
    stored = Edition(baseline=baseline_from_store(filled))
    assert "5 good cars" in stored.versions("Plover", "blend-air").limits
    assert stored.versions("Dunlin", "blend-air") == plain  # no good car of that family
    same = Edition(baseline=Baseline.of(measured))
    assert same.versions("Plover", "blend-air") == stored.versions("Plover", "blend-air")
    fewer = Edition(baseline=Baseline.of(measured[:4]))
    assert fewer.versions("Plover", "blend-air") != stored.versions("Plover", "blend-air")
