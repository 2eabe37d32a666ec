"""Two limits files compared in words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.limits import Limit, Limits, parse_limits
from analysis.tune.explain import explain
from analysis.tune.limits_file import limits_text
from ingest.errors import UnusableRun


def limits(version: str, **figures: Limit) -> Limits:
    return Limits(version, "me", "2026-01-01", f"basis of {version}", figures)


def test_what_changed_is_said() -> None:
    old = limits(
        "a",
        steady_outlet_rise=Limit(35.0, None, "old"),
        warm_up_time=Limit(None, 900.0, "old"),
        vacuum_decay=Limit(None, 10.0, "old"),
        cold_end_rise=Limit(None, 6.0, "old"),
    )
    new = limits(
        "b",
        steady_outlet_rise=Limit(40.0, None, "tuned"),
        warm_up_time=Limit(None, 950.0, "tuned"),
        cold_end_rise=Limit(None, 6.0, "asked again"),
        coolant_drop=Limit(0.0, 22.0, "new"),
    )
    text = "\n".join(explain(old, new))
    assert "a (2026-01-01, me) → b (2026-01-01, me)" in text
    assert "fails below 40 K instead of 35 K (stricter: more cars fail); because: tuned" in text
    assert "fails above 950 s instead of 900 s (more lenient: fewer cars fail)" in text
    assert "vacuum decay has no limit of its own any more (fails above 10 kPa/min)" in text
    assert "cold end rise stays fails above 6 K, with another basis: asked again" in text
    assert "coolant drop is new: fails below 0 K and fails above 22 K" in text


def test_families_and_sides() -> None:
    old = Limits("a", "m", "d", "b", families={"Knot": {"coolant_drop": Limit(None, 20.0, "x")}})
    new = Limits("b", "m", "d", "b", families={"Knot": {"coolant_drop": Limit(0.0, None, "y")}})
    text = "\n".join(explain(old, new))
    assert "family Knot: coolant drop now also fails below 0 K; no longer fails above 20 K" in text


def test_nothing_changed() -> None:
    same = limits("a", vacuum_decay=Limit(None, 10.0, "old"))
    assert len(explain(same, same)) == 1
    assert "nothing changes" in explain(same, same)[0]
    other = replace(same, version="b")
    assert explain(same, other)[-1] == "nothing changes for any car: no limit differs"


def test_the_runs_a_limit_lies_between_are_part_of_the_file() -> None:
    first = Limit(None, 6.0, "tuned", 3.0, ("c80ed516eca12d2b", "c89cfc6c9f9a09eb"), ("085d02f0",))
    told = limits("a", cold_end_rise=first)
    assert parse_limits(limits_text(told)) == told
    with pytest.raises(UnusableRun, match="good_runs"):
        parse_limits(limits_text(told).replace('["c80ed516eca12d2b", "c89cfc6c9f9a09eb"]', "7"))


def test_a_fingerprint_is_part_of_the_file() -> None:
    text = (
        'version = "1"\nauthor = "me"\ndate = 2026-01-01\nbasis = "b"\nfingerprint = "ab12"\n'
        '[figure.vacuum_decay]\nhigh = 10\nbasis = "x"\n'
    )
    assert parse_limits(text).fingerprint == "ab12"
    assert parse_limits(text.replace('fingerprint = "ab12"\n', "")).fingerprint == ""
