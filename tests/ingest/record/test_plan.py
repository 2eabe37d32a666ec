from __future__ import annotations

import os
from pathlib import Path

import pytest

from ingest.errors import UnusableRun
from ingest.points import CONTROLS
from ingest.record.test_plan import Place, Plan, parse_plan, read_plan
from ingest.setup.model import Heater
from tests.support.loggers import usual_plan

HEATERS: tuple[Heater, ...] = ("blend-air", "water-valve", "combined")
HEAD = '[plan]\nname = "short"\n'


def faults_of(text: str) -> list[str]:
    with pytest.raises(UnusableRun) as caught:
        parse_plan(text)
    return [str(fault) for fault in caught.value.faults]


def step(body: str) -> str:
    return f'{HEAD}[[step]]\nname = "hold"\ndo = "Wait."\n{body}\n'


@pytest.mark.parametrize("place", ["yard", "road"])
@pytest.mark.parametrize("heater", HEATERS)
def test_usual_plans_do_the_whole_job(heater: Heater, place: Place) -> None:
    plan = usual_plan(heater, place)
    assert plan.heater == heater
    controls = [(control, at) for each in plan.steps for control, at in each.set.items()]
    levers = [float(at) for control, at in controls if control == "temp_lever"]
    # cold soak with the engine off comes first, at full hot
    assert plan.steps[0].set["temp_lever"] == "100"
    assert "engine" not in plan.steps[0].set
    assert plan.steps[0].until is not None
    assert plan.steps[0].until.time_s == 75.0
    assert controls.index(("engine", "start")) > 0
    # the lever visits every tenth of its travel downwards and upwards, then two steps end to end
    assert levers[1:11] == [90.0, 80.0, 70.0, 60.0, 50.0, 40.0, 30.0, 20.0, 10.0, 0.0]
    assert levers[11:21] == [10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0]
    assert levers[21:] == [0.0, 100.0]
    assert ("mode", "defrost") in controls
    assert ("vacuum_isolated", "1") in controls
    assert ("vacuum_isolated", "0") in controls
    assert controls[-1] == ("engine", "stop")
    assert {control for control, _ in controls} <= set(CONTROLS)


def dwell_s(plan: Plan) -> float:
    found = next(each for each in plan.steps if each.name.startswith("lever down"))
    assert found.until is not None
    assert found.until.time_s is not None
    return found.until.time_s


def test_dwell_suits_the_layout() -> None:
    # common practice, no source: a blend door answers within half a minute, a core behind its
    # valve takes a minute or more
    assert 20 <= dwell_s(usual_plan("blend-air")) <= 30
    assert 60 <= dwell_s(usual_plan("water-valve")) <= 90
    assert 20 <= dwell_s(usual_plan("combined")) <= 90


def test_steps_without_their_sensor_are_left_out() -> None:
    plan = usual_plan("blend-air", "road")
    kept = plan.for_points(frozenset({"outlet", "ambient"}))
    assert len(kept.steps) == len(plan.steps) - 3  # other speed, leak-down and its end
    assert plan.for_points(frozenset({"vacuum_source", "road_speed"})).steps == plan.steps


def test_a_sweep_ends_where_it_says() -> None:
    plan = parse_plan(
        HEAD + '[[step]]\nname = "down"\ndo = "Lever to {position} %."\n'
        'set = { mode = "floor" }\n'
        'sweep = { control = "temp_lever", from = 100, to = 0, by = 30, dwell_s = 20 }\n'
    )
    assert [each.set["temp_lever"] for each in plan.steps] == ["100", "70", "40", "10", "0"]
    assert plan.steps[2].do == "Lever to 40 %."
    assert plan.steps[2].name == "down (3 of 5)"
    assert "mode" in plan.steps[0].set
    assert "mode" not in plan.steps[1].set


@pytest.mark.parametrize(
    ("body", "part"),
    [
        ("", "until"),
        ("until = {}", "a condition"),
        ("until = { time_s = -1 }", "time_s"),
        ("until = { enough = { figure = 'x', u = 0 }, time_s = 1 }\ntimeout_s = 5", "enough u"),
        ("until = { steady = { point = 'outlt', within = 1 } }\ntimeout_s = 5", "outlet"),
        ("until = { steady = { point = 'outlet', within = 1 } }", "timeout_s"),
        ("until = { any = [{ enough = { figure = 'x', u = 1 } }] }", "timeout_s"),
        ("until = { time_s = 5 }\nset = { temp_lever = 120 }", "0 to 100"),
        ("until = { time_s = 5 }\nset = { lever = 20 }", "temp_lever"),
        ("until = { time_s = 5 }\nset = { mode = 'upwards' }", "mode is one of"),
        ("until = { time_s = 5 }\nneeds = ['vacum']", "vacuum_source"),
        ("until = { time_s = 5 }\nhold = true", "an unknown key"),
        ("until = { time_s = nan }", "time_s"),
        (
            "confirm = true\n"
            "sweep = { control = 'defrost', from = 0, to = 9, by = 1, dwell_s = 9 }",
            "either a sweep",
        ),
    ],
)
def test_mistakes_are_named(body: str, part: str) -> None:
    found = faults_of(step(body))
    assert len(found) == 1
    assert found[0].startswith("plan.toml step 1 (hold)")
    assert part in found[0]


def test_every_mistake_is_one_line() -> None:
    found = faults_of(
        HEAD + '[[step]]\nname = "a"\n[[step]]\ndo = "b"\nuntil = { time_s = "soon" }\n'
    )
    assert len(found) == 3
    assert [line.split(":")[0] for line in found] == [
        "plan.toml step 1 (a) do",
        "plan.toml step 2 name",
        "plan.toml step 2 until time_s",
    ]


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("[plan", "not TOML"),
        (HEAD, "plan.toml step: found nothing"),
        ("step = []\n" + HEAD, "at least one"),
        ("step = 3\n" + HEAD, "plan.toml step: found 3"),
        ('[[step]]\nname = "a"\ndo = "b"\nconfirm = true\n', "plan.toml plan"),
        (
            HEAD + '[[step]]\nname = "a"\ndo = "b"\nsweep = { control = "temp_lever", from = 0, '
            "to = 100, by = 0.1, dwell_s = 5 }\n",
            "1001 steps",
        ),
        (step("until = " + "{ all = [" * 40 + "{ time_s = 1 }" + "] }" * 40), "deep"),
    ],
)
def test_a_file_that_is_no_plan(text: str, part: str) -> None:
    assert part in "\n".join(faults_of(text))


def test_a_plan_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(UnusableRun, match="no readable text"):
        read_plan(tmp_path / "none.toml")
    (tmp_path / "p.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UnusableRun, match="not UTF-8"):
        read_plan(tmp_path / "p.toml")
    (tmp_path / "big.toml").write_bytes(b"#" * (2 << 20))
    with pytest.raises(UnusableRun, match="expected a test plan"):
        read_plan(tmp_path / "big.toml")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.toml")  # nobody will ever write into it
        with pytest.raises(UnusableRun, match="a pipe"):
            read_plan(tmp_path / "pipe.toml")
    (tmp_path / "good.toml").write_text(step("until = { time_s = 5 }"), encoding="utf-8-sig")
    assert read_plan(tmp_path / "good.toml").name == "short"
