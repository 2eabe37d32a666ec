"""Where the temperature lever was."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from analysis.lever.blocks import blocks
from ingest.arrays import Floats
from ingest.run import Run
from ingest.values import dataclass

LEVER_BLOCK_S: Final = 0.5

MIN_STEP_PCT: Final = 0.3
"""Changes of a logged lever below this are noise."""


class NotMeasurable(Exception):  # noqa: N818 - the state of a figure, not an error of the program
    """A figure cannot be had; the message is a sentence for a technician."""


@dataclass(frozen=True)
class LeverPath:
    """The lever's positions in order of time.

    Parameters
    ----------
    moves, lever
        Times, s from engine start, and positions from then on, %; shape (k,).
    logged
        Whether the position is a channel of the log rather than noted by hand.
    """

    moves: Floats
    lever: Floats
    logged: bool

    def shifted(self, seconds: float) -> LeverPath:
        """The same path with every move later by some seconds."""
        return replace(self, moves=self.moves + seconds)

    def at(self, time: Floats) -> Floats:
        """Positions in force at given times; NaN before the first is known."""
        place = np.searchsorted(self.moves, time, side="right") - 1
        return np.where(place >= 0, self.lever[np.maximum(place, 0)], np.nan)


def lever_path(run: Run) -> LeverPath:
    """Where the lever was: the logged channel where there is one, else the noted events.

    Raises
    ------
    NotMeasurable
        Where neither is there.
    """
    if run.has("temp_lever"):
        return _logged_path(*run.series("temp_lever"))
    names = run.controls["control"].to_numpy()
    mine = names == "temp_lever"
    times = run.controls["time_s"].to_numpy()[mine].astype(float)
    values = run.controls["value"].to_numpy()[mine].astype(float)
    known = ~np.isnan(values)
    times, values = times[known], values[known]
    if not times.size:
        raise NotMeasurable("the position of the temperature lever was neither logged nor noted")
    changed = np.diff(values, prepend=np.nan) != 0
    return LeverPath(times[changed], values[changed], logged=False)


def _logged_path(time: Floats, value: Floats) -> LeverPath:
    """Turn a logged position into moves: what does not exceed its noise is one position."""
    when, position = blocks(time, value, LEVER_BLOCK_S)[1:]
    noise = 1.4826 * float(np.median(np.abs(np.diff(position)))) if position.size > 2 else 0.0
    threshold = max(MIN_STEP_PCT, 3.0 * noise)
    starts = [0]
    held = float(position[0])
    # What is held depends on what was held before; half-second blocks keep this short.
    for index, here in enumerate(position.tolist()):
        if abs(here - held) > threshold:
            starts.append(index)
            held = here
    first = np.array(starts)
    counts = np.diff(first, append=position.size)
    levels = np.add.reduceat(position, first) / counts
    half = 0.5 * float(np.median(np.diff(when))) if when.size > 1 else 0.0
    return LeverPath(when[first] - half, levels, logged=True)
