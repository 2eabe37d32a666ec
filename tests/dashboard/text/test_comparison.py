"""Comparisons on the screen: units of the reader, numbers no finer than their uncertainty."""

from __future__ import annotations

import polars as pl

from dashboard.text.comparison import comparison_lines


def cells(frame: pl.DataFrame, units: str) -> list[list[str]]:
    return [line.split() for line in comparison_lines(frame, units)]


def test_a_level_has_an_offset_and_a_difference_has_none() -> None:
    # 0 °C is 32 °F and 100 °C is 212 °F; a difference of 5 K is one of 9 °F
    frame = pl.DataFrame(
        {"unit": ["°C"], "mean": [100.0], "difference": [5.0], "low": [0.0], "high": [10.0]}
    )
    assert cells(frame, "us")[1] == ["°F", "212", "9", "0", "18"]
    assert cells(frame, "si")[1] == ["°C", "100", "5", "0", "10"]


def test_without_a_difference_the_ends_are_levels() -> None:
    frame = pl.DataFrame(
        {"unit": ["°C"], "value": [100.0], "u": [0.5], "low": [0.0], "high": [100.0]}
    )
    assert cells(frame, "us")[1] == ["°F", "212", "0.9", "32", "212"]


def test_numbers_are_rounded_to_two_digits_of_their_uncertainty() -> None:
    # JCGM 100:2008, 7.2.6
    frame = pl.DataFrame({"unit": ["K"], "value": [61.07347], "u": [0.6969], "usual": [66.79]})
    assert cells(frame, "si")[1] == ["K", "61.1", "0.7", "66.8"]


def test_what_has_no_uncertainty_has_three_digits() -> None:
    frame = pl.DataFrame({"unit": ["%"], "cars": [1], "mean": [85.7529], "percentile": [100.0]})
    assert cells(frame, "si")[1] == ["%", "1", "85.8", "100"]


def test_a_ratio_has_no_unit() -> None:
    frame = pl.DataFrame({"unit": ["–"], "value": [0.77], "u": [0.01]})
    assert cells(frame, "us")[1] == ["-", "0.77", "0.01"]
