"""Where the lever was: noted by hand or logged."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.lever.path import NotMeasurable, lever_path
from tests.support.signals.runs import make_run

TIME = np.arange(0.0, 200.0, 0.5)


def test_noted_positions_hold_until_the_next():
    events = [(0.0, "temp_lever", 100.0), (50.0, "temp_lever", 40.0), (90.0, "temp_lever", 40.0)]
    path = lever_path(make_run(TIME, {"outlet": TIME}, events))
    assert not path.logged
    assert path.moves.tolist() == [0.0, 50.0]
    np.testing.assert_array_equal(
        path.at(np.array([-1.0, 0.0, 49.9, 50.0])), [np.nan, 100, 100, 40]
    )


def test_shifted_path_moves_every_move():
    path = lever_path(make_run(TIME, {"outlet": TIME}, [(10.0, "temp_lever", 30.0)]))
    assert path.shifted(2.5).moves.tolist() == [12.5]


def test_logged_position_wins_and_its_noise_is_no_move():
    rng = np.random.default_rng(0)
    true = np.where(TIME < 100.0, 80.0, 20.0)
    logged = true + rng.normal(0.0, 0.2, TIME.size)
    events = [(0.0, "temp_lever", 100.0)]
    path = lever_path(make_run(TIME, {"outlet": TIME, "temp_lever": logged}, events))
    assert path.logged
    assert path.lever == pytest.approx([80.0, 20.0], abs=0.1)
    assert path.moves[1] == pytest.approx(99.75, abs=0.3)


def test_slow_sweep_by_hand_is_followed():
    true = np.clip(100.0 - 0.5 * (TIME - 20.0), 30.0, 100.0)
    path = lever_path(make_run(TIME, {"outlet": TIME, "temp_lever": true}))
    assert np.abs(path.at(TIME) - true).max() < 1.0


def test_no_lever_is_said_in_words():
    with pytest.raises(NotMeasurable, match="neither logged nor noted"):
        lever_path(make_run(TIME, {"outlet": TIME}, [(0.0, "blower", 2.0)]))
