"""The verdict of a whole run, rule by rule and in their order. A wrong pass is the worst."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from analysis.causes.seen import Seen
from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.run_verdict import RunVerdict, judge_run
from analysis.verdict import Judged, judge_one

SOUND = {"healthy": 0.9, "vacuum_leak": 0.1}
RISE, WARM, DROP, PLATEAU, DECAY = (
    "steady_outlet_rise", "warm_up_time", "coolant_drop", "coolant_plateau", "vacuum_decay",
)  # fmt: skip


def judged(*given: tuple[str, float | None, float, Limit]) -> dict[str, Judged]:
    """Figures with value and limit, each with a standard uncertainty of 1."""
    return {
        name: judge_one(name, Measurement(value, "K", u, note="none seen"), limit)
        for name, value, u, limit in given
    }


def at_least(low: float) -> Limit:
    return Limit(low, None, "test")


def at_most(high: float) -> Limit:
    return Limit(None, high, "test")


GOOD = (RISE, 60.0, 1.0, at_least(40.0))


def verdict(
    figures: Mapping[str, Judged],
    probability: Mapping[str, float] = SOUND,
    *seen: Seen,
    outlet: bool = True,
    repaired: frozenset[str] = frozenset(),
) -> RunVerdict:
    return judge_run(figures, probability, seen, has_outlet=outlet, repaired=repaired)


def test_a_sound_heater_passes_and_nothing_is_said() -> None:
    assert verdict(judged(GOOD)) == RunVerdict("pass", None)
    assert verdict(judged(GOOD), {"healthy": 0.5, "vacuum_leak": 0.3}) == RunVerdict("pass", None)


def test_a_failed_figure_fails_the_run_the_complaint_s_own_first() -> None:
    found = verdict(
        judged(
            (DECAY, 13.0, 1.0, at_most(10.0)),  # 3 u beyond
            (WARM, 1500.0, 1.0, at_most(1200.0)),  # surely beyond
            (PLATEAU, 80.0, 1.0, at_least(70.0)),
            (RISE, 37.0, 1.0, at_least(40.0)),
        )
    )
    assert found.verdict == "fail"
    assert found.decided_by == (RISE, WARM, DECAY)
    assert found.reason == (
        "Steady outlet rise, Warm-up time, Loss of vacuum, source shut off beyond the limit"
    )


def test_of_figures_as_surely_beyond_the_farthest_comes_first() -> None:
    found = verdict(
        judged(
            (WARM, 1300.0, 1.0, at_most(1200.0)),
            (PLATEAU, 20.0, 0.1, at_least(70.0)),
            (DROP, 900.0, 1.0, at_most(20.0)),
            (DECAY, 60.0, 1.0, at_most(10.0)),
            GOOD,
        )
    )
    assert found.decided_by == (DROP, PLATEAU, WARM, DECAY)
    assert found.reason is not None
    assert found.reason.endswith(" and 1 more beyond the limit")


def test_a_figure_too_near_its_limit_keeps_the_run_undecided() -> None:
    near = judged((RISE, 40.5, 1.0, at_least(40.0)))
    found = verdict(near)
    assert (found.verdict, found.decided_by) == ("undecided", (RISE,))
    assert found.reason == "Steady outlet rise too near the limit to decide"
    # a side figure does so only where it lies beyond
    inside = judged(GOOD, (DROP, 19.5, 1.0, at_most(20.0)))
    assert verdict(inside).verdict == "pass"
    beyond = judged(GOOD, (DROP, 20.5, 1.0, at_most(20.0)), (DECAY, 9.5, 1.0, at_most(10.0)))
    assert verdict(beyond).decided_by == (DROP,)


def test_without_any_figure_that_has_a_limit_nothing_is_measured() -> None:
    for figures in ({}, judged((WARM, None, 0.0, at_most(1200.0)))):
        found = verdict(figures)
        assert found == RunVerdict("not measured", "no figure that has a limit could be measured")


@pytest.mark.parametrize("logged", [True, False])
def test_no_heater_passes_on_side_figures_where_an_outlet_was_to_be_logged(*, logged: bool) -> None:
    side = (WARM, 600.0, 1.0, at_most(1200.0))
    for figures in (judged(side), judged(side, (RISE, None, 0.0, at_least(40.0)))):
        found = verdict(figures, outlet=logged)
        assert found.verdict == ("undecided" if logged else "pass")
        if logged:
            why = "none seen" if RISE in figures else "no figure"
            assert found.reason == f"the outlet could not be judged: {why}"


def test_readings_that_point_to_a_fault_do_not_pass() -> None:
    found = verdict(judged(GOOD), {"vacuum_leak": 0.4, "healthy": 0.35, "weak_airflow": 0.25})
    assert found.verdict == "undecided"
    assert found.reason is not None
    assert "most likely" in found.reason
    assert "(40 %)" in found.reason
    less = verdict(judged(GOOD), {"healthy": 0.45, "vacuum_leak": 0.35, "weak_airflow": 0.2})
    assert less.verdict == "undecided"
    assert less.reason is not None
    assert "it may be that" in less.reason
    assert "(35 %)" in less.reason


def hidden(cause: str, harm: float, power: float = 0.2) -> Seen:
    return Seen(cause, f"title of {cause}", power, harm)


def test_a_fault_that_could_have_stayed_unseen_blocks_the_pass() -> None:
    found = verdict(judged(GOOD), SOUND, hidden("vacuum_leak", 0.3), hidden("weak_airflow", 0.01))
    assert found.verdict == "undecided"
    assert found.reason == (
        "nothing failed, but this run could not have shown that title of vacuum_leak"
    )
    assert verdict(judged(GOOD), SOUND, hidden("weak_airflow", 0.01)).verdict == "pass"
    four = [hidden(name, harm) for name, harm in zip("abcd", (0.3, 0.6, 0.5, 0.4), strict=True)]
    many = verdict(judged(GOOD), SOUND, *four).reason
    assert many is not None
    said = [many.index(f"that title of {name}") for name in "bcd"]
    assert said == sorted(said)
    assert many.endswith("; and 1 more")


def test_after_a_repair_only_what_was_repaired_must_have_been_visible() -> None:
    others = hidden("weak_airflow", 0.4)
    repaired = frozenset({"vacuum_leak"})
    shown = hidden("vacuum_leak", 0.0, power=0.99)
    assert verdict(judged(GOOD), SOUND, others, shown, repaired=repaired).verdict == "pass"
    blind = hidden("vacuum_leak", 0.0, power=0.3)
    found = verdict(judged(GOOD), SOUND, others, blind, repaired=repaired)
    assert found.verdict == "undecided"
    assert found.reason is not None
    assert "title of vacuum_leak" in found.reason
    assert "weak_airflow" not in found.reason
