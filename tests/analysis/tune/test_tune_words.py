"""A tuning in words where labels are few."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from analysis.tune.count_words import counted
from dashboard.text.tuning import change_lines, tuning_lines
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


def test_no_change_is_said() -> None:
    assert change_lines(()) == ["No run of the store would change sides."]
