"""A logger's module that hangs: its channels repeat their last readings, all from one row on."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.quality import assess
from ingest.arrays import Floats
from ingest.run import Finding, Run

from .test_quality import car

Change = Callable[[Floats, dict[str, Floats]], None]


def frozen(*points: str, at: float = 1200.0, later: float = 0.0, until: float = 1e9) -> Change:
    """Readings held from a time on; each further channel from so much later on."""

    def change(time: Floats, channels: dict[str, Floats]) -> None:
        for number, point in enumerate(points):
            held = (time >= at + number * later) & (time < until)
            channels[point][held] = channels[point][held][0]

    return change


def told(run: Run) -> dict[str | None, Finding]:
    return {each.channel: each for each in assess(run).findings if each.fault == "froze_together"}


def test_what_hangs_together_is_told_and_left_out() -> None:
    run = car(frozen("outlet", "footwell"), wired=False, decimals=1, noise=0.02)
    found = told(run)
    assert set(found) == {"outlet", "footwell"}
    for point, other in (("outlet", "footwell"), ("footwell", "outlet")):
        finding = found[point]
        assert f"so does {other} from the same moment" in str(finding.detail)
        assert finding.from_s == pytest.approx(1200.0, abs=2.0)
        assert finding.to_s == pytest.approx(1499.5, abs=2.0)
    kept = assess(run)
    time, footwell = kept.series("footwell")
    assert time[-1] < 1202.0
    assert np.flatnonzero(time >= 1198.0).size > 0
    assert kept.series("engine_coolant")[0][-1] > 1499.0
    assert footwell.size == time.size


@pytest.mark.parametrize(
    "change",
    [
        frozen("outlet"),  # one alone may stand still
        frozen("outlet", "footwell", later=60.0),  # not from the same moment
        frozen("outlet", "footwell", at=1400.0),  # for less than three minutes
        frozen("outlet", "footwell", at=1000.0, until=1400.0),  # and they go on again
    ],
)
def test_what_may_stand_still_by_itself_did_not_hang(change: Change) -> None:
    assert told(car(change, wired=False, decimals=1, noise=0.02)) == {}


def test_channels_with_missing_readings_hang_all_the_same() -> None:
    def change(time: Floats, channels: dict[str, Floats]) -> None:
        frozen("outlet", "footwell")(time, channels)
        channels["footwell"][::7] = np.nan

    assert set(told(car(change, wired=False, decimals=1, noise=0.02))) == {"outlet", "footwell"}


@pytest.mark.parametrize("hangs", [True, False])
def test_what_arrives_at_its_level_in_whole_degrees_has_not_hung(*, hangs: bool) -> None:
    """Two first-order approaches of one time constant take their last steps together; one cut off
    in the midst of its way has not arrived."""

    def approach(time: Floats, channels: dict[str, Floats]) -> None:
        for point, far in (("coolant_out", 9.0), ("footwell", 9.0)):
            way = np.where(time < 900.0, 0.0, 1.0 - np.exp(-(time - 900.0) / 60.0))
            if hangs:
                way = np.where(time > 990.0, way[time <= 990.0][-1], way)
            channels[point][:] = np.round(20.0 + 3.0 * far * way)

    assert bool(told(car(approach, wired=False, noise=0.0))) == hangs
