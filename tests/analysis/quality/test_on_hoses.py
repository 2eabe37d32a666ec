"""What a clip on a hose adds to the uncertainty of coolant temperatures, and where it cancels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.quality.on_hoses import (
    AIR_C,
    MAX_OWN_SHARE,
    MAX_SHARE,
    NAME,
    WORSE,
    allow_for_clips,
)
from analysis.uncertainty import shared_parts
from tests.support.signals.runs import make_run

TIME = np.arange(10.0)


def test_the_clip_is_the_root_mean_square_of_its_possible_shares() -> None:
    """Standard uncertainty of an effect that is not corrected (JCGM 100:2008, F.2.4.5)."""
    run = allow_for_clips(make_run(TIME, {"coolant_in": np.full(10, 80.0)}))
    parts = shared_parts(run.sensors["coolant_in"], 80.0)
    own = parts.pop("clip of coolant_in")
    for found, most in ((math.hypot(*parts.values()), MAX_SHARE), (own, MAX_OWN_SHARE)):
        drawn = np.random.default_rng(1).uniform(0.0, most, 200_000) * (80.0 - AIR_C)
        assert found == pytest.approx(math.sqrt(float(np.mean(drawn**2))), rel=0.01)
    # of which the mean is what every car's clips read low, and the rest how they differ
    drawn = np.random.default_rng(1).uniform(0.0, MAX_SHARE, 200_000) * (80.0 - AIR_C)
    assert parts[NAME] == pytest.approx(float(drawn.mean()), rel=0.01)
    assert parts[WORSE] == pytest.approx(float(drawn.std()), rel=0.01)


def test_both_hoses_share_what_is_common_to_them() -> None:
    run = allow_for_clips(
        make_run(TIME, {"coolant_in": np.full(10, 80.0), "coolant_out": np.full(10, 70.0)})
    )
    supply = shared_parts(run.sensors["coolant_in"], 80.0)
    back = shared_parts(run.sensors["coolant_out"], 70.0)
    common = supply.keys() & back.keys()
    assert common == {NAME, WORSE}
    # the drop of 10 K is read low by its share of itself, not by that of 60 K
    left = math.hypot(*(supply[each] - back[each] for each in common))
    assert left == pytest.approx(10.0 * MAX_SHARE / math.sqrt(3.0))
    # what one clip sits worse than the other stays in the drop: two rectangular shares of the
    # temperatures above the air, drawn and subtracted
    own = [part for parts in (supply, back) for name, part in parts.items() if name not in common]
    drawn = np.random.default_rng(2).uniform(0.0, MAX_OWN_SHARE, (2, 200_000))
    square = float(np.mean((drawn[0] * 60.0) ** 2) + np.mean((drawn[1] * 50.0) ** 2))
    assert math.hypot(*own) == pytest.approx(math.sqrt(square), rel=0.01)


def test_the_engines_own_sensor_sits_in_the_coolant() -> None:
    run = make_run(TIME, {"engine_coolant": np.full(10, 90.0), "outlet": np.full(10, 50.0)})
    assert allow_for_clips(run) is run
