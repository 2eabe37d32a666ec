"""The course of time: a changed level is seen, with its time, and little else."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.compare.course import FEWEST, MEANING, SCHEMA, timeline
from tests.support.fleets import RISE, day, run, table_of


def series(values: np.ndarray, **about: object) -> list[dict]:
    return [
        run(f"SC-{n:03}", float(value), started=day(n), **about) for n, value in enumerate(values)
    ]


def test_a_level_that_falls() -> None:
    values = np.random.default_rng(1).normal(46.0, 1.0, 80)
    values[50:] -= 2.0
    frame = timeline(table_of(series(values)), RISE)
    assert frame.height == 80
    assert frame["center"][0] == pytest.approx(values[:20].mean())
    alarms = frame.filter(frame["alarm"].is_not_null())
    assert alarms.height >= 1
    first = alarms.row(0, named=True)
    assert day(50) <= first["started"] <= day(62)
    assert first["alarm"].startswith("lower since 2026-02-")
    assert first["level"] < first["low"]


def test_a_level_that_stays_gives_few_alarms() -> None:
    random = np.random.default_rng(2)
    alarms = 0
    for _ in range(30):
        frame = timeline(table_of(series(random.normal(46.0, 1.0, 80))), RISE)
        alarms += frame["alarm"].is_not_null().any()
    # about one false alarm in 370 values is meant, and the center is known from 20 values only
    assert alarms <= 10


def test_the_weather_is_no_change() -> None:
    random = np.random.default_rng(3)
    air = np.linspace(-15.0, 10.0, 60) + random.normal(0.0, 3.0, 60)
    values = 50.0 - 0.7 * air + random.normal(0.0, 0.5, 60)
    runs = series(values)
    with_air = [each | {"ambient_degC": float(a)} for each, a in zip(runs, air, strict=True)]
    allowed = timeline(table_of(with_air), RISE)
    assert allowed["alarm"].is_null().all()
    assert allowed["ambient"].unique().to_list() == ["allowed for"]
    assert timeline(table_of(runs), RISE)["alarm"].is_not_null().any()


def test_a_single_strange_run_is_marked() -> None:
    values = np.random.default_rng(4).normal(46.0, 1.0, 40)
    values[30] = 56.0
    frame = timeline(table_of(series(values)), RISE)
    assert frame.filter("strange")["vehicle"].to_list() == ["SC-030"]


def test_series_are_apart_and_in_order_of_time() -> None:
    random = np.random.default_rng(5)
    runs = [
        *series(random.normal(46.0, 1.0, 12), plant="North"),
        *series(random.normal(30.0, 1.0, 12), plant="South")[::-1],
        *series(random.normal(46.0, 1.0, FEWEST - 1), plant="Hill"),
    ]
    frame = timeline(table_of(runs), RISE, "plant")
    assert frame["series"].unique(maintain_order=True).to_list() == ["North", "South"]
    south = frame.filter(frame["series"] == "South")
    assert south["started"].is_sorted()
    assert south["center"][0] == pytest.approx(30.0, abs=1.5)
    assert all(len(each) == 1 for each in frame["runs"].to_list())


def test_columns_are_explained() -> None:
    assert set(SCHEMA) - {"started", "run", "vehicle", "figure", "unit"} == set(MEANING)
