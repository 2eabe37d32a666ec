from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from ingest.record.test_plan import parse_plan, usual_plan
from ingest.record.test_progress import AGAIN, GO, NEXT, Instruction, PlanRun

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
    first = run.advance(3.0, {}, {})
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


def test_a_key_where_no_step_waits_changes_nothing() -> None:
    run = plan_run("until = { time_s = 5 }")
    run.advance(0.0, {}, {})
    assert run.advance(1.0, {}, {}, [GO]).remaining_s == 4.0


def test_left_by_hand_and_begun_again() -> None:
    run = plan_run("set = { blower = 4 }\nuntil = { time_s = 5 }", "until = { time_s = 5 }")
    run.advance(0.0, {}, {})
    again = run.advance(3.0, {}, {}, [AGAIN])
    assert again.remaining_s == 5.0
    assert [m.when for m in again.moves] == [3.0]
    found = run.advance(4.0, {}, {}, [NEXT])
    assert found.number == 2
    assert "left by hand" in found.warnings[0]


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


def test_a_restart_goes_on_in_the_same_step() -> None:
    bodies = ("until = { time_s = 10 }", "until = { time_s = 50 }")
    run = plan_run(*bodies)
    drive(run, 30.0)
    again = plan_run(*bodies)
    again.restore(run.state())
    found = again.advance(40.0, {}, {})
    assert (found.number, found.remaining_s) == (2, 20.0)
    assert found.moves == ()


@pytest.mark.parametrize("state", [{}, {"place": 99}, {"place": "1"}, {"place": -1, "began": 3.0}])
def test_a_damaged_state_begins_anew(state: dict[str, object]) -> None:
    run = plan_run("until = { time_s = 10 }")
    run.restore(state)
    assert run.advance(0.0, {}, {}).remaining_s == 10.0


def test_the_usual_plan_leads_through_a_whole_cold_start() -> None:
    run = PlanRun(usual_plan("blend-air"), frozenset({"outlet", "ambient", "vacuum_source"}))
    moves, now, pressed = [], 0.0, False
    while now < 6000.0:
        outlet = 60.0 - 65.0 * math.exp(-now / 300.0)
        figures = {"steady_outlet_rise": (60.0, 0.5)}
        found = run.advance(now, {"outlet": outlet}, figures, [GO] if pressed else [])
        pressed = found.waits_for_key
        moves += [(m.control, m.position) for m in found.moves]
        if found.finished:
            break
        now += 1.0
    assert found.finished
    assert moves[0] == ("temp_lever", "100")
    assert moves[-1] == ("engine", "stop")
    assert found.warnings == ()
    assert 1500 < now < 3600
