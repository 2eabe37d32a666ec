"""What is wrong now and must be said at once: the most important first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from dashboard.text.shown import clean, said_in, words

SHOWN: Final = 3
"""More than three are not read while driving."""


def alarm_texts(state: Mapping[str, Any], units: str) -> list[str]:
    """Every alarm of a recording's state, most important first.

    First what loses data (the recording, then its ports), then sensors told by the watch, then what
    is noted wrongly, then points without readings (none where every port is away), then what the
    figures' own checks found.
    """
    found = []
    if state.get("failure"):
        found.append(f"Recording has stopped: {clean(state['failure'])}")
    found += [
        f"port {clean(port['name'])}: {clean(port['reason'] or 'waiting for it')}"
        for port in state["ports"]
        if port["state"] != "open" or port["reason"]
    ]
    away = all(port["state"] != "open" for port in state["ports"]) and bool(state["ports"])
    told = state.get("watch", [])
    found += [said_in(each["detail"], units) for each in told]
    if state.get("question"):
        found.append(clean(state["question"]))
    said = {each["point"] for each in told}
    found += [
        f"{words(each['point'])}: no reading (the logger says {clean(each['text'])!r})"
        if each["value"] is None and each["text"]
        else f"{words(each['point'])}: no reading for {each['age_s']:.0f} s"
        for each in state["readings"]
        if not each["fresh"] and each["point"] not in said and not away
    ]
    if not away:
        found += [f"{words(point)}: nothing received yet" for point in state["silent"]]
    return [
        *found,
        *(
            said_in(each["detail"], units)
            for each in state["warnings"]
            if each["point"] not in said
        ),
    ]


def shown_alarms(state: Mapping[str, Any], units: str) -> list[str]:
    """At most `SHOWN` alarms, and how many more there are."""
    texts = alarm_texts(state, units)
    more = len(texts) - SHOWN
    return texts if more <= 0 else [*texts[:SHOWN], f"and {more} more, see the sensors"]
