"""Which findings about sensors count against the log: those that took something from the figures.

A reading that was left out among thousands is said and forgotten. A fault of a sensor is a cause
only where it took away much of a channel, where a figure could not be had for it, or where the
readings that are left are themselves in doubt (a wire of another type, two channels swapped).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from analysis.quality import all_detectors
from analysis.quality.soak import DISAGREES_AT_SOAK
from analysis.quality.view import COOLANTS
from ingest.findings import doubts_sensor

if TYPE_CHECKING:
    from analysis.measured import Measured
    from ingest.run import Finding

HEATER_POINTS: Final = {
    "outlet": "steady_outlet_rise",
    "coolant_in": "core_effectiveness",
    "coolant_out": "coolant_drop",
    "engine_coolant": "coolant_plateau",
    "ambient": "steady_outlet_rise",
    "inlet_air": "steady_outlet_rise",
    "footwell": "footwell_deficit",
}
"""Points whose sensors the heater's figures stand on, and the first figure to suffer."""

FAR_LIMITS: Final = 3.0

MUCH_SHARE: Final = 0.2
"""So much of a channel lost leaves its figures in doubt (common practice, no source) ..."""

MISSED_S: Final = 60.0
"""... and so many seconds where its figure could not be had."""


def doubted(measured: Measured) -> list[Finding]:
    """The findings that put a sensor in doubt and took something from the figures."""
    all_detectors()  # what they find is known by its kind also where the run was assessed elsewhere
    return [
        finding
        for finding in measured.findings
        if finding.channel in HEATER_POINTS
        and doubts_sensor(finding.fault)
        and finding.fault != DISAGREES_AT_SOAK.name
        and _took_something(measured, finding)
    ] + disagreeing(measured, far=True)


def disagreeing(measured: Measured, *, far: bool = False) -> list[Finding]:
    """Sensors of a cold car that read otherwise than the others, by what air may differ by.

    A car that stood elsewhere or in the sun has air of more than one temperature about it; `far`
    ones are farther off than `FAR_LIMITS` of their limits, where no sensor is right. Coolant above
    the rest is that of an engine not quite cold (all common practice, no source).
    """
    return [
        finding
        for finding in measured.findings
        if finding.fault == DISAGREES_AT_SOAK.name
        and finding.channel in HEATER_POINTS
        and not (finding.channel in COOLANTS and float(finding.evidence["off"]) > 0.0)
        and far
        == (abs(float(finding.evidence["off"])) > FAR_LIMITS * float(finding.evidence["limit"]))
    ]


def left_out(measured: Measured, point: str) -> bool:
    """Whether readings of a point were there and left out, or its sensor is in doubt."""
    all_detectors()
    return any(
        finding.channel == point and (finding.forbids or doubts_sensor(finding.fault))
        for finding in measured.findings
    )


def _took_something(measured: Measured, finding: Finding) -> bool:
    share = _share_lost(measured, finding)
    if share is None or share >= MUCH_SHARE:
        return True
    figure = measured.figures.get(HEATER_POINTS[finding.channel or ""])
    missing = figure is None or figure.value is None
    return missing and share * measured.run.duration_s >= MISSED_S


def _share_lost(measured: Measured, finding: Finding) -> float | None:
    """Share of the channel that was left out or never read; None where what is left is doubtful.

    A finding that counts readings says of how many, one that counts seconds how many they are; any
    other took out all from its first to its last.
    """
    evidence, duration = finding.evidence, measured.run.duration_s
    if {"count", "of"} <= evidence.keys():
        return float(evidence["count"]) / max(float(evidence["of"]), 1.0)
    if "lost_s" in evidence:
        return float(evidence["lost_s"]) / max(duration, 1.0)
    if not finding.forbids or finding.from_s is None or finding.to_s is None:
        return None
    return (finding.to_s - finding.from_s) / max(duration, 1.0)
