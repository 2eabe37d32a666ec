"""The limits file: the default one, overrides, and everything a person can write wrongly."""

from __future__ import annotations

from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.figures import all_figures, bad_side
from analysis.limits import Limit, default_limits, for_standing, limits_for, parse_limits
from ingest.errors import UnusableRun
from ingest.setup.model import Heater

HEAD = 'version = "7"\nauthor = "J. Marsh"\ndate = 2026-02-01\nbasis = "winter trial"\n'


def test_every_figure_has_a_default_limit_or_says_that_it_has_none() -> None:
    assert set(default_limits().figures) == {each.name for each in all_figures()}


OTHER_SIDE = {"coolant_drop": ["low"], "coolant_plateau": ["high"], "thermostat_opening": ["high"]}
"""Sides that are bad for any car, though not for differing from the family."""


@pytest.mark.parametrize("heater", get_args(Heater))
def test_default_covers_every_layout(heater: str) -> None:
    limits = limits_for(default_limits(), "Plover", heater)
    for name, limit in limits.items():
        bad = {bad_side(name), *OTHER_SIDE.get(name, ())}
        assert limit.low is None or bad & {"low", "both"}, name
        assert limit.high is None or bad & {"high", "both"}, name
        assert limit.harmless > 0.0, name
        assert limit.basis.startswith(("common practice, no source", "physics")), name


def test_default_tells_the_two_thermostats_apart() -> None:
    """Common practice, no source: 180 °F in winter is right, 160 °F left in from summer is not."""
    limit = limits_for(default_limits(), None, "blend-air")["coolant_plateau"]
    assert limit.low is not None
    assert (160 - 32) / 1.8 < limit.low < (180 - 32) / 1.8


def test_a_water_valve_may_answer_slowly() -> None:
    blend = limits_for(default_limits(), None, "blend-air")["response_time"]
    valve = limits_for(default_limits(), None, "water-valve")["response_time"]
    assert blend.high is not None
    assert valve.high is not None
    assert valve.high > 3 * blend.high


def test_family_goes_before_layout_before_all() -> None:
    limits = parse_limits(
        HEAD
        + """
        [figure.coolant_drop]
        high = 20
        basis = "all"
        [heater.combined.coolant_drop]
        high = 18
        basis = "layout"
        [family.Knot.coolant_drop]
        high = 16
        basis = "family"
        """
    )
    assert limits.version == "7"
    assert limits.date == "2026-02-01"
    assert limits_for(limits, "Plover", "blend-air")["coolant_drop"].basis == "all"
    assert limits_for(limits, "Plover", "combined")["coolant_drop"].basis == "layout"
    assert limits_for(limits, "Knot", "combined")["coolant_drop"].high == 16.0


def test_a_limit_can_be_taken_away() -> None:
    limits = parse_limits(
        HEAD
        + """
        [figure.coolant_drop]
        high = 20
        basis = "all"
        [family.Knot.coolant_drop]
        unlimited = true
        basis = "two cores"
        """
    )
    assert "coolant_drop" in limits_for(limits, "Plover", "combined")
    assert "coolant_drop" not in limits_for(limits, "Knot", "combined")


FIGURE = '[figure.coolant_drop]\nhigh = 20\nbasis = "x"\n'

BROKEN = {
    "not TOML": ("version = ", "not TOML"),
    "no version": (HEAD.replace('version = "7"\n', "") + FIGURE, "version"),
    "empty author": (HEAD.replace("J. Marsh", " ") + FIGURE, "author"),
    "no limit at all": (HEAD, "no limit"),
    "misspelt figure": (HEAD + FIGURE.replace("drop", "dorp"), "did you mean coolant_drop?"),
    "misspelt layout": (
        HEAD + '[heater.blendair.coolant_drop]\nhigh = 2\nbasis = "x"\n',
        "did you mean blend-air?",
    ),
    "misspelt key": (HEAD + FIGURE.replace("high", "hihg"), "did you mean high?"),
    "misspelt table": (HEAD + FIGURE.replace("figure", "figures"), "did you mean figure?"),
    "words for a number": (HEAD + FIGURE.replace("20", '"20 K"'), "finite number"),
    "a truth value for a number": (HEAD + FIGURE.replace("20", "true"), "finite number"),
    "infinite": (HEAD + FIGURE.replace("20", "inf"), "finite number"),
    "low above high": (HEAD + FIGURE + "low = 30\n", "low below high"),
    "neither side": (HEAD + '[figure.coolant_drop]\nbasis = "x"\n', "neither low nor high"),
    "both given and unlimited": (HEAD + FIGURE + "unlimited = true\n", "both a limit and"),
    "a harmless difference below zero": (HEAD + FIGURE + "harmless = -1\n", "zero or more"),
    "unlimited in words": (
        HEAD + '[figure.coolant_drop]\nunlimited = "yes"\nbasis = "x"\n',
        "true",
    ),
    "no basis": (HEAD + "[figure.coolant_drop]\nhigh = 20\n", "no basis"),
    "a number for a table": (HEAD + "[figure]\ncoolant_drop = 20\n", "a table"),
    "a number for all": (HEAD + "figure = 3\n", "tables"),
    "a number for the layouts": (HEAD + "heater = 3\n", "tables"),
}


@pytest.mark.parametrize(("text", "says"), BROKEN.values(), ids=BROKEN.keys())
def test_broken_files_name_the_place(text: str, says: str) -> None:
    with pytest.raises(UnusableRun) as caught:
        parse_limits(text, "shop.toml")
    assert all(str(fault).startswith("shop.toml") for fault in caught.value.faults)
    assert says in str(caught.value)
    assert all("\n" not in str(fault) for fault in caught.value.faults)


def test_all_faults_at_once() -> None:
    with pytest.raises(UnusableRun) as caught:
        parse_limits("[figure.coolant_dorp]\nhigh = 1\n[figure.coolant_drop]\nlow = 'a'\n")
    assert len(caught.value.faults) >= 6  # four header keys, the name, the number, the basis


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    with pytest.raises(UnusableRun):
        parse_limits(text)


def test_an_idling_engine_may_take_twice_as_long_by_the_default_limit_alone() -> None:
    default = limits_for(default_limits(), None, "blend-air")
    standing = for_standing(default)
    assert standing["warm_up_time"].high == 2.0 * (default["warm_up_time"].high or 0.0)
    assert "idling" in standing["warm_up_time"].basis
    assert {name for name in default if standing[name] != default[name]} == {"warm_up_time"}
    own = default | {"warm_up_time": Limit(None, 900.0, "a test in the yard")}
    assert for_standing(own) == own
