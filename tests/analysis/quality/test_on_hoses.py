"""What a clip on a hose adds to the uncertainty of coolant temperatures, and where it cancels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.quality.on_hoses import AIR_C, MAX_SHARE, allow_for_clips
from analysis.uncertainty import shared_parts
from tests.support.signals.runs import make_run

TIME = np.arange(10.0)


def test_the_clip_is_the_root_mean_square_of_its_possible_shares() -> None:
    """Standard uncertainty of an effect that is not corrected (JCGM 100:2008, F.2.4.5)."""
    run = allow_for_clips(make_run(TIME, {"coolant_in": np.full(10, 80.0)}))
    (part,) = shared_parts(run.sensors["coolant_in"], 80.0).values()
    drawn = np.random.default_rng(1).uniform(0.0, MAX_SHARE, 200_000) * (80.0 - AIR_C)
    assert part == pytest.approx(math.sqrt(float(np.mean(drawn**2))), rel=0.01)


def test_both_hoses_share_it() -> None:
    run = allow_for_clips(
        make_run(TIME, {"coolant_in": np.full(10, 80.0), "coolant_out": np.full(10, 70.0)})
    )
    (supply,) = shared_parts(run.sensors["coolant_in"], 80.0).items()
    (back,) = shared_parts(run.sensors["coolant_out"], 70.0).items()
    assert supply[0] == back[0]
    # the drop of 10 K is read low by its share of itself, not by that of 60 K
    assert supply[1] - back[1] == pytest.approx(10.0 * MAX_SHARE / math.sqrt(3.0))


def test_the_engines_own_sensor_sits_in_the_coolant() -> None:
    run = make_run(TIME, {"engine_coolant": np.full(10, 90.0), "outlet": np.full(10, 50.0)})
    assert allow_for_clips(run) is run
