"""A tuning in words where labels are few."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal

import pytest

from analysis.tune.change import changes
from analysis.tune.count_words import counted
from dashboard.text.limit_numbers import number, span_text
from dashboard.text.tuning import change_lines, cost_text, tuning_lines
from tests.analysis.tune.test_tune_store import tuned
from tests.support.tune_fleet import Fleet, draw_fleet


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return draw_fleet(60, 3, names=("steady_outlet_rise",))


def lines_of(fleet: Fleet, good: int, bad: int) -> list[str]:
    """What is said of so many labelled cars."""
    head, *rows = fleet.labels.splitlines()
    kept = [row for row in rows if ",good" in row][:good]
    kept += [row for row in rows if ",bad" in row][:bad]
    return tuning_lines(tuned(replace(fleet, labels="\n".join([head, *kept])))[0], (), "si")


@pytest.mark.parametrize(("good", "bad"), [(1, 1), (2, 1), (3, 2), (6, 6)])
def test_few_labels_are_said_to_be_few(fleet: Fleet, good: int, bad: int) -> None:
    text = "\n".join(lines_of(fleet, good, bad))
    numbers = f"{counted(good, 'good car')}, {counted(bad, 'bad car')}"
    assert f"caution: labels are few ({numbers};" in text
    assert "nan" not in text
    assert not re.search(r"\b1 (?:\w+ )?(?:cars|runs|others)\b", text)


def test_one_bad_car_says_nothing_of_the_area(fleet: Fleet) -> None:
    lines = lines_of(fleet, 3, 1)
    assert any("1 car, area too few to tell" in line for line in lines)
    assert not any(re.search(r"area \d", line) for line in lines)


def test_enough_labels_need_no_caution(fleet: Fleet) -> None:
    lines = lines_of(fleet, 12, 12)
    assert not any("labels are few" in line for line in lines)
    assert any(re.search(r"area under the ROC curve \d", line) for line in lines)


def test_limits_are_rounded_to_their_interval() -> None:
    """An uncertainty has two digits and its value ends where it does (JCGM 100:2008, 7.2.6)."""
    interval = (55.1234, 57.8888)  # ± 1.4
    assert number(56.42341, "K", "si", interval) == "56.4 K"
    assert span_text(interval, "K", "si") == "55.1 to 57.9"
    assert number(56.42341, "K", "us", interval) == "101.6 °F"  # 1.8 °F a kelvin (NIST SP 811)
    assert number(1234.567, "s", "si", (1000.0, 1500.0)) == "1230 s"
    assert cost_text(0.123456, 0.1, 0.15) == "0.123 (0.1 to 0.15)"


@pytest.mark.parametrize("units", ["si", "us"])
def test_no_value_has_more_digits_than_its_interval_allows(fleet: Fleet, units: str) -> None:
    for line in tuning_lines(tuned(fleet)[0], (), units):
        told = re.search(r"(-?[\d.]+) \S+ \(95 % interval (-?[\d.]+) to (-?[\d.]+)", line)
        if told is not None:
            value, low, high = (Decimal(each) for each in told.groups())
            assert -value.as_tuple().exponent <= max(0, 1 - ((high - low) / 2).adjusted())


def test_a_changed_run_is_said_in_the_units_of_its_reader(fleet: Fleet) -> None:
    made, matched = tuned(fleet)
    changed = changes(fleet.runs, fleet.figures, made.limits, matched)
    assert changed
    said = "\n".join(change_lines(changed, "us"))
    assert " K:" in "\n".join(change_lines(changed, "si"))
    assert "°F:" in said
    assert " K:" not in said


def test_no_change_is_said() -> None:
    assert change_lines((), "si") == ["No run of the store would change sides."]
