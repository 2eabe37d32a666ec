"""Plans for parts on the bench, led through from first to last step."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import get_args

import pytest

from ingest.record import plans
from ingest.record.said import cautions_for
from ingest.record.test_plan import Plan, bench_plan_text, parse_plan
from ingest.record.test_progress import GO, PlanRun
from ingest.setup.model import BenchPart, BenchReference, BenchTable, parse_setup

PLANS = Path(plans.__file__).parent
BENCHES = [
    *(BenchTable(part=part) for part in get_args(BenchPart) if part != "sensors"),
    *(BenchTable(part="sensors", reference=each) for each in get_args(BenchReference)),
]


def plan_of(bench: BenchTable) -> Plan:
    return parse_plan(bench_plan_text(bench))


def events_of(plan: Plan) -> list[tuple[float, str, str]]:
    """What is noted where somebody presses Done as soon as it is asked for."""
    run, found, stands = PlanRun(plan), [], {}
    for tick in range(4000):
        told = run.advance(float(tick), {"vacuum_actuator": 50.0}, {}, [], stands=stands)
        if told.waits_for_key:
            told = run.advance(float(tick), {}, {}, [GO], stands=stands)
        for move in told.moves:
            found.append((move.when, move.control, move.position))
            stands[move.control] = move.position
        if told.finished:
            return found
    raise AssertionError("the plan never ends")


@pytest.mark.parametrize("bench", BENCHES, ids=lambda each: f"{each.part} {each.reference or ''}")
def test_every_part_has_a_plan_with_cautions_that_ends(bench: BenchTable) -> None:
    plan = plan_of(bench)
    assert plan.cautions
    assert events_of(plan) is not None
    text = " ".join(plan.cautions).lower()
    if bench.part == "thermostat" or bench.reference == "boiling":
        assert "scald" in text
    if bench.part in ("thermostat", "actuator", "check valve", "line", "vacuum switch"):
        assert "ignition off" in text
        assert "fan" in text


def test_a_thermostat_is_noted_twice_with_water_logged_around_it() -> None:
    events = events_of(plan_of(BenchTable(part="thermostat")))
    assert [control for _, control, _ in events] == ["opens", "full_open"]
    assert events[1][0] - events[0][0] >= 30.0


def test_the_switch_is_led_up_and_down() -> None:
    events = events_of(plan_of(BenchTable(part="vacuum switch")))
    levers = [float(position) for _, control, position in events if control == "temp_lever"]
    assert levers == [*range(0, 101, 5), *range(95, -1, -5)]


def test_each_hose_is_held_after_its_note() -> None:
    events = events_of(plan_of(BenchTable(part="line")))
    controls = [control for _, control, _ in events]
    assert controls == ["note", "vacuum_isolated", "vacuum_isolated"] * 4
    assert all(events[at + 2][0] - events[at + 1][0] >= 60.0 for at in range(0, len(events), 3))


def test_cautions_are_the_benchs_own() -> None:
    text = '[run]\nvehicle = "b"\npurpose = "bench"\n[log]\nfile = "log.csv"\n[bench]\n'
    told = cautions_for(parse_setup(text + 'part = "thermostat"'))
    assert not [line for line in told if "driver" in line]
    assert [line for line in told if "Boiling" in line]


@pytest.mark.parametrize("file", sorted(PLANS.glob("*.toml")), ids=lambda each: each.stem)
def test_what_is_said_fits_four_lines_of_a_small_terminal(file: Path) -> None:
    """Sixty columns; what is longer would be cut."""
    for step in parse_plan(file.read_text(encoding="utf-8")).steps:
        for text in (step.do, f"caution: {step.caution or ''}"):
            assert len(textwrap.wrap(text, 60, subsequent_indent="  ")) <= 4, step.name
