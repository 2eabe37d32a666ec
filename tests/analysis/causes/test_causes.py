"""The cause engine: what it must conclude from plain evidence, and how it reasons."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.causes.cable import cable_state
from analysis.causes.engine import Ranking, rank
from analysis.causes.evidence import Evidence, Usual, compare
from analysis.causes.knowledge import Knowledge, hypotheses, knowledge
from analysis.causes.next_check import chance_found, expected_bits, propose

FAMILY = {
    "core_effectiveness": 0.70,
    "coolant_plateau": 88.0,
    "thermostat_opening": 85.0,
    "flow_ratio": 0.15,
    "warm_up_time": 420.0,
    "fluctuation_index": 0.4,
    "dead_travel_cold": 5.0,
    "dead_travel_hot": 5.0,
    "cold_end_rise": 1.5,
    "speed_sensitivity": 0.2,
    "footwell_deficit": 12.0,
    "vacuum_decay": 0.8,
    "vacuum_best": 60.0,
    "vacuum_sag": 5.0,
}
U = {"core_effectiveness": 0.01, "flow_ratio": 0.01, "fluctuation_index": 0.1, "vacuum_decay": 0.1}
QUIET = dict.fromkeys(knowledge().signs, False)


def evidence(signs: dict[str, bool | None] | None = None, **changed: float | None) -> Evidence:
    values = {name: value for name, value in (FAMILY | changed).items() if value is not None}
    figures = {name: (value, U.get(name, 0.6)) for name, value in values.items()}
    return Evidence(figures, QUIET | (signs or {}), 5.0)


@pytest.fixture(scope="module")
def usual() -> Usual:
    rng = np.random.default_rng(8)
    good = []
    for _ in range(10):
        car = {name: value * (1.0 + 0.03 * rng.normal()) for name, value in FAMILY.items()}
        good.append(evidence(**car))
    return Usual.of(good)


def first(ranking: Ranking) -> str:
    return next(iter(ranking.probability))


def test_a_usual_car_is_healthy(usual: Usual) -> None:
    ranking = rank(evidence(), usual, "blend-air")
    assert first(ranking) == "healthy"
    assert ranking.probability["healthy"] > 0.8


@pytest.mark.parametrize(
    ("cause", "changed", "signs"),
    [
        # all common practice, no source
        ("thermostat_opens_low", {"coolant_plateau": 77.0, "thermostat_opening": 74.0}, {}),
        ("low_core_flow", {"core_effectiveness": 0.5, "flow_ratio": 0.5}, {}),
        (
            "hoses_reversed",
            {"fluctuation_index": 6.0, "flow_ratio": -0.12},
            {"supply_cooler_than_return": True},
        ),
        ("lever_short_of_hot", {"dead_travel_cold": 22.0, "core_effectiveness": 0.6}, {}),
        ("lever_short_of_cold", {"dead_travel_hot": 22.0, "cold_end_rise": 11.0}, {}),
        ("cold_leak_in_case", {"core_effectiveness": 0.52}, {}),
        ("cold_leak_in_body", {"speed_sensitivity": -3.0, "footwell_deficit": 20.0}, {}),
        (
            "weak_airflow",
            {"core_effectiveness": 0.82, "flow_ratio": 0.08, "footwell_deficit": 18.0},
            {},
        ),
        ("vacuum_leak", {"vacuum_decay": 9.0, "vacuum_best": 54.0}, {}),
        ("vacuum_supply", {"vacuum_best": 45.0, "vacuum_sag": 18.0}, {"vacuum_sags": True}),
        ("actuator_hoses_crossed", {"core_effectiveness": 0.4}, {"goes_wrong_way": True}),
        ("control_use", {}, {"controls_misused": True}),
        ("control_use", {"footwell_deficit": 24.0}, {"controls_misused": True}),
        ("sensor_fault", {}, {"sensor_doubtful": True}),
        # a sensor that disagreed in the cold, and figures as usual: the car stood in the sun
        ("healthy", {}, {"disagree_cold": True}),
    ],
)
def test_textbook_cases_come_first(
    usual: Usual, cause: str, changed: dict[str, float], signs: dict[str, bool | None]
) -> None:
    assert first(rank(evidence(signs, **changed), usual, "blend-air")) == cause


def test_a_cold_footwell_in_a_car_that_stands_is_no_doing_of_the_wind(usual: Usual) -> None:
    """What presses cold air past seals is the wind of driving (dynamic pressure)."""
    cold = evidence(footwell_deficit=22.0, speed_sensitivity=None)
    moved, stood = (
        rank(cold, usual, layout).probability["cold_leak_in_body"]
        for layout in ("blend-air", "blend-air, standing")
    )
    assert stood < 0.2 < 0.5 < moved


def test_a_thermostat_that_hangs_a_little_open_is_not_ruled_out_by_a_usual_level(
    usual: Usual,
) -> None:
    """On a mild day the engine reaches its level all the same, only later (common practice, no
    source): what speaks is the warm-up, and where nobody saw that the question stays open."""
    level = {"coolant_plateau": 87.0, "warm_up_time": None}
    open_ = rank(evidence(**level), usual, "blend-air").probability["thermostat_stuck_open"]
    assert 0.003 < open_ < 0.1
    at_once = evidence(warm_up_time=400.0)
    slow = evidence(warm_up_time=640.0)
    seen = [rank(each, usual, "blend-air").probability for each in (at_once, slow)]
    assert seen[0]["thermostat_stuck_open"] < open_ < seen[1]["thermostat_stuck_open"]


def test_vacuum_that_is_gone_takes_its_doors_along(usual: Usual) -> None:
    """A door without vacuum goes where its spring puts it (common practice, no source)."""
    lost = {"vacuum_best": 6.0, "vacuum_decay": None, "vacuum_sag": 9.0}
    gone = evidence({"goes_wrong_way": True}, footwell_deficit=20.0, **lost)
    found = rank(gone, usual, "combined").probability
    assert found["vacuum_supply"] + found["vacuum_leak"] > found["actuator_hoses_crossed"]
    there = evidence({"goes_wrong_way": True}, footwell_deficit=20.0)
    assert first(rank(there, usual, "combined")) == "actuator_hoses_crossed"


def test_a_weak_source_alone_does_not_say_whether_it_leaks(usual: Usual) -> None:
    """A leak large enough drains the source as a fault of the source does: only the leak-down,
    with the source shut off, parts them (common practice, no source)."""
    low = {"vacuum_best": 44.0, "vacuum_sag": 6.0}
    unknown = rank(evidence(**low, vacuum_decay=None), usual, "blend-air").probability
    assert unknown["vacuum_supply"] < 6.0 * unknown["vacuum_leak"]
    fast = rank(evidence(**low, vacuum_decay=15.0), usual, "blend-air").probability
    assert fast["vacuum_leak"] > 0.7
    slow = rank(evidence(**low, vacuum_decay=0.8), usual, "blend-air").probability
    assert slow["vacuum_supply"] > 0.7


@pytest.mark.parametrize("layout", ["blend-air", "water-valve", "combined"])
def test_probabilities_sum_to_one_and_name_every_cause(usual: Usual, layout: str) -> None:
    probability = rank(evidence(core_effectiveness=0.6), usual, layout).probability
    assert math.fsum(probability.values()) == pytest.approx(1.0)
    assert set(probability) == {row.name for row in knowledge().cause}
    assert list(probability.values()) == sorted(probability.values(), reverse=True)


def test_without_any_evidence_the_priors_stay() -> None:
    nothing = Evidence({}, dict.fromkeys(knowledge().signs), None)
    probability = rank(nothing, Usual.of([]), "blend-air").probability
    space = hypotheses("blend-air")
    by_explanation = np.bincount(space.explanation, space.prior, len(space.members))
    expected = sum(
        share / len(rows)
        for rows, share in zip(space.members, by_explanation, strict=True)
        for row in rows
        if row.name == "vacuum_leak"
    )
    assert probability["vacuum_leak"] == pytest.approx(expected)


def test_a_cause_the_channels_cannot_show_keeps_its_odds_against_healthy(usual: Usual) -> None:
    blind = evidence(vacuum_decay=None, vacuum_best=None, vacuum_sag=None)
    blind = Evidence(blind.figures, dict(blind.signs) | {"vacuum_sags": None}, blind.air_degC)
    probability = rank(blind, usual, "blend-air").probability
    rows = [row for row in knowledge().cause if "blend-air" in row.layouts]
    prior = {row.name: row.prior for row in reversed(rows)}
    odds = probability["vacuum_leak"] / probability["healthy"]
    # the blurs of the cause and pairs with others leave it near its prior odds
    assert odds == pytest.approx(prior["vacuum_leak"] / prior["healthy"], rel=0.6)


def test_a_failed_limit_takes_from_the_odds_of_a_sound_car_alone(usual: Usual) -> None:
    """Bayes' rule by hand: the odds of healthy fall by one factor, all others stay as they were."""
    doubtful = evidence(core_effectiveness=0.6)
    kept = rank(doubtful, usual, "blend-air").probability
    failed = rank(doubtful, usual, "blend-air", failed=True).probability
    factor = 0.3
    total = 1.0 - kept["healthy"] + factor * kept["healthy"]
    assert failed["healthy"] == pytest.approx(factor * kept["healthy"] / total)
    for name in set(kept) - {"healthy"}:
        assert failed[name] == pytest.approx(kept[name] / total), name


def test_two_causes_at_once_are_found_together(usual: Usual) -> None:
    leak = {"vacuum_decay": 12.0, "vacuum_best": 52.0}
    both = evidence(coolant_plateau=77.0, thermostat_opening=74.0, **leak)
    found = rank(both, usual, "blend-air")
    assert found.exactly({"thermostat_opens_low", "vacuum_leak"}) > 0.5
    assert found.exactly({"thermostat_opens_low"}) < 0.1
    assert found.exactly({"thermostat_opens_low", "vacuum_leak", "healthy"}) == 0.0


def test_more_uncertainty_makes_it_less_sure(usual: Usual) -> None:
    sharp = evidence(core_effectiveness=0.55)
    blunt = Evidence(
        dict(sharp.figures) | {"core_effectiveness": (0.55, 0.12)}, sharp.signs, sharp.air_degC
    )
    one, other = (rank(each, usual, "blend-air").probability["healthy"] for each in (sharp, blunt))
    assert other > one


def test_a_colder_day_is_no_fault(usual: Usual) -> None:
    """The rise grows with coolant minus outside air; only its share of that is compared."""
    good = [
        Evidence({"steady_outlet_rise": (0.7 * (88.0 - 5.0), 0.5)}, QUIET, 5.0) for _ in range(6)
    ]
    family = Usual.of([*good, evidence()])
    cold_day = Evidence({"steady_outlet_rise": (0.7 * (88.0 + 20.0), 0.5)}, QUIET, -20.0)
    comparison = compare(cold_day, family, "steady_outlet_rise")
    assert comparison is not None
    assert abs(comparison[0]) < 0.02


def test_the_check_sheet_moves_the_ranking(usual: Usual) -> None:
    doubtful = evidence(core_effectiveness=0.6)
    before = rank(doubtful, usual, "blend-air").probability
    found = rank(doubtful, usual, "blend-air", {"case_seals": True}).probability
    cleared = rank(doubtful, usual, "blend-air", {"case_seals": False}).probability
    name = "cold_leak_in_case"
    assert cleared[name] < before[name] < found[name]
    # Bayes' rule by hand for the odds of two single causes
    check = knowledge().check_row("case_seals")
    ratio = chance_found(check, name) / chance_found(check, "thermostat_opens_low")
    odds = before[name] / before["thermostat_opens_low"]
    assert found[name] / found["thermostat_opens_low"] == pytest.approx(odds * ratio, rel=0.6)


def test_expected_bits_is_the_mutual_information() -> None:
    """Against the definition over the joint distribution of cause and answer."""
    check = knowledge().check_row("thermostat_test")
    probability = {"thermostat_opens_low": 0.5, "healthy": 0.3, "vacuum_leak": 0.2}
    direct = 0.0
    for answer in (True, False):
        joint = {
            cause: share
            * (chance_found(check, cause) if answer else 1 - chance_found(check, cause))
            for cause, share in probability.items()
        }
        total = sum(joint.values())
        direct += sum(j * math.log2(j / (total * probability[c])) for c, j in joint.items())
    assert expected_bits(check, probability) == pytest.approx(direct)


def test_the_next_check_settles_the_question() -> None:
    probability = {"low_core_flow": 0.5, "thermostat_opens_low": 0.45, "healthy": 0.05}
    assert propose(probability).check.name == "coolant_level"
    assert propose(probability, {"coolant_level": False}).check.name == "thermostat_test"


def test_a_confirmed_fault_is_repaired_next() -> None:
    probability = {"lever_short_of_hot": 0.95, "healthy": 0.05}
    assert propose(probability, {"cable_adjustment": True}).check.name == "measure_again"
    assert propose(probability, {"cable_adjustment": False}).check.name != "measure_again"


def test_the_owner_is_asked_before_a_sound_heater_is_taken_apart() -> None:
    probability = {"healthy": 0.8, "vacuum_supply": 0.2}
    assert propose(probability).check.name == "owner_interview"
    assert propose(probability, {"owner_interview": False}).check.name == "check_valve"


def test_ties_go_to_the_order_of_the_trade() -> None:
    # its own check found nothing, and no other check tells anything: all tie
    tied = propose({"weak_airflow": 1.0}, {"blower_and_ducts": False})
    assert tied.check.order == min(row.order for row in knowledge().check)


def test_every_check_has_a_how_to_and_a_caution() -> None:
    for row in knowledge().check:
        assert 1 <= row.how.count(".") <= 5
        assert row.caution.endswith(".")


def test_the_cable_is_found_with_its_direction(usual: Usual) -> None:
    from types import SimpleNamespace

    from analysis.measurement import Measurement

    def car(cold: float, hot: float) -> SimpleNamespace:
        values = {
            "dead_travel_cold": cold,
            "dead_travel_hot": hot,
            "effective_travel": 100.0 - cold - hot,
            "steady_outlet_rise": 50.0,
            "cold_end_rise": 2.0,
        }
        units = {"steady_outlet_rise": "K", "cold_end_rise": "K"}
        return SimpleNamespace(
            figures={n: Measurement(v, units.get(n, "%"), 0.8) for n, v in values.items()}
        )

    short_of_hot = cable_state(car(19.0, 2.4), usual)  # type: ignore[arg-type]
    assert short_of_hot is not None
    assert short_of_hot.offset.known() == pytest.approx(14.0, abs=2.0)
    assert "falls short of hot" in short_of_hot.sentence
    assert short_of_hot.gain.known() > 3.0
    short_of_cold = cable_state(car(2.4, 20.0), usual)  # type: ignore[arg-type]
    assert short_of_cold is not None
    assert short_of_cold.offset.known() == pytest.approx(-15.0, abs=2.0)
    assert "falls short of cold" in short_of_cold.sentence
    right = cable_state(car(5.0, 5.0), usual)  # type: ignore[arg-type]
    assert right is not None
    assert "within its adjustment" in right.sentence
    # wasted alike at both ends is slack, and no cable that is out: it falls out of the mean
    slack = cable_state(car(14.0, 14.0), usual)  # type: ignore[arg-type]
    assert slack is not None
    assert slack.offset.known() == pytest.approx(0.0, abs=2.0)
    assert "within its adjustment" in slack.sentence
    # an end that shrinks runs out of travel to waste: the end that grows keeps counting
    far = cable_state(car(30.0, 4.0), usual)  # type: ignore[arg-type]
    assert far is not None
    assert far.offset.known() == pytest.approx(25.0, abs=2.0)
    # JCGM 100:2008, 5.2.2: the mean of two ends that err alike to six tenths
    wide = [math.hypot(0.8, usual.spread[f"dead_travel_{end}"]) for end in ("cold", "hot")]
    mean = 0.5 * math.sqrt(wide[0] ** 2 + wide[1] ** 2 + 1.2 * wide[0] * wide[1])
    assert slack.offset.u == pytest.approx(mean)
    assert far.offset.u == pytest.approx(wide[0])
    # what the door falls short of its stop, down the curve's slope: 95 % of 48 K over its travel
    travel = 100.0 - 30.0 - 4.0
    slope = 0.95 * 48.0 / travel
    short = far.offset.known() - (usual.center["dead_travel_hot"] - 0.025 * travel)
    assert far.gain.known() == pytest.approx(slope * short)
    u = math.sqrt(wide[0] ** 2 + usual.spread["dead_travel_hot"] ** 2 + (0.35 * short) ** 2)
    assert far.gain.u == pytest.approx(slope * u)
    more = cable_state(car(16.0, 12.0), usual)  # type: ignore[arg-type]
    assert more is not None
    shown = (16.0 - usual.center["dead_travel_cold"], usual.center["dead_travel_hot"] - 12.0)
    assert more.offset.known() == pytest.approx(0.5 * sum(shown))


@pytest.mark.parametrize("word", ["twin", "stands_for"])
def test_a_misspelled_figure_in_the_table_is_refused(word: str) -> None:
    table = knowledge()
    figures = dict(table.figures)
    figures["coolant_plateau"] = figures["coolant_plateau"].model_copy(update={word: "coolant"})
    with pytest.raises(ValueError, match=r"figures.coolant_plateau: unknown figures \['coolant'\]"):
        Knowledge.model_validate({**dict(table), "figures": figures})


def test_a_misspelled_figure_of_a_cause_is_refused() -> None:
    table = knowledge()
    row = table.cause[0].model_copy(update={"harms_unless": "speed"})
    with pytest.raises(ValueError, match=r"healthy: unknown names \['speed'\]"):
        Knowledge.model_validate({**dict(table), "cause": (row, *table.cause[1:])})
