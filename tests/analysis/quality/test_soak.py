"""The cold soak: offsets found and taken out, honest about what they say, never made up."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from analysis.measurement import Measurement
from analysis.quality.soak import REFERENCE, correct_at_soak
from analysis.quality.soak_window import Soak, find_soak
from analysis.quality.view import View
from analysis.uncertainty import level
from ingest.run import ErrorSource, Run
from tests.support.signals.runs import make_run

COLD = -8.0
POINTS = ("outlet", "ambient", "coolant_in", "coolant_out", "engine_coolant", "footwell")
U = 2.5 / math.sqrt(3.0)
"""Class 2 of IEC 60584-1."""


def car(
    offsets: dict[str, float] | None = None,
    *,
    points: tuple[str, ...] = POINTS,
    before: float = 40.0,
    coolant_start: float = COLD,
    gains: dict[str, float] | None = None,
    u: float = U,
    noise: float = 0.05,
) -> Run:
    """A car that stands cold before the start (or not), with sensors that are off."""
    time = np.arange(-before, 900.0, 0.5)
    random = np.random.default_rng(5)
    running = np.maximum(time - 8.0, 0.0)  # no coolant moves in the first seconds
    warm = coolant_start + (86.0 - coolant_start) * (1.0 - np.exp(-running / 200.0))
    true = {
        "outlet": COLD + 0.6 * (warm - COLD) * (running > 0),
        "ambient": np.full(time.size, COLD),
        "inlet_air": np.full(time.size, COLD),
        "coolant_in": warm,
        "coolant_out": warm - 6.0 * (running > 0),
        "engine_coolant": warm,
        "footwell": COLD + 0.3 * (warm - COLD) * (1.0 - np.exp(-running / 400.0)),
    }
    read = {
        point: true[point]
        + (offsets or {}).get(point, 0.0)
        + (gains or {}).get(point, 0.0) * (true[point] - COLD)
        + random.normal(0.0, noise, time.size)
        for point in points
    }
    return make_run(time, read, [(0.0, "engine", "start")], tolerance=u)


def soak_of(run: Run) -> Soak:
    found = find_soak(View(run))
    assert found is not None
    return found


def mean_of(run: Run, point: str, begin: float) -> Measurement:
    time = run.readings["time_s"].to_numpy()
    values = run.readings[run.sensors[point].column].to_numpy()[time >= begin]
    return level(run.sensors[point], values, (begin, float(time[-1])))


OFFSETS = {"outlet": 1.2, "ambient": -0.9, "coolant_in": 0.4, "coolant_out": -1.1}


class TestCorrection:
    def test_sensors_agree_at_the_soak_afterwards(self) -> None:
        run = correct_at_soak(car(OFFSETS))
        window = run.readings.filter(run.readings["time_s"] < 0.0)
        means = [float(window[run.sensors[point].column].to_numpy().mean()) for point in POINTS]
        assert np.ptp(means) < 0.01
        assert np.mean(means) == pytest.approx(
            COLD + np.mean([1.2, -0.9, 0.4, -1.1, 0, 0]), abs=0.02
        )

    def test_offsets_are_reported_and_kept_with_the_sensor(self) -> None:
        run = correct_at_soak(car(OFFSETS))
        (finding,) = run.findings
        assert finding.fault == "soak_offsets"
        assert not finding.forbids
        apart = run.sensors["ambient"].offset - run.sensors["outlet"].offset
        assert apart == pytest.approx(2.1, abs=0.02)
        assert finding.evidence["outlet"] == pytest.approx(run.sensors["outlet"].offset)
        assert "outlet" in finding.detail
        assert finding.to_s == -0.5

    def test_readings_move_by_the_offset_and_nothing_else_changes(self) -> None:
        run = car(OFFSETS)
        corrected = correct_at_soak(run)
        for point in POINTS:
            sensor = corrected.sensors[point]
            moved = (corrected.readings[sensor.column] - run.readings[sensor.column]).to_numpy()
            assert moved == pytest.approx(np.full(moved.size, sensor.offset))
        assert corrected.readings["time_s"].equals(run.readings["time_s"])

    def test_common_error_cancels_in_differences(self) -> None:
        run = correct_at_soak(car(OFFSETS))
        outlet, ambient = (mean_of(run, point, 600.0) for point in ("outlet", "ambient"))
        assert REFERENCE in outlet.shared
        rise = outlet.minus(ambient)
        assert rise.shared[REFERENCE] == pytest.approx(0.0, abs=1e-12)
        before = car(OFFSETS)
        raw = mean_of(before, "outlet", 600.0).minus(mean_of(before, "ambient", 600.0))
        assert rise.u is not None
        assert raw.u is not None
        assert rise.u < 0.4 * raw.u

    def test_growing_part_is_nothing_at_the_soak_and_grows_from_there(self) -> None:
        run = correct_at_soak(car())
        (gain,) = (e for e in run.sensors["outlet"].errors if e.name == "gain of outlet")
        assert gain.u == 0.0
        assert gain.at == pytest.approx(COLD, abs=0.1)
        # 2.5 K of limit over 250 K, rectangular
        assert gain.slope == pytest.approx(0.01 / math.sqrt(3.0), rel=0.01)

    def test_reference_is_the_sensors_mean_not_better(self) -> None:
        run = correct_at_soak(car())
        (reference,) = (e for e in run.sensors["outlet"].errors if e.name == REFERENCE)
        # six independent sensors of 1.44 K, and a tenth or so of real differences
        assert reference.u == pytest.approx(U / math.sqrt(6.0), rel=0.05)

    def test_what_sensors_share_does_not_average_down(self) -> None:
        run = car()
        junction = ErrorSource("cold junction cold_junction", 0.5)
        sensors = {
            point: dataclasses.replace(sensor, errors=(*sensor.errors, junction))
            for point, sensor in run.sensors.items()
        }
        (reference,) = (
            error
            for error in correct_at_soak(run.with_(sensors=sensors)).sensors["outlet"].errors
            if error.name == REFERENCE
        )
        assert reference.u == pytest.approx(math.hypot(U / math.sqrt(6.0), 0.5), rel=0.05)

    def test_first_seconds_serve_where_nothing_was_logged_before(self) -> None:
        run = correct_at_soak(
            car(OFFSETS, before=0.0, points=("ambient", "inlet_air", *POINTS[2:5]))
        )
        assert [finding.fault for finding in run.findings] == ["soak_offsets"]


class TestHonesty:
    def test_two_hundred_cars_are_covered(self) -> None:
        """Value ± 2u covers the true mean rise and the true coolant in 90 to 100 of 100 cars."""
        random = np.random.default_rng(17)
        true_rise, true_coolant = self.truth()
        hits = {"rise": 0, "coolant": 0}
        count = 200
        for _ in range(count):
            # a third of the limit may be a gain, as a wire's error is
            offsets = {point: random.uniform(-1.7, 1.7) for point in POINTS}
            gains = {point: random.uniform(-0.8, 0.8) / 85.0 for point in POINTS}
            run = correct_at_soak(car(offsets, gains=gains))
            assert run.findings
            rise = mean_of(run, "outlet", 600.0).minus(mean_of(run, "ambient", 600.0))
            coolant = mean_of(run, "coolant_in", 600.0)
            assert rise.u is not None
            assert coolant.u is not None
            hits["rise"] += abs(rise.known() - true_rise) <= 2.0 * rise.u
            hits["coolant"] += abs(coolant.known() - true_coolant) <= 2.0 * coolant.u
        assert all(0.9 * count <= hit for hit in hits.values())
        # and not because the uncertainty is as wide as it was without the soak
        assert rise.u < 0.75

    def truth(self) -> tuple[float, float]:
        run = car(noise=0.0)
        outlet, ambient, coolant = (
            mean_of(run, point, 600.0).known() for point in ("outlet", "ambient", "coolant_in")
        )
        return outlet - ambient, coolant


class TestNotSoaked:
    def test_warm_engine(self) -> None:
        run = car(coolant_start=35.0)
        assert correct_at_soak(run) is run

    def test_engine_still_lukewarm(self) -> None:
        run = car(coolant_start=COLD + 6.0, u=0.3)
        assert correct_at_soak(run) is run

    def test_moving_temperatures(self) -> None:
        run = car()
        column = run.sensors["coolant_in"].column
        readings = run.readings.with_columns(
            [(run.readings[name] + 0.05 * run.readings["time_s"]).alias(name)
             for name in run.readings.columns if name not in {"time_s", column}]
        )  # fmt: skip
        assert correct_at_soak(run.with_(readings=readings)).findings == ()

    def test_too_few_readings_or_sensors(self) -> None:
        run = car()
        late = run.with_(readings=run.readings.filter(run.readings["time_s"] > 60.0))
        assert correct_at_soak(late) is late
        two = car(points=("outlet", "coolant_in"))
        assert correct_at_soak(two) is two
        sparse = run.with_(readings=run.readings.gather_every(40))
        assert correct_at_soak(sparse) is sparse
        one = run.with_(readings=run.readings.head(1))
        assert correct_at_soak(one) is one

    def test_running_engine_before_time_zero(self) -> None:
        run = car(points=POINTS)
        time = run.readings["time_s"].to_numpy()
        speeds = make_run(time, {"engine_speed": np.where(time > -30.0, 800.0, 0.0)})
        both = run.with_(
            readings=run.readings.with_columns(speeds.readings["engine_speed_rpm"]),
            sensors={**run.sensors, **speeds.sensors},
        )
        window = soak_of(both).window
        assert window[1] <= -30.0

    def test_inside_air_alone_is_no_soak(self) -> None:
        run = car(points=("outlet", "footwell", "outlet"))
        assert correct_at_soak(run) is run


class TestDisagreement:
    def test_a_sensor_far_off_is_named_and_not_corrected(self) -> None:
        run = correct_at_soak(car({"outlet": 11.0}))
        named = {finding.fault: finding for finding in run.findings}
        assert set(named) == {"soak_offsets", "disagrees_at_soak"}
        assert named["disagrees_at_soak"].channel == "outlet"
        assert named["disagrees_at_soak"].evidence["off"] == pytest.approx(11.0, abs=0.1)
        assert run.sensors["outlet"].offset == 0.0
        errors = {error.name: error.u for error in run.sensors["outlet"].errors}
        assert errors["tolerance of outlet"] == pytest.approx(U)
        # its doubt covers what it is off
        assert math.sqrt(3.0) * errors["disagreement of outlet"] == pytest.approx(11.0, abs=0.1)

    def test_it_does_not_pull_the_others(self) -> None:
        run = correct_at_soak(car({"outlet": 11.0}))
        assert abs(run.sensors["ambient"].offset) < 0.05

    def test_within_the_limits_is_an_offset(self) -> None:
        run = correct_at_soak(car({"outlet": 2.3}))
        assert [finding.fault for finding in run.findings] == ["soak_offsets"]

    def test_cold_junction_takes_no_part(self) -> None:
        run = car()
        time = run.readings["time_s"].to_numpy()
        warm = make_run(time, {"cold_junction": np.full(time.size, 22.0)})
        both = run.with_(
            readings=run.readings.with_columns(warm.readings["cold_junction_degC"]),
            sensors={**run.sensors, **warm.sensors},
        )
        corrected = correct_at_soak(both)
        assert [finding.fault for finding in corrected.findings] == ["soak_offsets"]
        assert corrected.sensors["cold_junction"] == both.sensors["cold_junction"]
