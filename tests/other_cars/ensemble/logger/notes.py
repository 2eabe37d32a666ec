"""What a hand wrote down of the controls, and what of it the drive's misuse is seen by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from tests.other_cars.trips import Event, Trip

KINDS: Final = {"careful": 0.55, "by the watch": 0.25, "rough": 0.12, "some missing": 0.08}
"""To the second; another clock than the logger's; times rounded; positions left out."""

MISUSED: Final = {
    "lever midway": "temp_lever", "lever cold": "temp_lever", "vent": "mode",
    "defrost mode": "mode", "defrost share": "defrost", "blower low": "blower",
    "air door": "air_door",
}  # fmt: skip
"""Which control a misuse is of."""


@dataclass(frozen=True)
class Notes:
    """Noted events, in the log's time but for `offset_s`.

    Parameters
    ----------
    events
        As written.
    kind
        Of `KINDS`.
    offset_s
        What the notes' clock is behind the log's.
    """

    events: tuple[Event, ...]
    kind: str
    offset_s: float

    def shows(self, trip: Trip) -> bool:
        """Whether the trip's misuse stands in the notes or in a logged lever."""
        control = MISUSED.get(trip.misuse)
        if control is None:
            return False
        if control == "temp_lever" and trip.by_hand:
            return True
        return any(name == control for _, name, _ in self.events)


def take_notes(rng: Generator, trip: Trip, *, good: bool = False) -> Notes:
    """Write the trip's events down."""
    kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
    if good:
        kind = str(rng.choice(["careful", "by the watch"]))
    offset = float(np.clip(rng.normal(0, 5), -15, 15)) if kind != "careful" else 0.0
    jitter = {"careful": 0.3, "by the watch": 0.6, "rough": 0.6, "some missing": 0.6}[kind]
    events = []
    for at, control, position in trip.events:
        if kind == "some missing" and control != "engine" and rng.random() < 0.2:
            continue
        when = max(0.0, at - offset + float(rng.normal(0, jitter)))
        if kind == "rough":
            when = 5.0 * round(when / 5.0)
        events.append((round(when, 1), control, position))
    return Notes(tuple(sorted(events, key=lambda event: event[0])), kind, offset)
