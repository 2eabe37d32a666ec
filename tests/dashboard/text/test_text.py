"""Results and findings as text: 80 columns, and nothing from a log steers the terminal."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.text.result import WIDTH, check_lines, result_lines
from dashboard.text.shown import (
    clean,
    clock,
    figure_text,
    limit_text,
    plain,
    span,
    value_and_uncertainty,
    words,
)
from ingest.run import Finding, Rejected
from tests.support.signals.runs import make_run


def figure(value: float | None, u: float | None, unit: str, **more: Any) -> dict[str, Any]:
    return {
        "value": value,
        "unit": unit,
        "u": u,
        "verdict": "pass",
        "limit": None,
        "note": None,
    } | more


def result(**more: Any) -> dict[str, Any]:
    return {
        "schema": 1,
        "run": {"vehicle": "SC-014", "family": "Plover", "heater": "blend-air"},
        "figures": {
            "steady_outlet_rise": figure(61.23, 0.74, "K", verdict="fail", limit={"low": 64.0}),
            "coolant_plateau": figure(
                82.4,
                0.6,
                "°C",
                verdict="undecided",
                limit={"low": 82.0, "high": 95.0},
                note="the limit lies inside the guard band; hold 5 min longer",
            ),
            "speed_sensitivity": figure(-0.5934, 0.123, "K per 10 m/s"),
            "vacuum_decay": figure(73.2, 5.1, "kPa/min", verdict="fail", limit={"high": 6.0}),
            "warm_up_time": figure(
                None, None, "s", verdict="not measured", note="the engine was warm at the start"
            ),
            "thermostat_opening": figure(
                None, None, "°C", verdict="not measured", note="the engine was warm at the start"
            ),
        },
        "verdict": "fail",
        "causes": [
            {"cause": "lever_short_of_hot", "probability": 0.81, "evidence": ["dead travel 29 %"]},
            {"cause": "healthy", "probability": 0.12, "evidence": []},
            {"cause": "low_core_flow", "probability": 0.07, "evidence": []},
        ],
        "next_check": {
            "check": "cable",
            "title": "Look at the cable housing at its clips",
            "how": "Set the lever to the hot end and see whether the door reaches its stop. " * 3,
            "caution": "Keep fingers off the linkage.",
            "minutes": 5.0,
        },
        "quality": [
            {
                "channel": "outlet",
                "fault": "gap",
                "from_s": 310.2,
                "to_s": 318.0,
                "detail": "no reading for 7.8 s",
            }
        ],
    } | more


@pytest.mark.parametrize(
    ("value", "expanded", "shown"),
    [
        # two significant digits of the uncertainty, the value to the same place
        (46.2347, 1.84, ("46.2", "1.8")),
        (0.80123, 0.00996, ("0.801", "0.010")),
        (73.2, 9.96, ("73", "10")),
        (731.4, 123.0, ("730", "120")),
        (99.96, 0.0996, ("99.96", "0.10")),
        (-0.004, 0.25, ("0.00", "0.25")),
        (12.0, None, ("12", "")),
        (12.3456, 0.0, ("12.35", "")),
    ],
)
def test_rounding(value: float, expanded: float | None, shown: tuple[str, str]) -> None:
    assert value_and_uncertainty(value, expanded) == shown


@given(st.floats(-1e5, 1e5), st.floats(1e-6, 1e4))
def test_rounding_keeps_the_value_within_the_uncertainty(value: float, expanded: float) -> None:
    text, spread = value_and_uncertainty(value, expanded)
    # half a unit of the second digit of ± is at most a twentieth of it
    assert abs(float(text) - value) <= 0.0501 * expanded + 1e-9 * abs(value)
    assert float(spread) == pytest.approx(expanded, rel=0.051)
    digits = spread.replace(".", "").lstrip("0")
    assert len(digits.rstrip("0")) <= 2


def test_units_of_the_united_states() -> None:
    """Freezing and boiling, a difference of 10 K, one atmosphere, 10 mph in m/s."""
    assert figure_text(figure(100.0, None, "°C"), "us") == "212 °F"
    assert figure_text(figure(10.0, 0.5, "K"), "us") == "18.0 ± 1.8 °F"
    assert figure_text(figure(101.325, None, "kPa"), "us") == "29.92 inHg"
    # 1 K per 10 m/s is 1.8 °F per 22.37 mph
    assert figure_text(figure(1.0, None, "K per 10 m/s"), "us") == "0.8047 °F per 10 mph"
    assert figure_text(figure(33.86389, None, "kPa/min"), "us") == "10 inHg/min"
    assert figure_text(figure(61.0, 1.0, "s"), "us") == "61.0 ± 2.0 s"
    assert limit_text(figure(0, 0, "°C", limit={"low": 82.0, "high": 95.0}), "us") == ("180 to 203")


def test_units_stay_metric_otherwise() -> None:
    assert figure_text(figure(46.2, 0.9, "K"), "si") == "46.2 ± 1.8 K"
    assert figure_text(figure(0.8, 0.005, "–"), "si") == "0.800 ± 0.010"
    assert limit_text(figure(0, 0, "K", limit={"low": 38.0}), "si") == "38 or more"
    assert limit_text(figure(0, 0, "K", limit={"high": 12.5}), "si") == "12.5 or less"
    assert limit_text(figure(0, 0, "K"), "si") == ""


@pytest.mark.parametrize("units", ["si", "us"])
def test_a_result_has_its_parts_within_the_width(units: str) -> None:
    lines = result_lines(result(), units)
    assert max(map(len, lines)) <= WIDTH
    text = "\n".join(lines)
    assert lines[0].startswith("SC-014")
    assert lines[0].endswith("FAIL")
    for part in ("steady outlet rise", "speed sensitivity", "Not measured", "Next check"):
        assert part in text
    assert "Look at the cable housing at its clips (5 min)" in text
    assert "Caution: Keep fingers off the linkage." in text
    assert "outlet, 5:10 to 5:18: no reading for 7.8 s" in text
    assert " 81 %  lever short of hot" in text
    assert "  7 %  all others together" in text
    assert "low core flow" not in text


def test_figures_that_lack_the_same_thing_share_a_line() -> None:
    lines = result_lines(result(), "si")
    assert "- warm-up time, thermostat opening: the engine was warm at the start" in lines


def test_figures_stand_with_value_limits_and_verdict() -> None:
    lines = result_lines(result(), "si")
    row = next(line for line in lines if line.startswith("steady outlet rise"))
    assert row.split("  ")[0] == "steady outlet rise"
    assert "61.2 ± 1.5 K" in row
    assert "64 or more" in row
    assert row.endswith("fail")


def test_a_figure_without_a_limit_passes_nothing() -> None:
    document = result()
    document["figures"] = {"response_time": figure(2.5, 0.1, "s", verdict="pass", note="two steps")}
    lines = result_lines(document, "si")
    row = next(line for line in lines if line.startswith("response time"))
    assert row.endswith("no limit")
    assert "- response time: two steps" in lines


def test_colors_only_where_asked_for() -> None:
    plain_lines, painted = (result_lines(result(), "si", color=color) for color in (False, True))
    assert "\x1b" not in "".join(plain_lines)
    assert "\x1b[31;1mFAIL\x1b[0m" in painted[0]
    assert [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in painted] == plain_lines


def test_nothing_measured_is_said() -> None:
    document = result(figures={}, verdict="not measured", causes=[], quality=[], next_check=None)
    assert "No figure could be measured." in result_lines(document, "si")


def test_names_from_a_log_cannot_steer_the_terminal() -> None:
    hostile = "SC\x1b[2J\x07\u202e-1\nFAIL"
    document = result(run={"vehicle": hostile, "family": None})
    document["quality"] = [{"channel": hostile, "fault": hostile, "detail": hostile}]
    document["causes"] = [{"cause": hostile, "probability": 0.9, "evidence": [hostile]}]
    document["figures"]["coolant_plateau"]["note"] = hostile
    lines = result_lines(document, "si")
    assert all(mark.isprintable() for line in lines for mark in line)
    assert max(map(len, lines)) <= WIDTH
    assert clean("Fußraum °C, 右") == "Fußraum °C, 右"


@given(st.text(max_size=300))
def test_any_name_keeps_the_width(name: str) -> None:
    document = result(run={"vehicle": name, "family": name, "purpose": name})
    document["figures"][name] = figure(1e9, 1e-9, name)
    lines = result_lines(document, "si")
    assert max(map(len, lines)) <= WIDTH


def test_many_findings_are_cut_short_and_counted() -> None:
    many = [{"channel": "outlet", "fault": "gap", "detail": f"gap {n}"} for n in range(40)]
    lines = result_lines(result(quality=many), "si")
    assert "  ... and 28 more; --json lists them all" in lines


def test_check_lists_channels_and_findings() -> None:
    time = np.arange(0.0, 100.0)
    outlet = np.linspace(-5.0, 55.25, time.size)
    outlet[:25] = np.nan
    run = make_run(
        time,
        {"outlet": outlet, "ambient": np.full(time.size, np.nan)},
        [(0.0, "temp_lever", 100.0), (0.0, "blower", 4.0)],
    ).with_(
        findings=(
            Finding("gap", "no reading for 25 s", "outlet", 0.0, 25.0),
            Finding("stuck", "stands at 7.0", "ambient", forbids=True),
        ),
        rejected=tuple(Rejected("log.csv", line, "x", "no number") for line in range(5, 13)),
        rejected_count=8,
    )
    lines = check_lines(run, "us")
    text = "\n".join(lines)
    assert max(map(len, lines)) <= WIDTH
    row = next(line for line in lines if line.startswith("outlet"))
    assert "75.0 %" in row
    # -5 + 60.25 * 25/99 = 10.21 °C, and 55.25 °C
    assert row.endswith("50.4 to 131.4 °F")
    assert "no valid reading" in next(line for line in lines if line.startswith("ambient"))
    assert "Controls noted: blower, temp_lever" in text
    assert text.index("Left out of the analysis") < text.index("stands at 7.0")
    assert text.index("Worth a look") < text.index("no reading for 25 s")
    assert "8 rows, cells or events could not be used" in text
    assert "- log.csv line 5: no number" in lines
    assert "  ... and 3 more" in lines


def test_check_says_when_all_is_well() -> None:
    run = make_run(np.arange(0.0, 10.0), {"outlet": np.arange(10.0)})
    assert "Nothing wrong was found." in check_lines(run, "si")


@pytest.mark.parametrize(
    ("seconds", "shown"), [(0.0, "0:00"), (310.2, "5:10"), (-90.0, "-1:30"), (3599.7, "60:00")]
)
def test_clock(seconds: float, shown: str) -> None:
    assert clock(seconds) == shown


def test_spans_and_words() -> None:
    assert span(None, None) == ""
    assert span(10.0, None) == "at 0:10"
    assert span(10.0, 10.2) == "at 0:10"
    assert span(10.0, 70.0) == "0:10 to 1:10"
    assert words("dead_travel_cold") == "dead travel cold"
    assert words("warm_up_time") == "warm-up time"


@pytest.mark.parametrize(
    ("number", "shown"),
    [
        (0.0, "0"),
        (38.0, "38"),
        (2.0116, "2.012"),
        (1234.5, "1234"),
        (1e-7, "1e-07"),
        (-0.5, "-0.5"),
    ],
)
def test_plain_numbers(number: float, shown: str) -> None:
    assert plain(number) == shown
