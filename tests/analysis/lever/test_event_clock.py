"""The clock the events were noted by against the logger's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.lever.event_clock import _cost_among, _Log, align_events
from analysis.lever.fit.start import find_starts
from analysis.lever.record import LeverRecord
from ingest.run import Run
from tests.support.signals.lever_cars import Door, Lags, Log, lever_run, sweep
from tests.support.signals.runs import make_run


def applied(run: Run) -> bool:
    return any(finding.fault == "event_clock_offset" for finding in run.findings)


@pytest.mark.parametrize("offset", [-25.0, -6.0, 3.0, 12.0, 27.0])
@pytest.mark.parametrize("lags", [Lags(), Lags(closed=20.0, open=10.0)])
def test_offset_is_found_and_taken_out(offset, lags):
    run = lever_run(Door(), lags, Log(offset=offset, hand=0.4), sweep(10.0, 40.0), seed=2)
    aligned = align_events(run)
    clock = aligned.offset
    assert clock is not None
    assert clock.value is not None
    assert clock.u is not None
    assert abs(clock.value - offset) < 3.0 * clock.u
    assert clock.u < (0.8 if lags.open < 5.0 else 2.0)
    assert applied(aligned.run) == (abs(offset) > 2.5 * clock.u)
    if applied(aligned.run):
        moved = aligned.run.controls["time_s"].to_numpy() - run.controls["time_s"].to_numpy()
        np.testing.assert_allclose(moved, clock.value)


def test_finding_says_which_way_and_how_far():
    aligned = align_events(lever_run(Door(), Lags(), Log(offset=9.0), sweep(), seed=1))
    clock = aligned.offset
    assert clock is not None
    finding = next(each for each in aligned.run.findings if each.fault == "event_clock_offset")
    assert "behind the logger's" in finding.detail
    assert "later" in finding.detail
    assert finding.evidence["offset_s"] == clock.value
    assert finding.evidence["u_s"] == clock.u


def test_clocks_that_agree_are_left_alone():
    run = lever_run(Door(), Lags(), Log(hand=0.4), sweep(), seed=3)
    aligned = align_events(run)
    clock = aligned.offset
    assert clock is not None
    assert aligned.run is run
    assert abs(clock.known()) < 2.5 * (clock.u or 0.0)
    assert "agree" in (clock.note or "")


def test_the_unit_of_the_record_decides_nothing() -> None:
    """What one offset explains better than another is a ratio of variances: it has no unit."""
    log = _Log(LeverRecord(lever_run(Door(), Lags(), Log(offset=6.0), sweep(), seed=5)))
    tried = [log.attempt(find_starts(log.data, offsets=may)[0]) for may in (True, False)]
    in_cents = [(at, replace(each, scale=100.0 * each.scale), start) for at, each, start in tried]
    costs, others = (
        [_cost_among(attempts)(each) for each in attempts] for attempts in (tried, in_cents)
    )
    np.testing.assert_allclose(costs, others, rtol=1e-9)
    # the best explains its record to its own noise: half a sample each, and what the priors say
    best = min(tried, key=_cost_among(tried))[1]
    pull = (best.params - best.problem.center) / best.problem.width
    likely = 0.5 * float(best.residual @ best.residual) / best.noise
    assert min(costs) == pytest.approx(likely + 0.5 * float(pull @ pull), rel=0.05)


def test_half_a_second_is_not_worth_applying():
    aligned = align_events(lever_run(Door(), Lags(), Log(offset=0.8), sweep(), seed=4))
    assert not applied(aligned.run)


def test_every_control_moves_with_the_lever():
    log = Log(offset=8.0, events=((900.0, "blower", 1.0), (905.0, "note", "window open")))
    run = lever_run(Door(), Lags(), log, sweep(10.0, 40.0), seed=5)
    aligned = align_events(run)
    clock = aligned.offset
    assert clock is not None
    notes = aligned.run.controls.filter(aligned.run.controls["control"] == "note")
    assert notes["time_s"][0] == pytest.approx(905.0 + clock.known())


def test_single_throw_from_end_to_end_tells_the_offset():
    moves = [(0.0, 100.0), (150.0, 0.0), (300.0, 100.0)]
    run = lever_run(Door(), Lags(), Log(offset=7.0), moves, seed=6)
    aligned = align_events(run)
    clock = aligned.offset
    assert clock is not None
    assert applied(aligned.run)
    assert abs(clock.known() - 7.0) < 3.0 * (clock.u or 0.0)


def test_even_sweep_one_way_does_not_tell_one_dwell_from_the_next():
    run = lever_run(Door(), Lags(), Log(offset=20.0), sweep(10.0, 20.0, back=False), seed=7)
    aligned = align_events(run)
    clock = aligned.offset
    assert clock is not None
    assert not applied(aligned.run) or abs(clock.known() - 20.0) < 3.0 * (clock.u or 0.0)


def test_logged_lever_needs_no_match():
    run = lever_run(Door(), Lags(), Log(lever_logged=True), sweep(), seed=8)
    aligned = align_events(run)
    clock = aligned.offset
    assert clock is not None
    assert aligned.run is run
    assert clock.value is None
    assert "the lever is logged" in (clock.note or "")


def test_lever_that_works_backwards_still_tells_the_offset():
    run = lever_run(Door(), Lags(), Log(offset=6.0), sweep(), seed=9)
    turned = run.with_(readings=run.readings.with_columns(60.0 - run.readings["outlet_degC"]))
    aligned = align_events(turned)
    clock = aligned.offset
    assert clock is not None
    assert applied(aligned.run)
    assert abs(clock.known() - 6.0) < 3.0 * (clock.u or 0.0)


@pytest.mark.parametrize(
    ("channels", "events", "why"),
    [
        (("ambient",), [(0.0, "temp_lever", 50.0)], "outlet was not logged"),
        (("outlet",), [], "neither logged nor noted"),
        (("outlet",), [(0.0, "temp_lever", 50.0)], "not moved"),
    ],
)
def test_reason_where_there_is_nothing_to_match(channels, events, why):
    time = np.arange(300.0)
    run = make_run(time, dict.fromkeys(channels, 20.0 + 0.0 * time), events)
    aligned = align_events(run)
    clock = aligned.offset
    assert clock is not None
    assert aligned.run is run
    assert clock.value is None
    assert why in (clock.note or "")
