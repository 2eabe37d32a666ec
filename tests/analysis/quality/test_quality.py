"""Detectors: each fault is found where it is put, and a sound car is never accused."""

from __future__ import annotations

import csv
import dataclasses
import itertools
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.quality import all_detectors, assess
from analysis.quality.view import View, middle
from analysis.signal.blocks import runs_of
from ingest.arrays import Floats
from ingest.load.load import load_run
from ingest.run import ErrorSource, Finding, Run
from ingest.sensors.thermocouple import emf, temperature
from tests.support.signals.runs import Event, make_run, make_setup

MEASURED = Path(__file__).parents[2] / "data" / "measured"

AMBIENT = -6.0
TERMINALS = 21.0
EVENTS: Sequence[Event] = (
    (-60.0, "temp_lever", 100),
    (-60.0, "blower", 3),
    (0.0, "engine", "start"),
    (900.0, "temp_lever", 0),
    (1050.0, "temp_lever", 50),
    (1150.0, "temp_lever", 100),
)


def lever_at(time: Floats) -> Floats:
    at = [event[0] for event in EVENTS if event[1] == "temp_lever"]
    position = np.array([float(event[2]) for event in EVENTS if event[1] == "temp_lever"])
    return position[np.maximum(np.searchsorted(at, time, side="right") - 1, 0)]


def true_car(time: Floats) -> dict[str, Floats]:
    """A car cold-soaked at `AMBIENT` that warms up; the lever goes to cold and back in between."""
    running = np.maximum(time, 0.0)
    coolant = AMBIENT + (88.0 - AMBIENT) * (1.0 - np.exp(-running / 240.0))
    share = 0.62 * lever_at(time) / 100.0 + 0.01
    outlet = AMBIENT + share * (coolant - AMBIENT) + 0.4 * np.sin(running / 4.5) * (running > 0)
    # the lever's steps reach the outlet through the sensor's two seconds
    keep = np.exp(-np.diff(time, prepend=time[0] - 1.0) / 2.0)
    lagged = outlet.copy()
    for i in range(1, time.size):
        lagged[i] = outlet[i] + keep[i] * (lagged[i - 1] - outlet[i])
    return {
        "outlet": lagged,
        "ambient": np.full(time.size, AMBIENT),
        "coolant_in": coolant,
        "coolant_out": coolant - 0.09 * np.maximum(lagged - AMBIENT, 0.0),
        "engine_coolant": coolant + 0.3,
        "footwell": AMBIENT + 0.45 * (coolant - AMBIENT) * (1.0 - np.exp(-running / 500.0)),
    }


def car(
    change: Callable[[Floats, dict[str, Floats]], None] | None = None,
    *,
    seconds: float = 1500.0,
    rate: float = 2.0,
    wired: bool = True,
    noise: float = 0.05,
    decimals: int = 2,
    heater: str = "blend-air",
    extra: Mapping[str, Floats] | None = None,
) -> Run:
    """A sound log of `true_car`, then changed in place by `change`."""
    time = np.arange(-60.0, seconds, 1.0 / rate)
    random = np.random.default_rng(11)
    channels = {
        point: np.round(signal + random.normal(0.0, noise, time.size), decimals)
        for point, signal in true_car(time).items()
    }
    if wired:
        channels["cold_junction"] = np.round(TERMINALS + random.normal(0.0, 0.02, time.size), 2)
    if change is not None:
        change(time, channels)
    run = make_run(time, channels | dict(extra or {}), EVENTS, heater=heater, tolerance=1.0)
    wires = {"outlet", "ambient", "coolant_in", "coolant_out", "footwell"}
    sensors = {
        point: dataclasses.replace(
            sensor,
            kind="thermocouple" if point in wires else sensor.kind,
            cold_junction="cold_junction" if wired and point in wires else None,
            resolution=10.0**-decimals,
        )
        for point, sensor in run.sensors.items()
    }
    return run.with_(sensors=sensors)


def found(run: Run) -> list[tuple[str, str | None]]:
    """What the detectors add to what the loader found."""
    added = assess(run).findings[len(run.findings) :]
    return [(finding.fault, finding.channel) for finding in added]


def the(run: Run, fault: str) -> Finding:
    (finding,) = (each for each in assess(run).findings if each.fault == fault)
    return finding


def lost(run: Run, point: str) -> NDArray[np.bool_]:
    """Rows of a point that `assess` takes out."""
    column = run.sensors[point].column
    before, after = (np.isnan(each.readings[column].to_numpy()) for each in (run, assess(run)))
    return after & ~before


class TestSoundCars:
    @pytest.mark.parametrize("rate", [0.2, 1.0, 10.0])
    @pytest.mark.parametrize("wired", [True, False])
    @pytest.mark.parametrize(("noise", "decimals"), [(0.02, 1), (0.2, 2), (0.0, 1), (0.05, 0)])
    def test_are_not_accused(
        self,
        rate: float,
        wired: bool,  # noqa: FBT001
        noise: float,
        decimals: int,
    ) -> None:
        run = car(rate=rate, wired=wired, noise=noise, decimals=decimals)
        assert found(run) == []
        assert assess(run) is run

    def test_noise_free_logs_that_do_stand_still(self) -> None:
        def still(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][(time > 940.0) & (time < 1050.0)] = -5.1
            channels["footwell"][time > 600.0] = 31.5

        assert found(car(still, noise=0.0, decimals=1)) == []

    def test_whole_degrees_of_a_bus(self) -> None:
        def bus(time: Floats, channels: dict[str, Floats]) -> None:
            channels["engine_coolant"] = np.round(channels["engine_coolant"])
            channels["ambient"] = np.full(time.size, AMBIENT)

        assert found(car(bus)) == []

    def test_parked_and_stopped(self) -> None:
        time = np.arange(-60.0, 1500.0, 0.5)
        still = np.zeros(time.size)
        extra = {"road_speed": still, "vacuum_source": still, "engine_speed": still}
        assert found(car(extra=extra)) == []

    def test_switched_vacuum_and_fast_doors(self) -> None:
        time = np.arange(-60.0, 1500.0, 0.5)
        vacuum = 55.0 * ((time // 40.0) % 2)

        def door(time: Floats, channels: dict[str, Floats]) -> None:
            flap = ((time // 25.0) % 2).astype(bool) & (time > 400.0)
            channels["outlet"][flap] = AMBIENT + 0.05 * (channels["outlet"][flap] - AMBIENT)

        assert found(car(door, extra={"vacuum_source": vacuum})) == []

    def test_fluctuating_outlet(self) -> None:
        def wave(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"] += 6.0 * np.sin(2 * np.pi * time / 25.0) * (time > 300.0)

        assert found(car(wave)) == []

    def test_cold_leaking_heater_with_its_lever_disconnected(self) -> None:
        """A heater that never warms is the heater's fault, not its sensors'."""

        def cold(time: Floats, channels: dict[str, Floats]) -> None:
            rise = 0.06 * (channels["coolant_in"] - AMBIENT)
            channels["outlet"] = np.round(AMBIENT + 0.3 + rise, 2)
            for heated in {"footwell", "cabin"} & set(channels):
                channels[heated] = np.round(AMBIENT + 0.2 + 0.8 * rise, 2)

        assert found(car(cold)) == []

    def test_air_conditioner_below_the_air_outside(self) -> None:
        def cooled(time: Floats, channels: dict[str, Floats]) -> None:
            lever_cold = lever_at(time) < 10.0
            for point in channels:
                if point != "cold_junction":
                    channels[point] += 36.0
            channels["outlet"][lever_cold] = np.round(9.0 + 0.05 * np.sin(time[lever_cold]), 2)

        assert found(car(cooled, heater="combined")) == []

    def test_short_and_empty_runs(self) -> None:
        short = make_run(np.arange(5.0), {"outlet": np.arange(5.0)})
        assert found(short) == []
        one = make_run(np.zeros(1), {"outlet": np.zeros(1)})
        assert assess(one) is one

    @pytest.mark.parametrize(
        "log", sorted((MEASURED / "coolant-warmups").glob("*.csv")), ids=lambda log: log.stem
    )
    def test_measured_drives(self, log: Path, tmp_path: Path) -> None:
        channels = {"engine_coolant": 2, "engine_speed": 4, "road_speed": 5, "ambient": 9}
        run = load_measured(tmp_path, log, channels, 'time = { column = 1, unit = "hh:mm:ss" }')
        assert {fault for fault, _ in found(run)} <= {"gap"}

    def test_measured_pressure_holds(self, tmp_path: Path) -> None:
        for letter in "abc":
            log = MEASURED / "pressure-hold" / f"chamber-{letter}.csv"
            keys = 'header = false\ntime = { column = 1, unit = "ms" }'
            run = load_measured(tmp_path / letter, log, {"vacuum_source": 3}, keys, unit="bar")
            assert found(run) == []


def load_measured(
    folder: Path, log: Path, channels: Mapping[str, int | str], keys: str, *, unit: str = ""
) -> Run:
    folder.mkdir(exist_ok=True)
    lines = ['[run]\nvehicle = "SC-001"\n[log]\nfile = "log.csv"', keys]
    for point, column in channels.items():
        lines.append(f"[channels.{point}]\ncolumn = {column!r}".replace("'", '"'))
        lines.append(f'unit = "{unit}"\nreference = "gauge"' if unit else "")
    (folder / "run.toml").write_text("\n".join(lines), encoding="utf-8")
    (folder / "log.csv").write_bytes(log.read_bytes())
    return load_run(folder)


class TestMeasuredFaults:
    def test_garbage_channels_of_the_long_log(self, tmp_path: Path) -> None:
        log = MEASURED / "long-layout" / "trip-1.csv"
        keys = 'layout = "long"\nname = "PID"\nvalue = "VALUE"\nunit = "UNITS"\n'
        keys += 'time = { column = "SECONDS", unit = "s" }'
        run = load_measured(tmp_path, log, {"engine_coolant": "Engine coolant temperature"}, keys)
        judged = assess(run)
        assert not judged.has("engine_coolant")
        assert "garbage" in {finding.fault for finding in judged.findings}

    def test_sound_channel_of_the_other_long_log(self, tmp_path: Path) -> None:
        log = MEASURED / "long-layout" / "trip-2.csv"
        keys = 'layout = "long"\nname = "PID"\nvalue = "VALUE"\nunit = "UNITS"\n'
        keys += 'time = { column = "SECONDS", unit = "s" }'
        run = load_measured(tmp_path, log, {"engine_coolant": "Engine coolant temperature"}, keys)
        assert {fault for fault, _ in found(run)} <= {"gap"}

    def test_dead_channels_of_the_thermocouple_array(self, tmp_path: Path) -> None:
        log = MEASURED / "thermocouple-arrays" / "array-1.csv"
        with log.open(encoding="utf-8") as file:
            rows = list(csv.reader(file))
        channels = {f"c{number}": number for number in range(2, 120)}
        keys = 'no_reading = ["999.0"]\ntime = { column = 1, unit = "s" }'
        run = load_measured(tmp_path, log, channels, keys)
        always_zero = {
            f"c{number}"
            for number in range(2, 120)
            if {float(row[number - 1]) for row in rows[1:]} <= {0.0, 999.0}
        }
        named = {channel for fault, channel in found(run) if fault == "dead"}
        assert named == always_zero
        assert len(named) >= 2


class TestReadings:
    def test_open_wire_at_the_end_of_its_range(self) -> None:
        def broken(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][(time > 700.0) & (time < 760.0)] = 1372.0

        run = car(broken)
        finding = the(run, "open")
        assert (finding.channel, finding.forbids) == ("outlet", True)
        assert (finding.from_s, finding.to_s) == (700.5, 759.5)
        assert lost(run, "outlet").sum() == 119

    @pytest.mark.parametrize(("of_60_s", "fault"), [(15.0, "open"), (5.0, "gap")])
    def test_a_wire_that_opens_again_and_again(self, of_60_s: float, fault: str) -> None:
        """A quarter of the outlet's readings are gone in pieces while the others are read."""

        def shaken(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][(time > 700.0) & (time % 60.0 < of_60_s)] = np.nan

        run = car(shaken)
        assert the(run, fault).channel == "outlet"

    def test_open_wire_without_readings(self) -> None:
        def silent(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][time > 700.0] = np.nan

        finding = the(car(silent), "open")
        assert (finding.channel, finding.from_s, finding.to_s) == ("outlet", 700.0, 1499.5)
        assert not finding.forbids

    def test_mostly_absurd_channel_is_rejected(self) -> None:
        def wild(time: Floats, channels: dict[str, Floats]) -> None:
            channels["coolant_in"][time > 300.0] = 215.0

        assert not assess(car(wild)).has("coolant_in")

    @pytest.mark.parametrize(("share", "left"), [(0.46, True), (0.52, False)])
    def test_a_channel_is_believed_while_most_of_it_is_possible(
        self, share: float, *, left: bool
    ) -> None:
        def wild(time: Floats, channels: dict[str, Floats]) -> None:
            channels["coolant_in"][: round(share * time.size)] = 215.0

        assert assess(car(wild)).has("coolant_in") == left

    def test_isolated_absurd_readings(self) -> None:
        def wild(time: Floats, channels: dict[str, Floats]) -> None:
            channels["engine_coolant"][[500, 900]] = 215.0

        run = car(wild)
        assert found(run) == [("absurd", "engine_coolant")]
        assert np.flatnonzero(lost(run, "engine_coolant")).tolist() == [500, 900]

    def test_spikes_are_taken_out_and_nothing_else(self) -> None:
        at = [400, 700, 701, 1500]

        def spark(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][at] += 25.0
            channels["ambient"][600] -= 12.0

        run = car(spark)
        assert set(found(run)) == {("spikes", "outlet"), ("spikes", "ambient")}
        assert np.flatnonzero(lost(run, "outlet")).tolist() == at

    @pytest.mark.parametrize(("width", "spikes"), [(1, True), (3, True), (4, False)])
    def test_a_spike_is_three_readings_at_most(self, width: int, *, spikes: bool) -> None:
        def spark(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][700 : 700 + width] += 25.0

        assert (("spikes", "outlet") in found(car(spark))) == spikes

    def test_gaps_of_the_log_and_of_a_channel(self) -> None:
        def silent(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][(time > 310.0) & (time < 318.0)] = np.nan
            channels["outlet"][(time > 410.0) & (time < 420.0)] = np.nan

        run = car(silent)
        finding = the(run, "gap")
        assert (finding.channel, finding.from_s, finding.to_s) == ("outlet", 410.0, 420.0)
        assert finding.evidence["count"] == 2
        rows = (run.readings["time_s"] < 500.0) | (run.readings["time_s"] > 620.0)
        cut = car().with_(readings=car().readings.filter(rows))
        assert [(f.fault, f.channel) for f in assess(cut).findings] == [("gap", None)]

    def test_random_numbers_are_garbage(self) -> None:
        random = np.random.default_rng(3)

        def noise(time: Floats, channels: dict[str, Floats]) -> None:
            channels["engine_coolant"] = np.round(random.uniform(-40.0, 140.0, time.size))

        run = car(noise)
        assert found(run) == [("garbage", "engine_coolant")]
        assert not assess(run).has("engine_coolant")

    def test_loose_contact_is_garbage(self) -> None:
        random = np.random.default_rng(3)

        def loose(time: Floats, channels: dict[str, Floats]) -> None:
            bursts = np.repeat(random.random(time.size // 12 + 1) < 0.4, 12)[: time.size]
            channels["outlet"][bursts] += random.normal(0.0, 25.0, int(bursts.sum()))

        assert ("garbage", "outlet") in found(car(loose))

    def test_noise(self) -> None:
        random = np.random.default_rng(3)

        def buzz(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"] += random.normal(0.0, 1.6, time.size)

        run = car(buzz)
        assert found(run) == [("noisy", "outlet")]
        assert the(run, "noisy").evidence["noise_K"] == pytest.approx(1.6, rel=0.1)
        assert not lost(run, "outlet").any()

    def test_cut_off_at_the_end_of_the_range(self) -> None:
        random = np.random.default_rng(3)

        def clip(time: Floats, channels: dict[str, Floats]) -> None:
            wave = 2.0 * np.sin(2 * np.pi * time / 300.0) * (time > 300.0)
            wave += random.normal(0.0, 0.15, time.size)
            channels["outlet"] = np.minimum(np.round(channels["outlet"] + wave, 2), 45.0)

        run = car(clip)
        assert found(run) == [("clipped", "outlet")]
        readings = run.readings["outlet_degC"].to_numpy()
        assert (readings[lost(run, "outlet")] == 45.0).all()

    def test_dead_and_empty_channels(self) -> None:
        def dead(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][:] = 0.0
            channels["footwell"][:] = np.nan

        run = car(dead)
        assert set(found(run)) == {("dead", "outlet"), ("empty", "footwell")}
        assert not assess(run).has("outlet")


class TestStandingStill:
    def test_stuck_while_the_coolant_warms(self) -> None:
        random = np.random.default_rng(3)

        def stuck(time: Floats, channels: dict[str, Floats]) -> None:
            after = time > 150.0
            channels["outlet"][after] = np.round(
                true_car(time)["outlet"][~after][-1] + random.normal(0, 0.05, int(after.sum())), 2
            )

        run = car(stuck)
        finding = the(run, "stuck")
        assert (finding.channel, finding.forbids) == ("outlet", True)
        assert finding.from_s == pytest.approx(150.0, abs=15.0)
        assert finding.to_s == 1499.5

    def test_stuck_while_the_lever_moves(self) -> None:
        random = np.random.default_rng(3)

        def stuck(time: Floats, channels: dict[str, Floats]) -> None:
            after = time > 850.0
            level = true_car(time)["outlet"][~after][-1]
            channels["outlet"][after] = level + random.normal(0, 0.05, int(after.sum()))

        assert ("stuck", "outlet") in found(car(stuck))

    def test_stuck_while_the_hose_at_the_core_goes_cold(self) -> None:
        """Behind a shut valve the water gives its heat to the air (heat balance); the thermostat
        holds the engine as it was."""
        random = np.random.default_rng(3)

        def stuck(time: Floats, channels: dict[str, Floats]) -> None:
            after = time > 900.0
            level = channels["outlet"][~after][-1]
            channels["outlet"][after] = level + random.normal(0, 0.05, int(after.sum()))
            channels["coolant_in"][after] -= np.minimum(0.1 * (time[after] - 900.0), 40.0)

        def no_lever(run: Run) -> Run:
            return run.with_(controls=run.controls.filter(run.controls["control"] != "temp_lever"))

        assert ("stuck", "outlet") in found(no_lever(car(stuck)))

    def test_frozen_number(self) -> None:
        def frozen(time: Floats, channels: dict[str, Floats]) -> None:
            channels["footwell"][800:1400] = channels["footwell"][800]

        run = car(frozen)
        assert found(run) == [("stuck", "footwell")]
        assert np.flatnonzero(lost(run, "footwell"))[[0, -1]].tolist() == [800, 1399]

    def test_channels_that_stop_in_the_same_moment(self) -> None:
        """One hung module; the last reading stands to the end of the log, at any temperature."""

        def hung(time: Floats, channels: dict[str, Floats]) -> None:
            for point in ("engine_coolant", "coolant_in", "coolant_out"):
                channels[point][time > 500.0] = channels[point][time > 500.0][0]

        run = car(hung)
        assert {point for _, point in found(run)} == {"engine_coolant", "coolant_in", "coolant_out"}
        assert np.flatnonzero(lost(run, "coolant_out"))[0] == pytest.approx(
            np.searchsorted(run.readings["time_s"].to_numpy(), 500.0), abs=2
        )

    def test_a_coolant_that_stands_still_below_its_outlet(self) -> None:
        """No air leaves a heater hotter than its coolant: it need not be seen beside another."""

        def hung(time: Floats, channels: dict[str, Floats]) -> None:
            after = time > 150.0
            channels["engine_coolant"][after] = np.round(channels["engine_coolant"][after][0])
            for point in ("coolant_in", "coolant_out"):
                channels[point][:] = np.nan

        assert ("stuck", "engine_coolant") in found(car(hung))

    def test_whole_degrees_at_the_thermostat_did_not_freeze(self) -> None:
        def coarse(time: Floats, channels: dict[str, Floats]) -> None:
            for point in ("engine_coolant", "coolant_in", "coolant_out"):
                channels[point] = np.round(channels[point])

        assert "froze_together" not in {fault for fault, _ in found(car(coarse))}

    def test_thermostat_and_cold_end_are_not_stuck(self) -> None:
        def held(time: Floats, channels: dict[str, Floats]) -> None:
            channels["engine_coolant"] = np.minimum(channels["engine_coolant"], 70.0)

        assert ("stuck", "engine_coolant") not in found(car(held))


def misread(true: Floats, wire: str, *, stated: str = "K") -> Floats:
    """What a logger shows that takes a wire of one type for another."""
    volts = emf(wire, true) - emf(wire, TERMINALS)  # type: ignore[arg-type]
    return temperature(stated, volts, TERMINALS)  # type: ignore[arg-type]


class TestWiring:
    @pytest.mark.parametrize("wired", [True, False])
    @pytest.mark.parametrize("point", ["outlet", "coolant_in", "footwell"])
    def test_reversed(self, point: str, wired: bool) -> None:  # noqa: FBT001
        def swap(time: Floats, channels: dict[str, Floats]) -> None:
            channels[point] = np.round(2.0 * TERMINALS - channels[point], 2)

        run = car(swap, wired=wired)
        # a mirrored coolant may go where no reading can be
        assert {fault for fault, channel in found(run) if channel == point} <= {
            "reversed", "open", "absurd"
        }  # fmt: skip
        assert not assess(run).has(point)
        assert {channel for _, channel in found(run)} == {point}

    def test_reversed_air_sensor_is_told_by_the_cold_car(self) -> None:
        def swap(time: Floats, channels: dict[str, Floats]) -> None:
            channels["ambient"] = np.round(2.0 * TERMINALS - channels["ambient"], 2)

        assert found(car(swap)) == [("reversed", "ambient")]

    def test_shorted_with_its_cold_junction_logged(self) -> None:
        def short(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"] = np.round(TERMINALS + 0.02 * (channels["outlet"] - TERMINALS), 2)

        assert found(car(short)) == [("shorted", "outlet")]

    def test_shorted_with_its_cold_junction_unknown(self) -> None:
        def short(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"] = np.round(TERMINALS + 1.5 * np.sin(time / 300.0), 2)

        assert found(car(short, wired=False)) == [("shorted", "outlet")]

    @pytest.mark.parametrize("air", [-TERMINALS, -20.0, -5.0])
    def test_how_far_the_terminals_are_from_the_air_counts_not_their_signs(
        self, air: float
    ) -> None:
        """As many degrees above freezing as the air is below it: apart by twice as much."""

        def short(time: Floats, channels: dict[str, Floats]) -> None:
            for point in channels:
                channels[point] = channels[point] + (air - AMBIENT)
            channels["outlet"] = np.round(TERMINALS + 0.5 * np.sin(time / 300.0), 2)

        assert ("shorted", "outlet") in found(car(short, wired=False))

    @pytest.mark.parametrize(("wire", "stated"), [("J", "K"), ("T", "K"), ("K", "J")])
    def test_wrong_type(self, wire: str, stated: str) -> None:
        def wrong(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"] = np.round(misread(channels["outlet"], wire, stated=stated), 2)

        run = car(wrong)
        setup = make_setup(points=tuple(run.sensors))
        table = setup.channels["outlet"].model_copy(update={"type": stated})
        setup = setup.model_copy(update={"channels": {**setup.channels, "outlet": table}})
        # a T reads like a K in the cold: only J and E are told for sure
        told = found(run.with_(setup=setup))
        if wire == "T":
            assert told == []
        else:
            assert told == [("wrong_type", "outlet")]
            assert the(run.with_(setup=setup), "wrong_type").evidence["fits"] == wire

    def test_cold_junction_drift(self) -> None:
        def warm(time: Floats, channels: dict[str, Floats]) -> None:
            channels["cold_junction"] += 18.0 * (1.0 - np.exp(-np.maximum(time, 0.0) / 600.0))

        assert found(car(warm)) == [("cold_junction_drift", "cold_junction")]


class TestExchanged:
    def test_outlet_and_ambient(self) -> None:
        def swap(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"], channels["ambient"] = channels["ambient"], channels["outlet"]

        run = car(swap)
        assert set(found(run)) == {("swapped", "outlet"), ("swapped", "ambient")}
        assert not assess(run).has("outlet")

    def test_reversed_hoses_are_a_finding_and_no_fault(self) -> None:
        def swap(time: Floats, channels: dict[str, Floats]) -> None:
            channels["coolant_in"], channels["coolant_out"] = (
                channels["coolant_out"], channels["coolant_in"]
            )  # fmt: skip

        run = car(swap)
        assert found(run) == [("supply_cooler", "coolant_in")]
        assert assess(run).readings.equals(run.readings)


class TestClock:
    def test_drifting_interval(self) -> None:
        steps = 0.5 * np.linspace(1.0, 1.03, 4000)
        time = np.cumsum(steps)
        run = make_run(time, {"outlet": 20.0 + 0.01 * np.arange(4000.0) % 7})
        finding = the(run, "clock_drift")
        assert finding.evidence["late_s"] == pytest.approx(0.515, rel=2e-3)
        assert finding.channel is None

    def test_jitter_is_no_drift(self) -> None:
        random = np.random.default_rng(4)
        time = np.cumsum(random.uniform(0.06, 0.1, 4000) * np.linspace(1.0, 1.02, 4000))
        run = make_run(time, {"outlet": 20.0 + 0.01 * np.arange(4000.0) % 7})
        assert "clock_drift" not in {fault for fault, _ in found(run)}


class TestPackage:
    def test_registry_knows_every_module_once_and_in_order(self) -> None:
        names = [each.name for each in all_detectors()]
        assert len(set(names)) == len(names) >= 14
        orders = [each.order for each in all_detectors()]
        assert orders == sorted(orders)

    def test_findings_of_the_loader_come_first_and_stay(self) -> None:
        def spark(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][400] += 25.0

        earlier = Finding("from_the_loader", "said before")
        run = car(spark).with_(findings=(earlier,))
        assert assess(run).findings[0] is earlier
        assert assess(run).findings[1].fault == "spikes"

    def test_the_run_given_is_left_alone(self) -> None:
        def spark(time: Floats, channels: dict[str, Floats]) -> None:
            channels["outlet"][400] += 25.0

        run = car(spark)
        before = run.readings.clone()
        assess(run)
        assert run.readings.equals(before)

    def test_every_finding_that_forbids_took_readings_out(self) -> None:
        for change in CHANGES:
            run = car(change)
            for finding in assess(run).findings:
                if finding.forbids:
                    assert finding.channel is not None
                    assert lost(run, finding.channel).any()


def _scale(time: Floats, channels: dict[str, Floats]) -> None:
    channels["outlet"] *= 40.0


def _freeze(time: Floats, channels: dict[str, Floats]) -> None:
    channels["coolant_in"][200:] = 5.0


def _forget(time: Floats, channels: dict[str, Floats]) -> None:
    channels["coolant_in"][:] = np.nan
    channels["ambient"][1000:] = np.nan


CHANGES: list[Callable[[Floats, dict[str, Floats]], None]] = [_scale, _freeze, _forget]


def test_helpers() -> None:
    assert runs_of(np.array([True, True, False, True])) == [(0, 2), (3, 4)]
    assert runs_of(np.zeros(3, dtype=bool)) == []
    assert middle(np.array([np.nan, 3.0, 1.0])) == 2.0
    assert np.isnan(middle(np.array([np.nan])))


def test_bins_are_means_of_valid_readings() -> None:
    time = np.array([0.0, 0.4, 0.9, 1.1, 3.2, 3.3])
    view = View(make_run(time, {"outlet": np.array([1.0, 2.0, np.nan, 4.0, 5.0, 7.0])}))
    assert view.bin_time.tolist() == [0.5, 1.5, 2.5, 3.5]
    assert view.means("outlet").tolist()[:2] == [1.5, 4.0]
    assert np.isnan(view.means("outlet")[2])
    assert view.means("outlet")[3] == 6.0
    assert view.largest_step("outlet") == 2.0


def test_noise_estimate_ignores_ramps_steps_and_spikes() -> None:
    random = np.random.default_rng(2)
    signal = np.linspace(0.0, 90.0, 3000) + random.normal(0.0, 0.2, 3000)
    signal[1500:] += 30.0
    signal[[100, 900]] += 50.0
    view = View(make_run(np.arange(3000.0), {"outlet": signal}))
    assert view.noise("outlet") == pytest.approx(0.2, rel=0.12)


@given(data=st.data())
def test_any_numbers_are_assessed_without_a_crash(data: Any) -> None:
    size = data.draw(st.integers(2, 60))
    number = st.floats(-300.0, 2000.0) | st.just(float("nan")) | st.integers(-40, 215).map(float)
    points = ["outlet", "ambient", "coolant_in", "coolant_out", "engine_coolant", "cold_junction"]
    channels = {
        point: np.array(data.draw(st.lists(number, min_size=size, max_size=size)))
        for point in points
    }
    steps = data.draw(st.lists(st.floats(1e-3, 900.0), min_size=size, max_size=size))
    run = make_run(np.array(list(itertools.accumulate(steps))) - 50.0, channels)
    sensors = {
        point: dataclasses.replace(
            sensor,
            kind="thermocouple",
            cold_junction="cold_junction",
            errors=(ErrorSource(f"tolerance of {point}", 1.0),),
        )
        for point, sensor in run.sensors.items()
    }
    judged = assess(run.with_(sensors=sensors))
    assert judged.readings.shape == run.readings.shape
