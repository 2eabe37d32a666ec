"""Thermocouples against NIST's tables and an independent implementation."""

from __future__ import annotations

import csv
import re
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
import thermocouple_its90
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest.sensors.thermocouple import (
    END_TOLERANCE,
    Letter,
    emf,
    invertible_range,
    seebeck,
    seebeck_at,
    temperature,
    temperature_range,
)

DATA = Path(__file__).parents[2] / "data" / "its90"
HALF_DIGIT = 0.0005 + 1e-9
"""Half of the 0.001 mV that the tables are printed in."""

# NIST SRD 60: the ranges printed above the inverse coefficients of types R and S, °C and mV. The
# ends are printed to 0.001 mV, some of them cut instead of rounded.
RANGE_ENDS = {
    "R": {-50.0: -0.226, 250.0: 1.923, 1200.0: 13.228, 1664.5: 19.739, 1768.1: 21.103},
    "S": {-50.0: -0.235, 250.0: 1.874, 1200.0: 11.950, 1664.5: 17.536, 1768.1: 18.693},
}

# Points of the tables of types R and S, from memory.
REMEMBERED = {
    "R": {100.0: 0.647, 500.0: 4.471, 1000.0: 10.506, 1500.0: 17.451},
    "S": {100.0: 0.646, 500.0: 4.233, 1000.0: 9.587, 1500.0: 15.582},
}


def printed_table(letter: str) -> NDArray[np.float64]:
    """All (°C, mV) of a NIST table file: each line holds ten or eleven steps of 1 °C."""
    points = []
    direction = 1
    for line in (DATA / f"type_{letter}.tab").read_text(encoding="latin-1").splitlines():
        if re.match(r"\s*.?C\s+0\s+-?1", line):
            direction = -1 if "-1" in line else 1
        match = re.match(r"\s*(-?\d+)((?:\s+-?\d+\.\d{3})+)\s*$", line)
        if match:
            start = int(match[1])
            points += [
                (start + direction * step, float(value))
                for step, value in enumerate(match[2].split())
            ]
    return np.array(points)


def excerpt(letter: str) -> NDArray[np.float64]:
    with (DATA / "other_types.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["type"] == letter]
    return np.array([(float(row["temperature_degC"]), float(row["emf_mV"])) for row in rows])


LETTERS = get_args(Letter)

TABLES = {
    "K": printed_table("k"),
    "T": printed_table("t"),
    **{letter: excerpt(letter) for letter in "BEJN"},
}


def test_tables_were_read_whole() -> None:
    # 1 °C steps over the range; 0 °C and the last value of each line stand there twice
    assert np.unique(TABLES["K"][:, 0]).size == 1372 + 270 + 1
    assert np.unique(TABLES["T"][:, 0]).size == 400 + 270 + 1
    assert sum(TABLES[letter].shape[0] for letter in "BEJN") > 100


@pytest.mark.parametrize("letter", TABLES)
def test_forward_matches_every_printed_value(letter: Letter) -> None:
    points = TABLES[letter]
    assert np.abs(emf(letter, points[:, 0]) - points[:, 1]).max() <= HALF_DIGIT


@pytest.mark.parametrize("letter", TABLES)
def test_inverse_of_printed_values_is_within_their_rounding(letter: Letter) -> None:
    """0.5 uV of rounding is worth 0.0005/S kelvin; S is the smallest slope near the point."""
    points = TABLES[letter]
    low = (
        60.0 if letter == "B" else -260.0
    )  # nearer to the flat end the slope changes within 0.5 uV
    points = points[points[:, 0] >= low]
    found = temperature(letter, points[:, 1])
    allowed = HALF_DIGIT / seebeck(letter, points[:, 0]) * 1.3 + 1e-3
    assert not np.isnan(found).any()
    assert (np.abs(found - points[:, 0]) <= allowed).all()


@pytest.mark.parametrize("letter", RANGE_ENDS)
def test_ends_of_the_printed_ranges(letter: Letter) -> None:
    for t, e in RANGE_ENDS[letter].items():
        assert float(emf(letter, t)) == pytest.approx(e, abs=0.001)
    for t, e in REMEMBERED[letter].items():
        assert float(emf(letter, t)) == pytest.approx(e, abs=HALF_DIGIT)


@pytest.mark.parametrize("letter", LETTERS)
def test_forward_matches_an_independent_implementation(letter: Letter) -> None:
    table = thermocouple_its90.get(letter)
    at = np.linspace(*temperature_range(letter), 2003)
    theirs = np.array([table.emf(float(t)) for t in at])
    assert np.abs(emf(letter, at) - theirs).max() < 1e-9


@pytest.mark.parametrize("letter", LETTERS)
def test_inverse_is_the_root_everywhere(letter: Letter) -> None:
    span = invertible_range(letter)
    at = np.concatenate(
        [np.linspace(span.t_low, span.t_high, 200_003), span.t_low + np.linspace(0.0, 30.0, 50_001)]
    )
    found = temperature(letter, emf(letter, at))
    if letter == "B":
        found, at = found[emf(letter, at) > 0.0], at[emf(letter, at) > 0.0]
    assert np.abs(found - at).max() < 1e-4


@pytest.mark.parametrize("letter", LETTERS)
def test_inverse_with_cold_junctions_of_every_kind(letter: Letter) -> None:
    random = np.random.default_rng(5)
    span = invertible_range(letter)
    at = random.uniform(span.t_low + 1e-3, span.t_high, 70_001)
    lowest = temperature_range(letter)[0]
    for cold in (
        np.full(at.size, 23.4),
        random.normal(24.0, 0.1, at.size),  # a parabola for each block
        random.uniform(max(lowest, -40.0), 60.0, at.size),  # the table
    ):
        found = temperature(letter, emf(letter, at) - emf(letter, cold), cold)
        assert np.abs(found - at).max() < 2e-4


@pytest.mark.parametrize("letter", LETTERS)
def test_type_is_monotonic_where_it_is_inverted(letter: Letter) -> None:
    span = invertible_range(letter)
    assert (np.diff(emf(letter, np.linspace(span.t_low, span.t_high, 100_001))) > 0.0).all()


def test_cold_junction_is_compensated_in_volts() -> None:
    # a meter reads 4.096 mV with its terminals at 25 °C: 124.30995 °C, not 100 + 25 and not 99.994
    # (worked from the NIST functions with an independent implementation)
    assert float(temperature("K", 4.096, 25.0)) == pytest.approx(124.30995, abs=1e-4)
    assert float(emf("K", 100.0) - emf("K", 25.0)) == pytest.approx(3.095988, abs=1e-6)


@pytest.mark.parametrize("letter", LETTERS)
def test_outside_the_range_is_nothing(letter: Letter) -> None:
    low, high = temperature_range(letter)
    assert np.isnan(emf(letter, [low - 0.01, high + 0.01, np.nan, np.inf, -np.inf])).all()
    assert np.isnan(seebeck(letter, [low - 0.01, high + 0.01])).all()
    span = invertible_range(letter)
    outside = [span.e_low - 0.00051, span.e_high + 0.00051, 1e6, -1e6, np.nan, np.inf, -np.inf]
    assert np.isnan(temperature(letter, outside)).all()
    assert np.isnan(temperature(letter, [1.0, 1.0], [low - 0.01, np.nan])).all()
    assert np.isnan(temperature(letter, [1.0], high + 5.0)).all()


@pytest.mark.parametrize("letter", LETTERS)
def test_good_readings_do_not_hide_one_outside(letter: Letter) -> None:
    span = invertible_range(letter)
    low, high = temperature_range(letter)
    for beyond in (low - 0.5, high + 0.5):
        for cold in ([20.0, beyond], [beyond, beyond + 0.1], [high - 0.1, high + 0.5]):
            there = [low <= each <= high for each in cold]
            raw = np.where(there, 1.0 - emf(letter, np.clip(cold, low, high)) + 1.0, 1.0)
            assert (~np.isnan(temperature(letter, raw, cold))).tolist() == there
    good = 0.5 * (max(span.e_low, 0.0) + span.e_high)
    for beyond in (span.e_low - 0.01, span.e_high + 0.01):
        found = temperature(letter, [good, beyond, good])
        assert np.isnan(found).tolist() == [False, True, False]


@pytest.mark.parametrize("letter", [letter for letter in LETTERS if letter != "B"])
def test_rounded_end_points_convert_back(letter: Letter) -> None:
    """The printed values of the ends lie up to half a digit outside the functions' own."""
    span = invertible_range(letter)
    ends = [span.e_low - END_TOLERANCE + 1e-9, span.e_high + END_TOLERANCE - 1e-9]
    assert temperature(letter, ends).tolist() == [span.t_low, span.t_high]
    for end, t in zip(ends, (span.t_low, span.t_high), strict=True):
        assert temperature(letter, [1.0, end])[1] == t


def test_type_b_has_no_answer_where_two_temperatures_would_do() -> None:
    # NIST table of type B: 0.000 mV at 0 °C and at 42 °C, -0.003 mV around 21 °C
    assert np.isnan(temperature("B", [-0.003, -0.001, 0.0])).all()
    assert invertible_range("B").t_low == pytest.approx(42.13, abs=0.01)
    assert float(temperature("B", emf("B", 43.0))) == pytest.approx(43.0, abs=1e-3)


def test_shapes_and_broadcasting() -> None:
    volts = np.array([[1.0, 2.0], [3.0, np.nan]])
    assert temperature("K", volts).shape == (2, 2)
    assert temperature("K", 1.0).shape == ()
    assert temperature("K", np.zeros(0), np.zeros(0)).shape == (0,)
    per_row = temperature("K", volts, np.array([[20.0], [30.0]]))
    assert per_row[0, 1] == pytest.approx(float(temperature("K", 2.0, 20.0)), abs=1e-4)
    assert np.isnan(per_row[1, 1])
    assert emf("K", [[0.0, 100.0]]).shape == (1, 2)


def test_threads_and_blocks_give_what_one_sample_gives() -> None:
    random = np.random.default_rng(8)
    cold = random.uniform(10.0, 35.0, 400_001)
    volts = random.uniform(-7.0, 56.0, cold.size)  # in and out of range
    together = temperature("K", volts, cold)
    some = np.arange(0, cold.size, 9973)
    alone = np.array([float(temperature("K", volts[i], cold[i])) for i in some])
    assert np.allclose(together[some], alone, atol=2e-4, equal_nan=True)
    assert np.isnan(together).any()


@given(
    letter=st.sampled_from(LETTERS),
    share=st.floats(0.001, 1.0),
    cold=st.floats(0.0, 50.0),
)
def test_round_trip(letter: Letter, share: float, cold: float) -> None:
    span = invertible_range(letter)
    t = span.t_low + share * (span.t_high - span.t_low)
    volts = emf(letter, t) - emf(letter, cold)
    assert float(temperature(letter, volts, cold)) == pytest.approx(t, abs=1e-3)
    assert float(temperature(letter, [volts], [cold])[0]) == pytest.approx(t, abs=1e-3)


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True, width=64), max_size=40))
def test_any_number_converts_or_is_nothing(volts: list[float]) -> None:
    found = temperature("T", volts, np.full(len(volts), 25.0))
    low, high = temperature_range("T")
    assert all(np.isnan(t) or low <= t <= high for t in found)


@given(letter=st.sampled_from(LETTERS), pair=st.tuples(st.floats(-5, 70), st.floats(-5, 70)))
def test_more_volts_is_warmer(letter: Letter, pair: tuple[float, float]) -> None:
    low, high = (float(temperature(letter, volts)) for volts in sorted(pair))
    assert np.isnan(low) or np.isnan(high) or low <= high + 1e-9


@pytest.mark.parametrize("letter", LETTERS)
@given(share=st.floats(-0.01, 1.01))
def test_the_slope_at_one_temperature_is_that_of_an_array(letter: Letter, share: float):
    low, high = temperature_range(letter)
    joints = [low, high, 0.0, 630.615, 660.323, 1064.18, 1664.5]
    for t in (low + share * (high - low), *joints):
        np.testing.assert_array_equal(seebeck_at(letter, t), float(seebeck(letter, t)))
