"""Figures of a run that is still being recorded: the same code as for a finished one."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Final

from analysis.bench.parts import is_bench
from analysis.causes.knowledge import knowledge
from analysis.figures import all_figures
from analysis.heater.predict import Prediction, predict_steady_rise
from analysis.measurement import Measurement
from analysis.pipeline import measure
from ingest.findings import doubts_sensor
from ingest.run import Finding, Run
from ingest.values import dataclass

LATEST_S: Final = 120.0
"""A fault that was there this long before the end of the readings is a fault of now."""


_AIR: Final = ("ambient", "inlet_air")
_SHARE: Final = ("outlet", *_AIR, "coolant_in")
PREDICTED_BY: Final = (*_SHARE, "engine_coolant")


def rests_on(name: str) -> tuple[str, ...]:
    """Points a figure stands on: those its evidence needs, else the outlet."""
    scale = knowledge().figures.get(name)
    if scale is None:
        return ("outlet",)
    needed = [need for need in scale.needs if knowledge().measurement[need].point is not None]
    return tuple(point for need in needed for point in need.split("|"))


@dataclass(frozen=True, slots=True)
class LiveFigures:
    """What a run says so far; plain enough to be sent from one process to another.

    Parameters
    ----------
    until_s
        Time of the last reading used, s from engine start.
    figures
        By the contract's name; those not yet measured say what is missing.
    prediction
        Steady outlet rise that the run leads to.
    warnings
        Sensors that are at fault now: findings about the last minutes.
    """

    until_s: float
    figures: Mapping[str, Measurement]
    prediction: Prediction
    warnings: tuple[Finding, ...]

    def without(self, points: Collection[str]) -> LiveFigures:
        """The same less everything that rests on some points: their sensors are at fault now."""
        if not points:
            return self
        figures = {
            name: _put_off(found, rests_on(name), points) for name, found in self.figures.items()
        }
        put_off = _put_off(self.prediction, PREDICTED_BY, points)
        if put_off is self.prediction:
            return replace(self, figures=figures)
        return replace(
            self, figures=figures, prediction=Prediction(None, put_off.unit, note=put_off.note)
        )

    def known(self) -> dict[str, tuple[float, float]]:
        """Value and standard uncertainty of what could be measured."""
        return {
            name: (found.value, found.u)
            for name, found in self.figures.items()
            if found.value is not None and found.u is not None
        }


def _put_off(found: Measurement, rests_on: Collection[str], points: Collection[str]) -> Measurement:
    doubted = [point.replace("_", " ") for point in rests_on if point in points]
    if not doubted:
        return found
    return Measurement.missing(
        found.unit, f"not while the sensor of {' and '.join(doubted)} is in doubt"
    )


def measure_so_far(run: Run) -> LiveFigures:
    """Measure a run as far as it has been recorded.

    Parameters
    ----------
    run
        The run so far, as it was loaded.
    """
    if is_bench(run):
        return _bench_so_far(run)
    measured = measure(run)
    time = measured.run.readings["time_s"]
    until = float(time[-1]) if len(time) else 0.0
    # plain copies: what is measured may hold on to the whole run
    figures = {each.name: measured.figures[each.name] for each in all_figures()}
    return LiveFigures(
        until,
        figures,
        predict_steady_rise(measured.context),
        sensor_warnings(measured.findings, until),
    )


def _bench_so_far(run: Run) -> LiveFigures:
    """The figures of a part on the bench; nothing is predicted, and a jump is no fault."""
    measured = measure(run)
    until = float(run.readings["time_s"][-1]) if run.readings.height else 0.0
    ahead = Prediction(None, "K")
    return LiveFigures(until, dict(measured.figures), ahead, ())


def sensor_warnings(findings: tuple[Finding, ...], until_s: float) -> tuple[Finding, ...]:
    """Findings that say a sensor is at fault now.

    Parameters
    ----------
    findings
        All of a run's.
    until_s
        Its last reading, s.
    """
    return tuple(
        finding
        for finding in findings
        if finding.channel is not None
        and (finding.forbids or doubts_sensor(finding.fault))
        and (finding.to_s is None or finding.to_s >= until_s - LATEST_S)
    )
