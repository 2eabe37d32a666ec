"""What owners read: sentences true of the figures, quantities in the reader's units."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from analysis.causes.diagnose import Cause
from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.pipeline import Analysis, analyze
from analysis.verdict import Verdict, judge_one
from dashboard.report.blocks import glued, short
from dashboard.report.owner import answer, closing, what_was_wrong
from dashboard.report.owner_facts import facts
from dashboard.report.subject import Papers, Subject, subject_of
from dashboard.report.work_order import TO_FILL_IN, papers, signed
from ingest.load.load import load_run

SAMPLES = Path(__file__).parents[3] / "sample_logs"


@cache
def good() -> Analysis:
    return analyze(load_run(SAMPLES / "SC-014-after-repair"))


def with_figure(name: str, value: float, u: float, limit: Limit) -> Analysis:
    """The good run with one figure replaced and judged."""
    unit = good().figures[name].unit
    measured = Measurement(value, unit, u)
    figures = {**good().figures, name: measured}
    judged = {**good().judged, name: judge_one(name, measured, limit)}
    return replace(good(), figures=figures, judged=judged, verdict="fail")


def with_causes(verdict: Verdict, *causes: tuple[str, str, float]) -> Subject:
    made = tuple(Cause(name, title, share, (), "") for name, title, share in causes)
    return subject_of([replace(good(), causes=made, verdict=verdict)], (), (), None, "si")


def told(analysis: Analysis, units: str = "si", **family: tuple[float, float]) -> str:
    return "\n".join(facts(replace(subject_of([analysis], (), (), None, units), family=family)))


def test_colder_by_speed_is_told_with_its_sign_turned() -> None:
    limit = Limit(-2.5, None, "")
    slow = with_figure("speed_sensitivity", -10.2, 0.5, limit)
    sentence = "For every 36 km/h faster it gets 10 °C colder at the feet; it should be {} at most."
    # half a degree less than 3 rounds to even: 2
    assert sentence.format("2 °C") in told(slow)
    assert "For every 22 mph faster it gets 18 °F colder at the feet" in told(slow, "us")
    assert "cars of this kind have 2 °C at most" in told(slow, speed_sensitivity=(-1.6, 0.4))


def test_a_sentence_that_would_be_false_is_left_out() -> None:
    warmer = with_figure("speed_sensitivity", 10.2, 0.5, Limit(None, 2.5, ""))
    assert "colder at the feet" not in told(warmer)
    backwards = with_figure("coolant_drop", -20.0, 0.5, Limit(0.0, 22.0, ""))
    assert "hot water" not in told(backwards)


def test_small_numbers_are_not_called_none() -> None:
    reversed_lever = with_figure("core_effectiveness", 0.003, 0.001, Limit(0.45, None, ""))
    assert "hands on less than 1 % of the warmth" in told(reversed_lever)


@pytest.mark.parametrize(
    ("family", "phrase"),
    [
        ((0.1, 0.2), "cars of this kind have less than 1 °C."),
        ((0.1, 1.4), "cars of this kind have 1 °C at most."),
        ((1.1, 1.4), "cars of this kind have 1 °C."),
        ((1.1, 3.4), "cars of this kind have 1 to 3 °C."),
    ],
)
def test_the_range_of_the_family(family: tuple[float, float], phrase: str) -> None:
    warm_at_cold = with_figure("cold_end_rise", 19.0, 0.5, Limit(None, 6.0, ""))
    assert phrase in told(warm_at_cold, cold_end_rise=family)


def test_a_heater_that_passes_but_shows_a_fault_is_not_called_well() -> None:
    weak = with_causes("pass", ("weak_airflow", "too little air is blown", 0.9))
    assert answer(weak) == "The heater gets warm, but something else is not right."
    assert "next step" in closing(weak)
    assert what_was_wrong(weak) == ["Most likely too little air is blown (90 %)."]


def test_a_sound_heater_is_said_to_need_nothing() -> None:
    sound = with_causes("pass", ("healthy", "nothing is wrong with this heater", 0.9))
    assert answer(sound) == "Yes, the heater is warm."
    assert closing(sound) == "Everything that could be measured is as it should be."
    unsure = with_causes("undecided", ("healthy", "nothing is wrong with this heater", 0.6))
    assert answer(unsure) != answer(sound)
    assert closing(unsure).startswith(
        "Not everything could be decided. The test found nothing that must be repaired."
    )
    assert "as it should be" not in closing(unsure)


def test_where_something_failed_nothing_wrong_is_no_answer() -> None:
    told = (("loose", "the cable is loose", 0.55), ("healthy", "nothing is wrong", 0.40))
    assert what_was_wrong(with_causes("fail", *told)) == ["Most likely the cable is loose (55 %)."]
    assert "nothing is wrong" in what_was_wrong(with_causes("undecided", *told))[0]


def test_two_likely_causes_are_both_named() -> None:
    both = with_causes("fail", ("a", "the one", 0.45), ("b", "the other", 0.40), ("c", "no", 0.05))
    assert what_was_wrong(both) == [
        "Perhaps the one (45 %). It could also be that the other (40 %)."
    ]


def test_a_sign_stays_with_its_number() -> None:
    assert glued("6 to 8 % at 67 °C, 5 K") == "6 to 8\u00a0% at 67\u00a0°C, 5 K"


def test_fields_of_the_papers_are_printed_to_be_filled_in() -> None:
    empty = with_causes("pass", ("healthy", "nothing is wrong with this heater", 0.9))
    assert papers(empty) == ("Order", TO_FILL_IN, "Odometer", TO_FILL_IN)
    assert signed(empty).rows[0][2:] == ("Signature", TO_FILL_IN)
    given = replace(empty, papers=Papers("WO 4711", "88,210 mi", "R. Finch"))
    assert papers(given) == ("Order", "WO 4711", "Odometer", "88,210 mi")
    assert signed(given).rows[0] == ("Technician", "R. Finch", "Signature", TO_FILL_IN)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("one thing is; another thing is so", "one thing is; another thing is so"),
        ("cold air gets past a seal; cold air gets into the cabin", "cold air gets past a seal; …"),
        ("a sentence that goes on with wordsandwordsandwords", "a sentence that goes on with …"),
        ("n" * 60, "n" * 39 + "…"),
    ],
)
def test_what_is_too_long_ends_between_statements(text: str, told: str) -> None:
    assert short(text, 40) == told


def test_a_difference_is_not_told_as_a_temperature() -> None:
    """35 K above the outside air is no air of 35 °C; sentences: common practice, no source."""
    (rise,) = (
        line for line in facts(subject_of([good()], (), (), None, "si")) if "At full hot" in line
    )
    assert rise.endswith("it should be at least 35 °C warmer.")
