"""Corrections from bench runs: one bath a run, every sensor's offset with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import field
from typing import Final

from analysis.bench.bath import SAME_BATH_K
from analysis.bench.parts import measure_part
from analysis.bench.sensors import reference_name
from analysis.measurement import Measurement
from ingest.errors import Fault
from ingest.run import Run, Sensor
from ingest.saying import say
from ingest.sensors.corrections import Correction, CorrectionPoint
from ingest.values import dataclass

LEAST_U: Final = 0.001
"""Nothing on a bench is known better, K."""

DRIFTED: Final = 2.0
"""Two offsets further apart than this, in standard uncertainties, have drifted."""


@dataclass
class Made:
    """Corrections, and what is to be said of them.

    Parameters
    ----------
    corrections
        By channel.
    remarks
        What could not be had, and what drifted; sentences for a technician.
    """

    corrections: dict[str, Correction] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Seen:
    """A sensor in one bath."""

    run: Run
    sensor: Sensor
    offset: Measurement
    at: float


def unsuitable(run: Run) -> Fault | None:
    """Why no correction can come from a run; None where it can."""
    bench = run.setup.bench
    if bench is None or bench.part != "sensors":
        return Fault(
            f"{run.name} [bench] part",
            "no bench run of sensors",
            'purpose = "bench" and [bench] part = "sensors"',
            "name the runs in ice, boiling water or compared with each other",
        )
    if run.setup.sensors is not None and run.setup.sensors.corrections is not None:
        return Fault(
            f"{run.name} [sensors] corrections",
            "readings that are corrected already",
            "readings as the sensors give them",
            "take the line out of its run.toml",
        )
    return None


def make_corrections(runs: Sequence[Run]) -> Made:
    """Corrections of every sensor that was in a bath.

    Parameters
    ----------
    runs
        Bench runs that are not `unsuitable`; of runs in one and the same bath the last counts, and
        half of what lies between it and those before enters its uncertainty.
    """
    made = Made()
    by_channel: dict[str, list[_Seen]] = {}
    for run in runs:
        for name, asked in measure_part(run).items():
            point, offset = name.partition(".")[2], asked.measurement
            if offset.value is None:
                made.remarks.append(say("{run}: {why}", run=run.name, why=offset.note or ""))
                continue
            at = _reading(run, point, offset)
            by_channel.setdefault(point, []).append(_Seen(run, run.sensors[point], offset, at))
    for point, seen in by_channel.items():
        last = seen[-1].sensor
        same = [each for each in seen if _same(each.sensor, last)]
        if len(same) < len(seen):
            made.remarks.append(
                f"{point}: {len(seen) - len(same)} runs are of another sensor or input than the "
                "last one and do not count"
            )
        points = tuple(_points(point, same, made.remarks))
        made.corrections[point] = Correction(sensor=last.kind, column=last.source, points=points)
    return made


def _same(one: Sensor, other: Sensor) -> bool:
    return (one.kind, one.source) == (other.kind, other.source)


def _reading(run: Run, point: str, offset: Measurement) -> float:
    """What the sensor read in its bath, °C."""
    time, values = run.series(point)
    begin, end = offset.window or (-math.inf, math.inf)
    return float(values[(time >= begin) & (time < end)].mean())


def _points(name: str, seen: Sequence[_Seen], remarks: list[str]) -> list[CorrectionPoint]:
    """One point a bath; runs in the same bath are one."""
    baths: list[list[_Seen]] = []
    for each in seen:
        bath = next((them for them in baths if _one_bath(them[-1], each)), None)
        if bath is None:
            baths.append([each])
        else:
            bath.append(each)
    return [_point(name, bath, remarks) for bath in sorted(baths, key=lambda them: them[-1].at)]


def _one_bath(one: _Seen, other: _Seen) -> bool:
    kinds = [each.run.setup.bench.reference for each in (one, other) if each.run.setup.bench]
    true = [each.at - each.offset.known() for each in (one, other)]
    return kinds[0] == kinds[1] and abs(true[0] - true[1]) <= SAME_BATH_K


def _point(name: str, bath: Sequence[_Seen], remarks: list[str]) -> CorrectionPoint:
    last = bath[-1]
    u_reference = math.hypot(*last.offset.shared.values())
    drifts = [last.offset.minus(each.offset) for each in bath[:-1]]
    for earlier, drift in zip(bath[:-1], drifts, strict=True):
        if abs(drift.known()) > DRIFTED * (drift.u or 0.0):
            remarks.append(
                say(
                    "{name} drifted by {drift:+.2f K} between {earlier} and {last}",
                    name=name,
                    drift=drift.known(),
                    earlier=earlier.run.name,
                    last=last.run.name,
                )
            )
    half = max((abs(drift.known()) / 2.0 for drift in drifts), default=0.0)
    return CorrectionPoint(
        at=last.at,
        offset=last.offset.known(),
        u=max(LEAST_U, math.hypot(last.offset.random, half / math.sqrt(3.0))),
        reference=reference_name(last.run),
        u_reference=u_reference,
    )
