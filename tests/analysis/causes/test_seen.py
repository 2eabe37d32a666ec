"""What a run could have seen: power against closed forms, and a pass that needs it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm

from analysis.causes import next_measurement, seen
from analysis.causes.cases import drawn_cases, space_of
from analysis.causes.evidence import Evidence, Usual, evidence_of
from analysis.causes.knowledge import NO_FAULT, knowledge, rows_of
from analysis.causes.next_measurement import missing_for, propose_measurement
from analysis.causes.seen import Seen, could_show
from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.pipeline import analyze, measure
from analysis.run_verdict import judge_run
from analysis.verdict import GUARD, judge
from ingest.load.load import load_run
from ingest.run import Run

SAMPLES = Path(__file__).parents[3] / "sample_logs"


def power_of(name: str, found: tuple[Seen, ...]) -> float:
    return next(each.power for each in found if each.cause == name)


def test_power_of_one_figure_is_that_of_a_normal_test(monkeypatch: pytest.MonkeyPatch) -> None:
    """One figure with a lower limit: the chance to fail it, from `scipy.stats.norm`."""
    monkeypatch.setattr(seen, "DRAWS", 4000)
    drawn_cases.cache_clear()
    usual, u, low = Usual.of(()), 1.0, 48.0
    figures = {"steady_outlet_rise": Measurement(55.0, "K", u)}
    # no air to scale the span with; the ranking alone would show it in fewer cases than the limit
    evidence = Evidence({"steady_outlet_rise": (55.0, u)}, {}, None)
    limits = {"steady_outlet_rise": Limit(low, None, "")}
    row = knowledge().row("cold_leak_in_case")
    center, family = usual.center["steady_outlet_rise"], usual.spread["steady_outlet_rise"]
    move = row.moves["steady_outlet_rise"][1] * center
    sd = np.hypot(knowledge().move_spread * move, np.hypot(family, u))
    expected = norm.cdf((low - GUARD * u - (center + move)) / sd)
    found = could_show(evidence, figures, usual, limits, "blend-air")
    drawn_cases.cache_clear()
    assert power_of("cold_leak_in_case", found) == pytest.approx(expected, abs=0.03)


def test_harm_that_would_have_passed_is_that_of_two_normal_values(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Truly beyond a limit and measured within it: `scipy.stats.multivariate_normal`."""
    monkeypatch.setattr(seen, "DRAWS", 4000)
    monkeypatch.setattr(seen, "SOUND", 0.0)  # the figure alone decides, not the ranking
    monkeypatch.setattr(seen, "_is_near", lambda _: False)
    drawn_cases.cache_clear()
    name, u, low = "steady_outlet_rise", 8.0, 44.0
    usual = Usual.of(())
    center, family = usual.center[name], usual.spread[name]
    move = knowledge().row("cold_leak_in_case").moves[name][1] * center
    true = np.hypot(knowledge().move_spread * move, family)
    spread = [[true**2, true**2], [true**2, true**2 + u**2]]
    mean = [center + move, center + move]
    both = multivariate_normal(mean, spread).cdf([low, low])
    expected = norm.cdf((low - center - move) / true) - both
    figures = {name: Measurement(55.0, "K", u)}
    limits = {name: Limit(low, None, "")}
    found = could_show(Evidence({name: (55.0, u)}, {}, None), figures, usual, limits, "blend-air")
    drawn_cases.cache_clear()
    case = next(each for each in found if each.cause == "cold_leak_in_case")
    assert 0.05 < expected < 0.5
    assert case.unseen_harm == pytest.approx(expected, abs=0.02)
    assert case.blocks_pass == (expected > 0.15)


def test_a_leak_that_the_wind_feeds_cannot_be_excluded_by_a_car_that_stood(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Wind presses on a body with the square of its speed (dynamic pressure), at rest with none."""
    monkeypatch.setattr(seen, "SOUND", 0.0)  # the figure alone decides, not the ranking
    usual = Usual.of([Evidence({"footwell_deficit": (10.0, 0.5)}, {}, None) for _ in range(8)])
    evidence = Evidence({"footwell_deficit": (10.0, 0.5)}, {}, None)
    figures = {"footwell_deficit": Measurement(10.0, "K", 0.5)}
    limits = {"footwell_deficit": Limit(None, 13.0, "")}

    def leak(layout: str, evidence: Evidence = evidence) -> Seen:
        found = could_show(evidence, figures, usual, limits, layout)
        return next(each for each in found if each.cause == "cold_leak_in_body")

    moved, stood = leak("blend-air"), leak("blend-air, standing")
    assert stood.power < 0.2 < moved.power
    # it takes as much heat on the road, whether it was seen or not
    assert stood.unseen_harm > moved.unseen_harm
    assert stood.blocks_pass
    # driven at two speeds, too, the run would have shown it by the figure that is about it
    driven = replace(evidence, figures={**evidence.figures, "speed_sensitivity": (0.0, 0.5)})
    assert not leak("blend-air, standing", driven).blocks_pass


def test_a_run_without_figures_can_show_nothing() -> None:
    found = could_show(Evidence({}, {}, None), {}, Usual.of(()), {}, "blend-air")
    assert {each.power for each in found} == {0.0}


def without(run: Run, *points: str) -> Run:
    return replace(
        run, sensors={name: each for name, each in run.sensors.items() if name not in points}
    )


def test_channels_taken_away_take_the_power_of_what_they_show() -> None:
    run = load_run(SAMPLES / "SC-014-after-repair")
    whole = analyze(run)
    less = analyze(without(run, "footwell", "coolant_in", "coolant_out"))
    before = {each.cause: each.power for each in whole.seen}
    after = {each.cause: each.power for each in less.seen}
    for cause in ("cold_leak_in_body", "low_core_flow", "hoses_reversed"):
        assert after[cause] < before[cause] - 0.1, cause
    assert less.needs["cold_leak_in_body"] == "log the footwell"


def test_outlet_and_outside_air_alone_pass_no_heater() -> None:
    """However good the figures: a body leak, starved flow or a cable could not have been seen."""
    run = load_run(SAMPLES / "SC-014-after-repair")
    keep = ("outlet", "ambient")
    found = analyze(without(run, *(point for point in run.sensors if point not in keep)))
    assert found.verdict == "undecided"
    assert found.reason is not None
    assert "could not have shown" in found.reason
    assert found.next_measurement is not None


def verdict_of(
    rise: float, *hidden: Seen, healthy: float = 0.9, repaired: frozenset[str] = frozenset()
) -> tuple[str, str]:
    judged = judge(
        {"steady_outlet_rise": Measurement(rise, "K", 0.5)},
        {"steady_outlet_rise": Limit(40.0, None, "")},
    )
    probability = {NO_FAULT: healthy, "cold_leak_in_case": 1.0 - healthy}
    found = judge_run(judged, probability, hidden, has_outlet=True, repaired=repaired)
    return found.verdict, str(found.reason)


HIDDEN = Seen("cold_leak_in_body", "cold air gets in", 0.3, 0.7)
SHOWN = Seen("cold_leak_in_body", "cold air gets in", 0.9, 0.05)


def test_a_pass_needs_power_and_nothing_pointing_elsewhere() -> None:
    assert verdict_of(50.0, SHOWN) == ("pass", "None")
    assert verdict_of(50.0, HIDDEN)[0] == "undecided"
    assert "cold air gets in" in verdict_of(50.0, HIDDEN)[1]
    assert verdict_of(50.0, SHOWN, healthy=0.4)[0] == "undecided"
    assert verdict_of(30.0, SHOWN)[0] == "fail"
    assert verdict_of(30.0, HIDDEN)[0] == "fail"
    assert verdict_of(40.2, SHOWN)[0] == "undecided"


def test_no_heater_passes_whose_lever_nobody_noted() -> None:
    run = load_run(SAMPLES / "SC-014-after-repair")
    noted = run.controls.filter(run.controls["control"] != "temp_lever")
    found = analyze(replace(without(run, "temp_lever"), controls=noted))
    assert found.verdict == "undecided"
    assert "control cable" in str(found.reason)
    assert analyze(run).verdict == "pass"


def test_after_a_repair_the_cause_repaired_must_have_been_visible() -> None:
    unseen = Seen("thermostat_opens_low", "opens too low", 0.5, 0.4)
    assert verdict_of(50.0, HIDDEN, repaired=frozenset({"cold_leak_in_case"}))[0] == "pass"
    assert verdict_of(50.0, unseen, repaired=frozenset({"thermostat_opens_low"}))[0] == "undecided"


def test_good_cars_are_asked_for_where_there_are_none() -> None:
    """One fault, everything logged that shows it: only the family's own spread is left to learn."""
    fault = Seen("low_core_flow", "too little coolant", 0.3, 0.5)
    names = ("core_effectiveness", "coolant_drop")
    run = Evidence(dict(zip(names, ((0.6, 0.01), (10.0, 0.3)), strict=True)), {}, 5.0)
    asked = next_measurement.needs_of(fault, {}, run, Usual.of(()), "blend-air")
    assert asked == "measure five good cars of the same family"
    one = Usual.of([replace(run, figures={name: run.figures[name] for name in names})])
    assert next_measurement.needs_of(fault, {}, run, one, "blend-air") is None
    shown = Seen("low_core_flow", "too little coolant", 0.99, 0.0)
    assert next_measurement.needs_of(shown, {}, run, Usual.of(()), "blend-air") is None


def test_forms_of_other_layouts_ask_for_nothing() -> None:
    """A water valve moved by vacuum needs hoses to be seen; a blend-air heater has none."""
    leak = Seen("vacuum_leak", "the vacuum system leaks", 0.2, 0.3)
    run = Evidence({}, {}, 5.0)
    missing = {name: frozenset({"coolant_in"}) for name in ("core_effectiveness", "coolant_drop")}
    valve = [
        row
        for row in rows_of("water-valve")
        if row.name == "vacuum_leak" and "blend-air" not in row.layouts
    ]
    assert valve
    assert all(missing.keys() <= row.moves.keys() for row in valve)
    usual = Usual.of(
        [replace(run, figures={"core_effectiveness": (0.6, 0.01), "coolant_drop": (10.0, 0.3)})]
    )
    assert next_measurement.needs_of(leak, missing, run, usual, "blend-air") is None
    asked = next_measurement.needs_of(leak, missing, run, usual, "water-valve")
    assert asked == "log the supply hose"


def test_what_stands_between_a_run_and_its_pass_is_asked_for_first() -> None:
    """Two gaps: the cause that withholds the pass decides which is closed, however rare it is."""
    missing = {
        "vacuum_decay": frozenset({"leak_down"}),
        "footwell_deficit": frozenset({"footwell"}),
    }
    probability = {NO_FAULT: 0.8, "vacuum_leak": 0.19, "cold_leak_in_body": 0.01}
    asked = {
        between: propose_measurement(probability, missing, Usual.of(()), "blend-air", between)
        for between in (frozenset(), frozenset({"cold_leak_in_body"}))
    }
    found = [each.what for each in asked.values() if each is not None]
    assert found == ["shut off the vacuum source for two minutes", "log the footwell"]
    nothing = propose_measurement(
        probability, missing, Usual.of(()), "blend-air", frozenset({"thermostat_opens_low"})
    )
    assert nothing is None


def test_information_of_a_figure_against_quadrature() -> None:
    """Mutual information of a normal mixture (Cover and Thomas, 2nd ed., 8.4), by `quad`."""
    usual, space = Usual.of(()), space_of("blend-air")
    probability = {NO_FAULT: 0.5, "cold_leak_in_body": 0.5}
    share = next_measurement._hypotheses(probability, space)
    name = "footwell_deficit"
    place = list(knowledge().figures).index(name)
    sd = next_measurement.typical_sd(knowledge().figures[name], usual, name)
    parts = [
        (space.names[cause], weight, move, float(np.hypot(spread, sd)))
        for cause, weight, move, spread in zip(
            space.cause, share, space.moves[:, place], space.spreads[:, place], strict=True
        )
        if weight > 0.0
    ]

    def density(x: float, cause: str | None = None) -> float:
        return sum(
            weight * float(norm.pdf(x, move, wide))
            for one, weight, move, wide in parts
            if cause in (None, one)
        )

    def gained(x: float, cause: str) -> float:
        joint = density(x, cause)
        return joint * np.log2(joint / (0.5 * density(x))) if joint > 0.0 else 0.0

    expected = sum(quad(gained, -60.0, 90.0, args=(cause,), limit=200)[0] for cause in probability)
    assert next_measurement._bits(name, share, usual, space) == pytest.approx(expected, abs=0.01)


def test_what_is_proposed_is_something_the_run_lacks() -> None:
    run = load_run(SAMPLES / "SC-014-complaint")
    measured = measure(without(run, "footwell"))
    evidence = evidence_of(measured)
    missing = missing_for(measured, evidence)
    assert missing["footwell_deficit"] == frozenset({"footwell"})
    probability = {NO_FAULT: 0.5, "cold_leak_in_body": 0.5}
    proposed = propose_measurement(probability, missing, Usual.of(()), "blend-air")
    assert proposed is not None
    assert proposed.what == "log the footwell"
    assert 0.0 < proposed.bits <= 1.0
    assert propose_measurement({NO_FAULT: 1.0}, missing, Usual.of(()), "blend-air") is None
