"""When a finding puts a sensor in doubt: by how much of its readings it took, worked by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from analysis.causes.signs.doubt import doubted, left_out
from analysis.measurement import Measurement
from analysis.pipeline import Measured
from ingest.run import Finding

HAD = Measurement(45.0, "K", 0.5)
NOT_HAD = Measurement.missing("K", "no steady window")
DURATION_S = 1500.0


def measured(*findings: Finding, **figures: Measurement) -> Measured:
    """A run of 25 minutes of which somebody found something."""
    run = SimpleNamespace(duration_s=DURATION_S)
    return cast("Measured", SimpleNamespace(findings=findings, figures=figures, run=run))


def found(fault: str, *, lasts_s: float | None = None, **evidence: Any) -> Finding:
    """A finding of the outlet, from 100 s on."""
    span = (None, None) if lasts_s is None else (100.0, 100.0 + lasts_s)
    return Finding(fault, "", "outlet", *span, evidence=evidence, forbids=True)


@pytest.mark.parametrize(
    ("lasts_s", "figure", "is_doubted"),
    [
        (300.0, HAD, True),  # a fifth of the run
        (290.0, HAD, False),
        (75.0, NOT_HAD, True),  # more than a minute, and the figure could not be had
        (75.0, HAD, False),
        (45.0, NOT_HAD, False),
    ],
)
def test_a_stretch_counts_by_its_share_of_the_run(
    lasts_s: float, figure: Measurement, *, is_doubted: bool
) -> None:
    finding = found("came_loose", lasts_s=lasts_s)
    told = doubted(measured(finding, steady_outlet_rise=figure))
    assert told == ([finding] if is_doubted else [])


def test_a_figure_that_was_never_asked_for_could_not_be_had() -> None:
    assert doubted(measured(found("came_loose", lasts_s=75.0))) != []
    assert doubted(measured(found("came_loose", lasts_s=45.0))) == []


@pytest.mark.parametrize(
    ("evidence", "is_doubted"),
    [
        ({"count": 300, "of": 1500}, True),
        ({"count": 290, "of": 1500}, False),
        ({"lost_s": 300.0}, True),
        ({"lost_s": 290.0}, False),
    ],
)
def test_what_a_finding_counts_is_taken_before_its_span(
    evidence: dict[str, Any], *, is_doubted: bool
) -> None:
    """Lost here and there from end to end: the span alone would be nearly the whole run."""
    finding = found("came_loose", lasts_s=1400.0, **evidence)
    assert bool(doubted(measured(finding, steady_outlet_rise=HAD))) is is_doubted


def test_readings_that_are_only_doubtful_are_all_in_doubt() -> None:
    without_end = found("came_loose")
    assert doubted(measured(without_end, steady_outlet_rise=HAD)) == [without_end]
    kept = Finding("fell_off", "", "outlet", 100.0, 110.0, forbids=False)
    assert doubted(measured(kept, steady_outlet_rise=HAD)) == [kept]


def test_what_says_nothing_of_a_sensor_puts_none_in_doubt() -> None:
    """A gap of the logger's, a point no figure stands on, another point."""
    whole = found("gap", lasts_s=1400.0)
    cabin = Finding("came_loose", "", "cabin", 100.0, 1500.0, forbids=True)
    assert doubted(measured(whole, cabin, steady_outlet_rise=HAD)) == []
    assert left_out(measured(cabin), "cabin")
    assert not left_out(measured(cabin), "outlet")
