"""From logged numbers to stored units, with the sensors' error budgets and everything refused."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.errors import UnusableRun
from ingest.sensors.calibrate import Calibrated, RawChannel, calibrate
from ingest.sensors.channels import make_recipes
from ingest.sensors.resolution import resolution
from ingest.sensors.thermocouple import emf
from ingest.sensors.tolerances import Limit, class_name, source
from ingest.setup.model import Setup

Channels = dict[str, dict[str, Any]]


def setup_of(channels: Channels, **run: Any) -> Setup:
    return Setup.model_validate(
        {
            "run": {"vehicle": "SC-001", **run},
            "log": {"file": "log.csv"},
            "channels": {point: {"column": point, **keys} for point, keys in channels.items()},
        }
    )


def calibrated(
    channels: Channels,
    values: dict[str, Any],
    units: dict[str, str] | None = None,
    time_s: NDArray[np.float64] | None = None,
    **run: Any,
) -> Calibrated:
    raw = {
        point: RawChannel(np.asarray(value, dtype=float), (units or {}).get(point), point)
        for point, value in values.items()
    }
    return calibrate(setup_of(channels, **run), raw, log_file="log.csv", time_s=time_s)


def faults(channels: Channels, units: dict[str, str] | None = None, **run: Any) -> list[str]:
    setup = setup_of(channels, **run)
    given = {point: (units or {}).get(point) for point in channels}
    found = make_recipes(setup, given, log_file="log.csv", setup_file="run.toml")
    return [str(fault) for fault in found.faults]


def faults_named(found: Calibrated) -> list[str]:
    return [finding.fault for finding in found.findings]


THERMOCOUPLE = {"sensor": "thermocouple", "unit": "mV", "cold_junction": "cold_junction"}


class TestReadings:
    def test_thermocouple_with_a_cold_junction_channel(self) -> None:
        cold = np.array([23.0, 24.0, 25.0])
        volts = emf("K", 60.0) - emf("K", cold)
        found = calibrated(
            {"outlet": THERMOCOUPLE, "cold_junction": {"unit": "degC"}},
            {"outlet": volts, "cold_junction": cold},
        )
        assert found.readings["outlet"] == pytest.approx(60.0, abs=1e-3)
        assert found.readings["cold_junction"].tolist() == cold.tolist()
        assert found.sensors["outlet"].cold_junction == "cold_junction"
        assert found.sensors["outlet"].column == "outlet_degC"
        assert list(found.sensors) == ["outlet", "cold_junction"]
        assert not found.findings

    @pytest.mark.parametrize(("unit", "factor"), [("mV", 1.0), ("uV", 1000.0), ("V", 0.001)])
    def test_units_of_voltage(self, unit: str, factor: float) -> None:
        volts = factor * float(emf("J", 80.0) - emf("J", 23.5))
        found = calibrated(
            {"outlet": {"sensor": "thermocouple", "type": "J", "unit": unit,
                        "cold_junction": "74.3 degF"}},
            {"outlet": [volts]},
        )  # fmt: skip
        assert found.readings["outlet"] == pytest.approx([80.0], abs=1e-3)

    def test_amplified_thermocouple(self) -> None:
        scale = {"from": [0.0, 10.0], "to": [0.0, 10.0], "unit": "mV"}
        found = calibrated(
            {"outlet": {"sensor": "thermocouple", "scale": scale, "cold_junction": "0 degC"}},
            {"outlet": [float(emf("K", 100.0))]},
        )
        assert found.readings["outlet"] == pytest.approx([100.0], abs=1e-3)

    def test_plain_units(self) -> None:
        found = calibrated(
            {"outlet": {"unit": "degF"}, "ambient": {"unit": "K"}, "road_speed": {"unit": "mph"},
             "engine_speed": {}, "temp_lever": {}, "blower_voltage": {"unit": "mV"}},
            {"outlet": [212.0], "ambient": [273.15], "road_speed": [10.0], "engine_speed": [800.0],
             "temp_lever": [55.0], "blower_voltage": [12_500.0]},
        )  # fmt: skip
        values = {point: float(value[0]) for point, value in found.readings.items()}
        assert values == pytest.approx(
            {"outlet": 100.0, "ambient": 0.0, "road_speed": 4.4704, "engine_speed": 800.0,
             "temp_lever": 55.0, "blower_voltage": 12.5}
        )  # fmt: skip
        assert faults_named(found) == ["unit_assumed", "unit_assumed"]

    def test_resistances(self) -> None:
        found = calibrated(
            {"ambient": {"sensor": "rtd", "unit": "ohm", "r0": 1000.0},
             "cabin": {"sensor": "ntc", "unit": "kohm", "beta": 3950.0, "r25": 1e4},
             "footwell": {"sensor": "ntc", "unit": "ohm",
                          "steinhart_hart": [2.108508173e-3, 0.7979204727e-4, 6.535076315e-7]}},
            {"ambient": [1385.055], "cabin": [3.0], "footwell": [4000.0]},
        )  # fmt: skip
        assert found.readings["ambient"] == pytest.approx([100.0], abs=1e-3)
        assert found.readings["cabin"] == pytest.approx([54.8035], abs=1e-3)
        assert found.readings["footwell"] == pytest.approx([45.0], abs=1e-3)

    @pytest.mark.parametrize(
        ("keys", "reading", "run"),
        [
            ({"unit": "inHg", "reference": "vacuum"}, 17.718, {}),
            ({"unit": "kPa", "reference": "gauge"}, -60.0, {}),
            ({"unit": "kPa", "reference": "absolute"}, 38.6, {"barometer": "98.6 kPa"}),
            ({"unit": "kPa abs"}, 35.461, {"altitude": "500 m"}),
            ({"unit": "mbar rel"}, -600.0, {}),
            ({"unit": "V", "reference": "vacuum",
              "scale": {"from": [0.5, 4.5], "to": [0, 100], "unit": "kPa"}}, 2.9, {}),
        ],
    )  # fmt: skip
    def test_vacuum_of_60_kpa(self, keys: Any, reading: float, run: Any) -> None:
        found = calibrated(
            {"vacuum_source": {"sensor": "pressure", **keys}}, {"vacuum_source": [reading]}, **run
        )
        assert found.readings["vacuum_source"] == pytest.approx([60.0], abs=2e-3)
        assert not found.findings

    def test_assumed_reference_is_said(self) -> None:
        found = calibrated({"vacuum_source": {"unit": "kPa"}}, {"vacuum_source": [60.0]})
        assert faults_named(found) == ["reference_assumed"]

    def test_ratiometric_transducer(self) -> None:
        scale = {"from": [0.5, 4.5], "to": [0, 100], "unit": "kPa", "ratiometric_to": 5.0,
                 "supply": "supply"}  # fmt: skip
        found = calibrated(
            {"vacuum_source": {"unit": "V", "scale": scale, "reference": "vacuum",
                               "sensor": "pressure"},
             "supply": {"unit": "V", "sensor": "voltage"}},
            {"vacuum_source": [2.45], "supply": [4.9]},
        )  # fmt: skip
        assert found.readings["vacuum_source"] == pytest.approx([50.0])

    def test_ratiometric_to_one_volt(self) -> None:
        scale = {"from": [0.1, 0.9], "to": [0, 100], "unit": "kPa", "ratiometric_to": 1.0,
                 "supply": "supply"}  # fmt: skip
        found = calibrated(
            {"vacuum_source": {"unit": "V", "scale": scale, "reference": "vacuum",
                               "sensor": "pressure"},
             "supply": {"unit": "V", "sensor": "voltage"}},
            {"vacuum_source": [1.0], "supply": [2.0]},
        )  # fmt: skip
        assert found.readings["vacuum_source"] == pytest.approx([50.0])

    def test_unit_of_the_log_is_used_and_the_setup_wins(self) -> None:
        found = calibrated({"outlet": {}}, {"outlet": [212.0]}, {"outlet": "F"})
        assert found.readings["outlet"] == pytest.approx([100.0])
        found = calibrated({"outlet": {"unit": "degC"}}, {"outlet": [50.0]}, {"outlet": "°F"})
        assert found.readings["outlet"].tolist() == [50.0]
        assert faults_named(found) == ["unit_disagrees"]

    @pytest.mark.parametrize(
        ("stated", "logged", "findings"),
        [
            ("absolute", "kPa abs", []),
            (None, "kPa abs", []),
            ("gauge", "kPa abs", ["unit_disagrees"]),
        ],
    )
    def test_what_the_logs_unit_counts_from(
        self, stated: str | None, logged: str, findings: list[str]
    ) -> None:
        keys = {"unit": "kPa"} | ({"reference": stated} if stated else {})
        found = calibrated(
            {"vacuum_source": keys}, {"vacuum_source": [40.0]}, {"vacuum_source": logged},
            barometer="100 kPa",
        )  # fmt: skip
        assert faults_named(found) == findings
        assert found.readings["vacuum_source"].tolist() == [-40.0 if stated == "gauge" else 60.0]

    def test_other_channels_are_kept_as_logged(self) -> None:
        found = calibrated(
            {"oil": {"unit": "quux"}, "load": {}, "rail": {"unit": "bar"}},
            {"oil": [1.0], "load": [2.0], "rail": [3.0]},
        )
        assert {point: float(value[0]) for point, value in found.readings.items()} == {
            "oil": 1.0, "load": 2.0, "rail": 300.0
        }  # fmt: skip
        assert [sensor.column for sensor in found.sensors.values()] == [
            "oil_quux", "load_as_logged", "rail_kPa"
        ]  # fmt: skip

    def test_readings_out_of_range_are_lost_and_counted(self) -> None:
        found = calibrated(
            {"outlet": {**THERMOCOUPLE, "cold_junction": "20 degC"}},
            {"outlet": [1.0, 99.0, np.nan, -99.0, 1.0]},
            time_s=np.arange(5.0),
        )
        assert np.isnan(found.readings["outlet"]).tolist() == [False, True, True, True, False]
        (lost,) = found.findings
        assert (lost.fault, lost.channel, lost.forbids) == ("out_of_range", "outlet", True)
        assert (lost.from_s, lost.to_s, lost.evidence["count"]) == (1.0, 3.0, 2.0)

    def test_sparse_cold_junction_is_bridged_for_a_minute_only(self) -> None:
        time = np.array([0.0, 10.0, 20.0, 100.0, 200.0])
        cold = np.array([20.0, np.nan, 22.0, np.nan, 30.0])
        volts = emf("K", 50.0) - emf("K", np.array([20.0, 21.0, 22.0, 26.0, 30.0]))
        found = calibrated(
            {"outlet": THERMOCOUPLE, "cold_junction": {"unit": "degC"}},
            {"outlet": volts, "cold_junction": cold},
            time_s=time,
        )
        readings = found.readings["outlet"]
        assert np.isnan(readings).tolist() == [False, False, False, True, False]
        assert readings[1] == pytest.approx(50.0, abs=1e-3)
        assert np.isnan(found.readings["cold_junction"][1])  # what was not logged stays unlogged

    def test_unnamed_cold_junction_is_taken_and_said(self) -> None:
        found = calibrated(
            {"outlet": {"sensor": "thermocouple", "unit": "mV"}, "cold_junction": {"unit": "degC"}},
            {"outlet": [float(emf("K", 60.0) - emf("K", 20.0))], "cold_junction": [20.0]},
        )
        assert faults_named(found) == ["cold_junction_assumed"]
        assert found.readings["outlet"] == pytest.approx([60.0], abs=1e-3)

    def test_each_sensor_knows_the_channel_of_its_cold_junction(self) -> None:
        block = {"unit": "degC"}
        cells = {"outlet": [1.0], "footwell": [0.8], "cabin": [0.2], "ambient": [0.0],
                 "coolant_in": [60.0], "coolant_out": [55.0],
                 "block_a": [20.0], "cold_junction": [25.0]}  # fmt: skip
        found = calibrated(
            {"outlet": {**THERMOCOUPLE, "cold_junction": "block_a"}, "footwell": THERMOCOUPLE,
             "cabin": {"sensor": "thermocouple", "unit": "mV"},
             "ambient": {**THERMOCOUPLE, "cold_junction": "20 degC"},
             "coolant_in": {"sensor": "thermocouple", "unit": "degC", "cold_junction": "block_a"},
             "coolant_out": {"sensor": "thermocouple", "unit": "degC",
                             "cold_junction": "20 degC"},
             "block_a": block, "cold_junction": block}, cells,
        )  # fmt: skip
        assert {point: sensor.cold_junction for point, sensor in found.sensors.items()} == {
            "outlet": "block_a", "footwell": "cold_junction", "cabin": "cold_junction",
            "ambient": None, "coolant_in": "block_a", "coolant_out": None,
            "block_a": None, "cold_junction": None,
        }  # fmt: skip
        # 1 mV at a reference of 20 °C and 0.8 mV at 25 °C, in volts
        assert emf("K", found.readings["outlet"]) == pytest.approx(1.0 + emf("K", 20.0), abs=1e-5)
        assert emf("K", found.readings["footwell"]) == pytest.approx(0.8 + emf("K", 25.0), abs=1e-5)

    def test_logged_numbers_are_not_written_into(self) -> None:
        values = np.array([1.0, 2.0])
        calibrated({"outlet": {"unit": "degF"}, "cabin": {"unit": "degC"}},
                   {"outlet": values, "cabin": values})  # fmt: skip
        assert values.tolist() == [1.0, 2.0]


class TestBudget:
    def errors(self, found: Calibrated, point: str) -> dict[str, float]:
        return {error.name: error.u for error in found.sensors[point].errors}

    @pytest.mark.parametrize(
        ("keys", "at", "half_width"),
        [
            # IEC 60584-1:2013, classes 1 to 3
            ({"type": "K", "tolerance_class": 1}, 100.0, 1.5),
            ({"type": "K", "tolerance_class": 1}, 500.0, 2.0),
            ({"type": "K", "tolerance_class": 2}, 100.0, 2.5),
            ({"type": "K", "tolerance_class": 2}, 1000.0, 7.5),
            ({"type": "K", "tolerance_class": 3}, -200.0, 3.0),
            ({"type": "T", "tolerance_class": 1}, 80.0, 0.5),
            ({"type": "T", "tolerance_class": 2}, 80.0, 1.0),
            ({"type": "J"}, 80.0, 2.5),
            ({"type": "S", "tolerance_class": 1}, 1200.0, 1.3),
            ({"type": "S", "tolerance_class": 1}, 500.0, 1.0),
            ({"type": "R", "tolerance_class": 2}, 100.0, 1.5),
            ({"type": "R", "tolerance_class": 2}, 1000.0, 2.5),
            ({"type": "B", "tolerance_class": 3}, 700.0, 4.0),
            ({"type": "T", "tolerance_class": 3}, -100.0, 1.5),
            ({"type": "N", "tolerance_class": 2}, 300.0, 2.5),
            ({"type": "E", "tolerance_class": 1}, 80.0, 1.5),
            # ASTM E230
            ({"type": "K", "tolerance_class": "standard"}, 100.0, 2.2),
            ({"type": "K", "tolerance_class": "ASTM special"}, 100.0, 1.1),
            ({"type": "T", "tolerance_class": "special"}, 80.0, 0.5),
            ({"type": "N", "tolerance_class": "standard"}, 100.0, 2.2),
            ({"type": "E", "tolerance_class": "standard"}, 80.0, 1.7),
            ({"type": "E", "tolerance_class": "special"}, 80.0, 1.0),
            ({"type": "J", "tolerance_class": "special"}, 80.0, 1.1),
            ({"type": "R", "tolerance_class": "standard"}, 100.0, 1.5),
            ({"type": "S", "tolerance_class": "special"}, 100.0, 0.6),
            ({"type": "K", "tolerance": 0.3}, 80.0, 0.3),
        ],
    )
    def test_thermocouple_classes(self, keys: Any, at: float, half_width: float) -> None:
        found = calibrated(
            {"outlet": {"sensor": "thermocouple", "unit": "degC", **keys}}, {"outlet": [at] * 3}
        )
        u = self.errors(found, "outlet")["tolerance of outlet"]
        assert u == pytest.approx(half_width / math.sqrt(3.0))

    @pytest.mark.parametrize(
        ("name", "at", "half_width"),
        [("AA", 100.0, 0.27), ("A", 100.0, 0.35), ("B", 100.0, 0.8), ("C", -50.0, 1.1),
         (None, 100.0, 0.8)],
    )  # fmt: skip
    def test_platinum_classes(self, name: str | None, at: float, half_width: float) -> None:
        # IEC 60751:2008: AA 0.1 + 0.0017 |t|, A 0.15 + 0.002 |t|, B 0.3 + 0.005 |t|, C twice B
        keys = {"sensor": "rtd", "unit": "degC"} | ({"tolerance_class": name} if name else {})
        found = calibrated({"ambient": keys}, {"ambient": [at] * 3})
        u = self.errors(found, "ambient")["tolerance of ambient"]
        assert u == pytest.approx(half_width / math.sqrt(3.0))

    def test_cold_junction_is_shared_with_its_sensitivity(self) -> None:
        cold = np.full(200, 25.0)
        hot = np.linspace(40.0, 200.0, 200)
        found = calibrated(
            {"outlet": THERMOCOUPLE, "ambient": {**THERMOCOUPLE, "type": "T"},
             "cold_junction": {"unit": "degC", "tolerance": 0.6}},
            {"outlet": emf("K", hot) - emf("K", 25.0), "ambient": emf("T", 5.0) - emf("T", cold),
             "cold_junction": cold},
        )  # fmt: skip
        name = "cold junction cold_junction"
        u = 0.6 / math.sqrt(3.0)
        assert self.errors(found, "cold_junction") == {name: pytest.approx(u)}
        # NIST: type T 40.7 uV/K at 25 °C, 38.9 uV/K at 5 °C
        assert self.errors(found, "ambient")[name] == pytest.approx(u * 40.7 / 38.9, rel=0.01)
        (outlet,) = (e for e in found.sensors["outlet"].errors if e.name == name)
        # NIST: type K 40.5 uV/K at 25 °C, 40.0 uV/K at 200 °C
        assert outlet.u + outlet.slope * (200.0 - outlet.at) == pytest.approx(
            u * 40.518 / 39.965, rel=2e-3
        )

    def test_converted_thermocouples_share_the_loggers_own_junction(self) -> None:
        keys = {"sensor": "thermocouple", "unit": "degC"}
        found = calibrated({"outlet": keys, "cabin": keys}, {"outlet": [50.0], "cabin": [20.0]})
        shared = set(self.errors(found, "outlet")) & set(self.errors(found, "cabin"))
        assert shared == {"cold junction the logger"}

    def test_converted_thermocouples_may_name_the_junction_they_were_converted_with(self) -> None:
        keys = {"sensor": "thermocouple", "unit": "degC", "cold_junction": "cold_junction"}
        found = calibrated(
            {"outlet": keys, "cold_junction": {"unit": "degC"}},
            {"outlet": [50.0], "cold_junction": [22.0]},
        )
        assert "cold junction cold_junction" in self.errors(found, "outlet")
        alone = calibrated({"outlet": keys}, {"outlet": [50.0]})
        assert "cold junction the logger" in self.errors(alone, "outlet")

    def test_pressure_counts_by_its_span_and_the_barometer_is_shared(self) -> None:
        scale = {"from": [0.5, 4.5], "to": [0, 30], "unit": "inHg"}
        found = calibrated(
            {"vacuum_source": {"scale": scale, "reference": "absolute"}},
            {"vacuum_source": [2.0] * 3},
            altitude="300 m",
        )
        errors = self.errors(found, "vacuum_source")
        assert errors["tolerance of vacuum_source"] == pytest.approx(0.3 * 3.38639 / math.sqrt(3))
        assert errors["barometer"] == pytest.approx(2.5 / math.sqrt(3))

    def test_plain_temperature_sensor(self) -> None:
        found = calibrated({"cabin": {"unit": "degC"}}, {"cabin": [20.0] * 3})
        assert self.errors(found, "cabin") == {"tolerance of cabin": pytest.approx(1 / 3**0.5)}

    def test_a_straight_line_is_nowhere_below_the_limit(self) -> None:
        limit = Limit(2.5, 0.0075)
        line = source("x", limit.at, -200.0, 900.0)
        for t in np.linspace(-200.0, 900.0, 111):
            assert line.u + line.slope * (t - line.at) >= limit.at(t) / math.sqrt(3.0) - 1e-12

    def test_class_names(self) -> None:
        assert [class_name(word) for word in (2, "class 2", "IEC class 1", "aa", "Special")] == [
            "2", "2", "1", "AA", "special"
        ]  # fmt: skip


class TestResolution:
    def test_steps_of_numbers(self) -> None:
        random = np.random.default_rng(1)
        smooth = 20.0 + 30.0 * np.sin(np.linspace(0.0, 6.0, 5000)) + random.normal(0, 0.2, 5000)
        assert resolution(np.round(smooth, 1)) == pytest.approx(0.1)
        assert resolution(np.round(smooth)) == pytest.approx(1.0)
        assert resolution(np.round(smooth / 0.25) * 0.25) == pytest.approx(0.25)
        assert resolution(smooth) < 1e-3
        assert resolution(np.full(100, 3.0)) == 0.0
        assert resolution(np.full(100, np.nan)) == 0.0

    def test_whole_fahrenheit_written_in_tenths_of_celsius(self) -> None:
        values = np.round((np.round(np.linspace(60, 150, 4000)) - 32) / 1.8, 1)
        assert resolution(values) == pytest.approx(0.55, abs=0.06)

    @pytest.mark.parametrize("strays", [1, 12])
    def test_a_few_values_beside_the_levels_leave_the_step(self, strays: int) -> None:
        """Whole degrees Celsius in Fahrenheit, 1.8 apart: a digit damaged here and there."""
        random = np.random.default_rng(4)
        celsius = np.round(np.linspace(-8, 75, 2500) + random.normal(0, 0.3, 2500))
        values = np.round(celsius * 1.8 + 32, 1)
        where = random.choice(2500, strays, replace=False)
        values[where] = np.round(values[where] + random.integers(1, 9, strays) / 10.0, 1)
        assert resolution(values) == pytest.approx(1.8)

    def test_is_given_in_the_stored_unit(self) -> None:
        rising = np.round(np.linspace(0.5, 2.0, 4000), 3)
        found = calibrated(
            {"outlet": {**THERMOCOUPLE, "cold_junction": "20 degC"}, "road_speed": {"unit": "km/h"},
             "ambient": {"sensor": "rtd", "unit": "ohm"}},
            {"outlet": rising, "road_speed": np.round(np.linspace(0, 90, 4000)),
             "ambient": np.round(np.linspace(95, 110, 4000), 1)},
        )  # fmt: skip
        steps = {point: sensor.resolution for point, sensor in found.sensors.items()}
        # NIST: type K 41 uV/K near 50 °C; IEC 60751: 0.39 ohm/K near 0 °C
        assert steps["outlet"] == pytest.approx(1 / 41.0, rel=0.02)
        assert steps["road_speed"] == pytest.approx(1 / 3.6)
        assert steps["ambient"] == pytest.approx(0.1 / 0.39, rel=0.02)


class TestFaults:
    @pytest.mark.parametrize(
        ("channels", "units", "run", "said"),
        [
            ({"outlet": {"unit": "quux"}}, {}, {}, ["[channels.outlet] unit", "'quux'"]),
            ({"outlet": {}}, {}, {}, ["[channels.outlet] unit", "no unit"]),
            ({"outlet": {"unit": "kPa"}}, {}, {}, ["kPa (pressure)", "a unit of temperature"]),
            ({"outlet": {"unit": "mV"}}, {}, {}, ["mV (voltage)", 'sensor = "thermocouple"']),
            ({"ambient": {"unit": "ohm"}}, {}, {}, ["ohm (resistance)", '"rtd" or "ntc"']),
            ({"outlet": {"sensor": "pressure", "unit": "kPa"}}, {}, {}, ["'pressure'", "sensor"]),
            ({"outlet": {"sensor": "thermocouple", "unit": "mV"}}, {}, {}, ["found none"]),
            ({"outlet": {**THERMOCOUPLE, "cold_junction": "nowhere"}}, {}, {}, ["'nowhere'"]),
            ({"outlet": {**THERMOCOUPLE, "cold_junction": "23.5"}}, {}, {}, ["'23.5'"]),
            ({"outlet": {**THERMOCOUPLE, "cold_junction": "900 degC"}}, {}, {}, ["'900 degC'"]),
            ({"outlet": {**THERMOCOUPLE, "cold_junction": "outlet"}}, {}, {}, ["outlet -> outlet"]),
            ({"outlet": {**THERMOCOUPLE, "cold_junction": "road_speed"},
              "road_speed": {"unit": "mph"}}, {}, {}, ["road_speed, which is no temperature"]),
            ({"cabin": {"sensor": "ntc", "unit": "ohm"}}, {}, {}, ["steinhart_hart"]),
            ({"cabin": {"sensor": "ntc", "unit": "ohm", "beta": 3950.0}}, {}, {}, ["r25"]),
            ({"vacuum_source": {"unit": "kPa", "reference": "absolute"}}, {}, {}, ["barometer"]),
            ({"vacuum_source": {"unit": "psia"}}, {}, {}, ["barometer"]),
            ({"vacuum_source": {"unit": "V"}}, {}, {}, ["V (voltage)", "add a scale"]),
            ({"outlet": {"unit": "degC"}}, {}, {"barometer": "98.6"}, ["barometer", "no unit"]),
            ({"outlet": {"unit": "degC"}}, {}, {"barometer": "980 kPa"}, ["980 kPa", "45 to 110"]),
            ({"outlet": {"unit": "degC"}}, {}, {"altitude": "30000 m"}, ["30000 m"]),
            ({"vacuum_source": {"unit": "psia"}}, {}, {"barometer": "9 kPa"}, ["[run] barometer"]),
            ({"outlet": {"unit": "degC"}}, {}, {"altitude": "low"}, ["altitude", "'low'"]),
            ({"outlet": {"sensor": "thermocouple", "unit": "degC", "tolerance_class": "X"}}, {}, {},
             ["tolerance_class", "1, 2, 3"]),
            ({"outlet": {"sensor": "thermocouple", "type": "J", "unit": "degC",
                         "tolerance_class": 3}}, {}, {}, ["one of 1, 2, standard, special"]),
            ({"ambient": {"sensor": "rtd", "unit": "degC", "tolerance_class": 2}}, {}, {},
             ["AA, A, B, C"]),
            ({"outlet": {}}, {"outlet": "MV"}, {}, ["mV or megavolt"]),
        ],
    )  # fmt: skip
    def test_one_line_each(
        self, channels: Channels, units: dict[str, str], run: Any, said: list[str]
    ) -> None:
        (line,) = faults(channels, units, **run)
        assert "\n" not in line
        for words in said:
            assert words in line

    @pytest.mark.parametrize(
        ("scale", "said"),
        [
            ({"from": [0.5, 4.5], "to": [0, 1e9], "unit": "kPa"}, "1e+09 kPa"),
            ({"from": [0.5, 4.5], "to": [5, 5], "unit": "kPa"}, "the same reading"),
            ({"from": [0.5, 0.5000001], "to": [0, 100], "unit": "kPa"}, "all but one"),
            ({"from": [0.5, math.inf], "to": [0, 100], "unit": "kPa"}, "not finite"),
            ({"from": [0.5, 4.5], "to": [0, math.nan], "unit": "kPa"}, "not finite"),
            ({"from": [0.5, 4.5], "to": [0, 100], "unit": "quux"}, "'quux'"),
            ({"from": [0.5, 4.5], "to": [0, 100], "unit": "degC"}, "degC (temperature)"),
            ({"from": [0.5, 4.5], "to": [0, 100], "unit": "kPa", "supply": "nowhere",
              "ratiometric_to": 5.0}, "'nowhere'"),
        ],
    )  # fmt: skip
    def test_absurd_scales(self, scale: dict[str, Any], said: str) -> None:
        keys = {"sensor": "pressure", "unit": "V", "reference": "vacuum", "scale": scale}
        (line,) = faults({"vacuum_source": keys})
        assert "[channels.vacuum_source]" in line
        assert said in line

    def test_circular_cold_junctions(self) -> None:
        lines = faults(
            {"outlet": {**THERMOCOUPLE, "cold_junction": "ambient"},
             "ambient": {**THERMOCOUPLE, "cold_junction": "outlet"}}
        )  # fmt: skip
        assert len(lines) == 2
        assert "outlet -> ambient -> outlet" in lines[0]

    def test_chain_of_cold_junctions_that_ends_is_none(self) -> None:
        channels = {
            "outlet": {**THERMOCOUPLE, "cold_junction": "cabin"},
            "cabin": {**THERMOCOUPLE, "cold_junction": "cold_junction"},
            "cold_junction": {"unit": "degC"},
        }
        cabin = float(emf("K", 24.0) - emf("K", 20.0))
        found = calibrated(
            channels,
            {"outlet": [float(emf("K", 60.0) - emf("K", 24.0))], "cabin": [cabin],
             "cold_junction": [20.0]},
        )  # fmt: skip
        assert found.readings["outlet"] == pytest.approx([60.0], abs=1e-2)

    def test_all_faults_at_once(self) -> None:
        channels = {"outlet": {"unit": "quux"}, "ambient": {}, "cabin": {"unit": "kPa"}}
        with pytest.raises(UnusableRun) as caught:
            calibrated(channels, {point: [1.0] for point in channels})
        assert len(caught.value.faults) == 3

    def test_channel_named_in_the_setup_but_not_in_the_log(self) -> None:
        setup = setup_of({"outlet": THERMOCOUPLE, "cold_junction": {"unit": "degC"}})
        found = make_recipes(setup, {"outlet": None}, log_file="log.csv", setup_file="run.toml")
        (fault,) = found.faults
        assert "cold_junction, which has no readings" in str(fault)
