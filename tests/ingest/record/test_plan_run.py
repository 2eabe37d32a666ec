from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from ingest.record.test_plan import Place, Plan, parse_plan
from ingest.record.test_progress import (
    AGAIN,
    BACK,
    COUNT,
    GO,
    NEXT,
    REDO,
    Instruction,
    Move,
    PlanRun,
)
from ingest.setup.model import Heater
from tests.support.loggers import usual_plan

HEAD = '[plan]\nname = "short"\n'


def plan_run(*bodies: str, points: frozenset[str] | None = None) -> PlanRun:
    steps = "".join(
        f'[[step]]\nname = "s{at}"\ndo = "Do {at}."\n{body}\n'
        for at, body in enumerate(bodies, start=1)
    )
    return PlanRun(parse_plan(HEAD + steps), points)


def drive(
    run: PlanRun,
    until_s: float,
    outlet: Callable[[float], float | None] = lambda _: None,
    *,
    start: float = 0.0,
) -> Instruction:
    """Seconds of driving in a moment; the last instruction."""
    now, found = start, None
    while now <= until_s:
        value = outlet(now)
        found = run.advance(now, {} if value is None else {"outlet": value}, {})
        now += 0.5
    assert found is not None
    return found


def test_a_step_makes_its_events_once_when_it_begins() -> None:
    run = plan_run('set = { temp_lever = 100, mode = "floor" }\nuntil = { time_s = 10 }')
    waiting = run.advance(1.0, {}, {})
    assert waiting.waits_for_key
    assert waiting.moves == ()
    first = run.advance(3.0, {}, {}, [GO])
    assert [(m.control, m.position, m.when) for m in first.moves] == [
        ("temp_lever", "100", 3.0),
        ("mode", "floor", 3.0),
    ]
    assert run.advance(4.0, {}, {}).moves == ()


def test_time_counts_down_and_moves_on() -> None:
    run = plan_run("until = { time_s = 10 }", "until = { time_s = 5 }")
    found = run.advance(100.0, {}, {})
    assert (found.number, found.count, found.remaining_s) == (1, 2, 10.0)
    assert found.following == "Do 2."
    assert run.advance(104.0, {}, {}).remaining_s == 6.0
    assert run.advance(110.0, {}, {}).number == 2
    done = run.advance(115.0, {}, {})
    assert done.finished
    assert "done" in done.do


def test_a_step_that_waits_for_the_key_begins_with_it() -> None:
    run = plan_run('confirm = true\nset = { engine = "start" }\nuntil = { time_s = 5 }')
    waiting = run.advance(0.0, {}, {})
    assert waiting.waits_for_key
    assert waiting.moves == ()
    assert run.advance(60.0, {}, {}).waits_for_key
    begun = run.advance(61.5, {}, {}, [GO])
    assert [(m.control, m.position, m.when) for m in begun.moves] == [("engine", "start", 61.5)]
    assert begun.remaining_s == 5.0
    assert run.advance(66.5, {}, {}).finished


def test_a_key_where_no_step_waits_changes_nothing_and_says_so() -> None:
    run = plan_run("until = { time_s = 5 }")
    run.advance(0.0, {}, {})
    found = run.advance(1.0, {}, {}, [GO])
    assert found.remaining_s == 4.0
    assert "Nothing waits for Done" in found.warnings[-1]


def test_a_control_that_already_stands_there_needs_no_key() -> None:
    run = plan_run("set = { blower = 4 }\nuntil = { time_s = 5 }")
    found = run.advance(0.0, {}, {}, stands={"blower": "4"})
    assert (found.waits_for_key, found.moves, found.remaining_s) == (False, (), 5.0)


def test_the_count_ends_with_the_move() -> None:
    run = plan_run("set = { temp_lever = 50 }\nuntil = { time_s = 5 }")
    run.advance(0.0, {}, {})
    assert run.advance(10.0, {}, {}, [COUNT]).counting == 3
    assert run.advance(11.2, {}, {}).counting == 2
    assert run.advance(12.4, {}, {}).counting == 1
    found = run.advance(13.3, {}, {})
    assert found.moves == (Move("temp_lever", "50", 13.0),)
    assert found.counting is None


def test_begun_anew_left_out_and_done_later() -> None:
    run = plan_run("set = { blower = 4 }\nuntil = { time_s = 5 }", "until = { time_s = 5 }")
    run.advance(0.0, {}, {}, [GO])
    stands = {"blower": "4"}
    again = run.advance(3.0, {}, {}, [AGAIN], stands=stands)
    assert again.remaining_s == 5.0
    assert again.moves == ()
    found = run.advance(4.0, {}, {}, [NEXT], stands=stands)
    assert found.number == 2
    assert found.missed == ("s1",)
    assert "left out" in found.warnings[0]
    ended = run.advance(9.0, {}, {}, stands=stands)
    assert ended.finished
    assert ended.missed == ("s1",)
    redone = run.advance(10.0, {}, {}, [REDO], stands=stands)
    assert (redone.number, redone.missed, redone.remaining_s) == (1, (), 5.0)
    assert run.advance(15.0, {}, {}, stands=stands).finished


def test_one_step_back() -> None:
    run = plan_run("until = { time_s = 5 }", "until = { time_s = 5 }")
    assert "no step before" in run.advance(0.0, {}, {}, [BACK]).warnings[-1]
    assert run.advance(5.0, {}, {}).number == 2
    found = run.advance(6.0, {}, {}, [BACK])
    assert (found.number, found.remaining_s) == (1, 5.0)
    assert run.advance(11.0, {}, {}).number == 2


GONE = ("port logger is away",)


def test_a_step_without_its_readings_pauses_and_begins_anew() -> None:
    run = plan_run("until = { time_s = 30 }", "until = { time_s = 5 }")
    run.advance(0.0, {}, {})
    paused = run.advance(10.0, {}, {}, lost=GONE)
    assert paused.paused == GONE
    assert run.advance(50.0, {}, {}, lost=GONE).number == 1
    back = run.advance(51.0, {}, {})
    assert (back.number, back.remaining_s) == (1, 30.0)
    assert "begins anew" in back.warnings[-1]
    assert run.advance(80.0, {}, {}).number == 1
    assert run.advance(81.0, {}, {}).number == 2


def test_no_step_begins_while_its_readings_are_away() -> None:
    run = plan_run("until = { time_s = 5 }", "set = { blower = 1 }\nuntil = { time_s = 5 }")
    run.advance(0.0, {}, {}, lost=GONE)
    run.advance(6.0, {}, {}, lost=GONE)
    found = run.advance(100.0, {}, {}, [GO], lost=GONE)
    assert found.number == 1
    assert found.moves == ()


HOLD = "confirm = true\nset = { vacuum_isolated = 1 }\nuntil = { time_s = 60 }"
RELEASE = "confirm = true\nset = { vacuum_isolated = 0 }\nuntil = { time_s = 10 }"


def test_a_hold_that_was_interrupted_is_released_and_done_again() -> None:
    run = plan_run(HOLD, RELEASE, "until = { time_s = 5 }")
    stands: dict[str, str] = {}
    order: list[tuple[str, float]] = []
    now, away = 0.0, False
    while now < 300.0:
        away = 30.0 <= now < 70.0
        found = run.advance(now, {}, {}, [], stands=stands, lost=GONE if away else ())
        if found.waits_for_key and not away:
            found = run.advance(now, {}, {}, [GO], stands=stands)
        order += [(move.position, move.when) for move in found.moves]
        stands |= {move.control: move.position for move in found.moves}
        if found.finished:
            break
        now += 1.0
    assert found.finished
    assert [position for position, _ in order] == ["1", "0", "1", "0"]
    assert order[1][1] == 70.0  # not before the readings are back
    assert order[3][1] - order[2][1] >= 60.0


STEADY = 'until = { steady = { point = "outlet", within = 1.0, for_s = 60 } }\ntimeout_s = 900'


def test_steady_waits_for_an_approach_to_end() -> None:
    # 40 K with a time constant of 100 s changes by 1 K between the outer thirds of 60 s (their
    # middles 40 s apart) when 40 K * exp(-t/100 s) * (exp(0.5) - exp(0.1)) = 1 K: t = 308 s
    run = plan_run(STEADY)
    middle = drive(run, 200.0, lambda t: 60.0 - 40.0 * math.exp(-t / 100.0))
    assert not middle.finished
    assert "still rises" in middle.missing[0]
    now = 200.5
    while not run.advance(now, {"outlet": 60.0 - 40.0 * math.exp(-now / 100.0)}, {}).finished:
        now += 0.5
    assert now == pytest.approx(307.9, abs=2.0)


def test_steady_says_when_the_sensor_is_silent() -> None:
    run = plan_run(STEADY)
    found = drive(run, 100.0, lambda t: 50.0 if t < 5 else None)
    assert found.missing == ("outlet gives no readings",)


def test_what_was_before_the_step_does_not_count_as_steady() -> None:
    run = plan_run("until = { time_s = 300 }", STEADY)
    drive(run, 300.0, lambda _: 50.0)
    found = run.advance(301.0, {"outlet": 50.0}, {})
    assert found.number == 2
    assert found.remaining_s == pytest.approx(59.0, abs=1.1)
    assert drive(run, 362.0, lambda _: 50.0, start=301.5).finished


def test_out_of_time_says_what_was_missing() -> None:
    run = plan_run(STEADY, "until = { time_s = 5 }")
    found = drive(run, 901.0, lambda t: 20.0 + 0.1 * t)
    assert found.number == 2
    assert "ran out of time" in found.warnings[0]
    assert "outlet still rises" in found.warnings[0]


def test_enough_data_ends_a_step() -> None:
    run = plan_run(
        'until = { time_s = 20, enough = { figure = "steady_outlet_rise", u = 0.8 } }\n'
        "timeout_s = 900"
    )
    assert run.advance(0.0, {}, {}).missing == ("steady outlet rise cannot be measured yet",)
    found = run.advance(30.0, {}, {"steady_outlet_rise": (46.0, 1.5)})
    assert found.missing == ("steady outlet rise is known to ±3, wanted ±1.6",)
    assert run.advance(31.0, {}, {"steady_outlet_rise": (46.0, 0.7)}).finished


def test_enough_data_too_early_waits_for_the_time() -> None:
    run = plan_run('until = { time_s = 20, enough = { figure = "x", u = 1 } }\ntimeout_s = 900')
    run.advance(0.0, {}, {})
    found = run.advance(5.0, {}, {"x": (1.0, 0.1)})
    assert not found.finished
    assert (found.remaining_s, found.missing) == (15.0, ())


def test_any_takes_the_nearest_and_leaves_out_what_is_not_logged() -> None:
    until = (
        'until = { any = [{ steady = { point = "engine_coolant", within = 1 } }, '
        '{ steady = { point = "outlet", within = 1, for_s = 30 } }, { time_s = 200 }] }'
    )
    run = plan_run(until, points=frozenset({"outlet"}))
    found = run.advance(0.0, {"outlet": 20.0}, {})
    assert found.remaining_s == 30.0
    assert "engine" not in found.missing[0]
    assert drive(run, 31.0, lambda _: 20.0, start=0.5).finished
    alone = plan_run(until, points=frozenset({"ambient"}))
    assert not drive(alone, 199.0).finished
    assert drive(alone, 200.0, start=199.5).finished


def test_a_restart_goes_on_in_the_same_step_with_the_time_left() -> None:
    bodies = ("until = { time_s = 10 }", "until = { time_s = 50 }")
    run = plan_run(*bodies)
    drive(run, 30.0)
    again = plan_run(*bodies)
    again.restore(run.state())
    found = again.advance(400.0, {}, {})
    assert (found.number, found.remaining_s) == (2, 30.0)
    assert found.moves == ()


def test_a_hold_is_not_gone_on_with_after_a_restart() -> None:
    run = plan_run(HOLD, RELEASE)
    run.advance(0.0, {}, {}, [GO])
    run.advance(30.0, {}, {}, stands={"vacuum_isolated": "1"})
    again = plan_run(HOLD, RELEASE)
    again.restore(run.state())
    found = again.advance(400.0, {}, {}, stands={"vacuum_isolated": "1"})
    assert found.number == 2
    assert found.following == "Do 1."


@pytest.mark.parametrize(
    "state",
    [
        {},
        {"steps": 1, "queue": [99], "done": [], "missed": [], "elapsed": 3.0},
        {"steps": 1, "queue": ["0"], "done": [], "missed": []},
        {"steps": 4, "queue": [0], "done": [], "missed": [], "elapsed": 3.0},
        {"steps": 1, "queue": [0], "done": [], "missed": [], "elapsed": -3.0},
    ],
)
def test_a_damaged_state_begins_anew(state: dict[str, object]) -> None:
    run = plan_run("until = { time_s = 10 }")
    run.restore(state)
    assert run.advance(0.0, {}, {}).remaining_s == 10.0


@pytest.mark.parametrize("place", ["yard", "road"])
def test_the_usual_plan_leads_through_a_whole_cold_start(place: Place) -> None:
    plan = usual_plan("blend-air", place)
    moves, found, now = play(plan)
    assert found.finished
    assert moves[0].control == "temp_lever"
    assert (moves[-1].control, moves[-1].position) == ("engine", "stop")
    assert [text for text in found.warnings if "Done" not in text] == []
    assert 1500 < now < 3600


def play(plan: Plan, delay_s: float = 2.0) -> tuple[list[Move], Instruction, float]:
    """A person who answers every request so much later."""
    run = PlanRun(plan, frozenset({"outlet", "ambient", "vacuum_source"}))
    moves: list[Move] = []
    stands: dict[str, str] = {}
    now, asked = 0.0, None
    while now < 6000.0:
        outlet = 60.0 - 65.0 * math.exp(-now / 300.0)
        figures = {"steady_outlet_rise": (60.0, 0.5)}
        ready = asked is not None and now - asked >= delay_s
        keys = [GO] if ready else []
        found = run.advance(now, {"outlet": outlet}, figures, keys, stands=stands)
        asked = None if ready or not found.waits_for_key else asked
        asked = now if asked is None and found.waits_for_key else asked
        moves += found.moves
        stands |= {move.control: move.position for move in found.moves}
        if found.finished:
            break
        now += 0.5
    return moves, found, now


@pytest.mark.parametrize("heater", ["blend-air", "water-valve", "combined"])
def test_in_the_yard_nobody_is_asked_to_drive(heater: Heater) -> None:
    plan = usual_plan(heater, "yard")
    text = " ".join([*(each.do + (each.caution or "") for each in plan.steps), *plan.cautions])
    assert "mph" not in text
    assert "drive gently" not in text
    assert not any("road_speed" in each.needs for each in plan.steps)
    blowers = [each.set["blower"] for each in plan.steps if "blower" in each.set]
    assert blowers == ["0", "4", "3", "2", "1", "4"]


@pytest.mark.parametrize("heater", ["blend-air", "water-valve", "combined"])
def test_on_the_road_the_driver_touches_no_control(heater: Heater) -> None:
    """Between the start and the stop whoever moves a control is the second person."""
    plan = usual_plan(heater, "road")
    for each in plan.steps:
        standing = "Stop the car" in each.do or "engine" in each.set or "vacuum" in each.name
        if each.set and not standing and each.name != "sensor check, engine off":
            assert each.do.startswith("Second person:"), each.name


@pytest.mark.parametrize("place", ["yard", "road"])
@pytest.mark.parametrize("heater", ["blend-air", "water-valve", "combined"])
def test_cautions_of_the_usual_plans(heater: Heater, place: Place) -> None:
    """What can hurt in this work (common practice, no source)."""
    plan = usual_plan(heater, place)
    said = " ".join([*plan.cautions, *(each.caution or "" for each in plan.steps)]).lower()
    for word in ("air bag", "burn", "park or neutral", "brake", "scald", "fan"):
        assert word in said, word
    assert ("refrigerant" in said) == (heater == "combined")
