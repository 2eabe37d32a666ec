"""Limits of error of every type and class, at ends where one part or the other counts.

Written out from IEC 60584-1:2013, table 12 (1 to 3), ASTM E230 (standard, special) and
IEC 60751:2008, table 3 (values from memory); percentages as the standards give them.
"""

from __future__ import annotations

import pytest

from ingest.sensors.tolerances import PLATINUM_LIMITS, THERMOCOUPLE_LIMITS

LARGER_OF = {
    ("K", "1"): (1.5, 0.4), ("K", "2"): (2.5, 0.75), ("K", "3"): (2.5, 1.5),
    ("K", "standard"): (2.2, 0.75), ("K", "special"): (1.1, 0.4),
    ("N", "1"): (1.5, 0.4), ("N", "2"): (2.5, 0.75), ("N", "3"): (2.5, 1.5),
    ("N", "standard"): (2.2, 0.75), ("N", "special"): (1.1, 0.4),
    ("E", "1"): (1.5, 0.4), ("E", "2"): (2.5, 0.75), ("E", "3"): (2.5, 1.5),
    ("E", "standard"): (1.7, 0.5), ("E", "special"): (1.0, 0.4),
    ("J", "1"): (1.5, 0.4), ("J", "2"): (2.5, 0.75),
    ("J", "standard"): (2.2, 0.75), ("J", "special"): (1.1, 0.4),
    ("T", "1"): (0.5, 0.4), ("T", "2"): (1.0, 0.75), ("T", "3"): (1.0, 1.5),
    ("T", "standard"): (1.0, 0.75), ("T", "special"): (0.5, 0.4),
    ("R", "2"): (1.5, 0.25), ("R", "standard"): (1.5, 0.25), ("R", "special"): (0.6, 0.1),
    ("S", "2"): (1.5, 0.25), ("S", "standard"): (1.5, 0.25), ("S", "special"): (0.6, 0.1),
    ("B", "2"): (1.5, 0.25), ("B", "3"): (4.0, 0.5),
}  # fmt: skip
"""K or percent of the temperature, whichever is greater."""


def test_no_class_is_left_out() -> None:
    listed = {(letter, name) for letter, all_ in THERMOCOUPLE_LIMITS.items() for name in all_}
    assert listed == {*LARGER_OF, ("R", "1"), ("S", "1")}


@pytest.mark.parametrize(("letter", "name"), LARGER_OF)
def test_the_larger_of_two_counts(letter: str, name: str) -> None:
    fixed, percent = LARGER_OF[letter, name]
    limit = THERMOCOUPLE_LIMITS[letter][name]
    both = 100.0 * fixed / percent
    assert limit.at(0.0) == fixed
    assert limit.at(0.99 * both) == fixed
    for t in (1.01 * both, 2.0 * both, -2.0 * both):
        assert limit.at(t) == pytest.approx(abs(t) * percent / 100.0)


@pytest.mark.parametrize("letter", ["R", "S"])
def test_class_1_of_platinum_couples_grows_from_1100_degrees_on(letter: str) -> None:
    limit = THERMOCOUPLE_LIMITS[letter]["1"]
    for t, expected in ((0.0, 1.0), (1100.0, 1.0), (1200.0, 1.3), (1600.0, 2.5)):
        assert limit.at(t) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("name", "at_0", "at_100"),
    [("AA", 0.1, 0.27), ("A", 0.15, 0.35), ("B", 0.3, 0.8), ("C", 0.6, 1.6)],
)
def test_of_platinum_resistors_both_parts_add(name: str, at_0: float, at_100: float) -> None:
    assert PLATINUM_LIMITS[name].at(0.0) == pytest.approx(at_0)
    for t in (100.0, -100.0):
        assert PLATINUM_LIMITS[name].at(t) == pytest.approx(at_100)
    assert len(PLATINUM_LIMITS) == 4
