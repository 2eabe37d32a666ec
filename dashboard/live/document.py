"""The state of a recording as pages and the terminal read it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from analysis.result import rounded
from ingest.record.test_progress import GO
from ingest.saying import quantities

if TYPE_CHECKING:
    from analysis.heater.predict import Prediction
    from analysis.live import LiveFigures
    from analysis.measurement import Measurement
    from analysis.watch.judge import Alarm
    from dashboard.live.readings import Reading
    from ingest.record.said import PortState
    from ingest.record.test_progress import Instruction

TEXT: Final = 40


def step_part(found: Instruction | None) -> dict[str, Any] | None:
    """What to do now."""
    if found is None:
        return None
    return {
        "number": found.number,
        "count": found.count,
        "name": found.name,
        "do": found.do,
        "caution": found.caution,
        "waits": found.waits_for_key,
        "counting": found.counting,
        "remaining_s": None if found.remaining_s is None else round(found.remaining_s, 1),
        "missing": list(found.missing),
        "paused": list(found.paused),
        "following": found.following,
        "missed": list(found.missed),
        "warnings": list(found.warnings),
        "finished": found.finished,
        "go": GO,
    }


def ports_part(ports: Sequence[PortState]) -> list[dict[str, Any]]:
    """How the ports are doing."""
    return [{"name": port.name, "state": port.state, "reason": port.reason} for port in ports]


def readings_part(readings: Mapping[str, Reading]) -> list[dict[str, Any]]:
    """The newest reading of every point received."""
    return [
        {
            "point": point,
            "value": None if found.value is None else round(found.value, 3),
            "unit": found.unit,
            "age_s": round(found.age_s, 2),
            "fresh": found.fresh,
            "text": found.text[:TEXT],
        }
        for point, found in readings.items()
    ]


def watch_part(alarms: Sequence[Alarm]) -> list[dict[str, Any]]:
    """What the watch over the sensors tells."""
    return [{"point": each.point, "fault": each.kind, "detail": each.detail} for each in alarms]


def figures_part(live: LiveFigures | None, reason: str) -> dict[str, Any]:
    """Figures so far, the prediction, and what their checks found."""
    if live is None:
        return {"figures": {}, "prediction": None, "warnings": [], "figures_reason": reason}
    told = {
        "figures": {name: _entry(found) for name, found in live.figures.items()},
        "prediction": _prediction(live.prediction),
        "warnings": [
            {"point": each.channel, "fault": each.fault, "detail": each.detail}
            for each in live.warnings
        ],
        "figures_reason": reason,
        "figures_until_s": round(live.until_s, 1),
    }
    return {**told, "said": quantities(told)}


def _entry(found: Measurement) -> dict[str, Any]:
    """A figure as the result document writes it."""
    u = found.u
    return {
        "value": rounded(found.value),
        "unit": found.unit,
        "u": rounded(u),
        "note": found.note,
    }


def _prediction(ahead: Prediction) -> dict[str, Any]:
    """A prediction: a figure with the ends of its 95 % interval, where it has one."""
    entry = _entry(ahead)
    if ahead.low is not None and ahead.high is not None:
        entry |= {"low": rounded(ahead.low), "high": rounded(ahead.high)}
    return entry
