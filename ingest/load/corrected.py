"""Corrections from the bench, applied to a run while it is loaded."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from ingest.files import read_text
from ingest.findings import finding

if TYPE_CHECKING:
    from ingest.load.columns import Parts
    from ingest.run import Sensor
    from ingest.sensors.corrections import Correction

CORRECTION_OF_ANOTHER: Final = finding(
    "correction_of_another",
    "{point}: its correction in {file} is of another sensor or input ({theirs}, here {ours}) and "
    "was not applied.",
    do="Measure this sensor at this input on the bench, or name the channel as it was there.",
)
NOT_CORRECTED: Final = finding(
    "not_corrected",
    "{file} holds no correction for {points}: their class tolerance stands.",
    do="Put these sensors into the bath as well, where it matters.",
)


def with_corrections(parts: Parts, file: Path | None) -> None:
    """Correct a run's readings, and say what was not corrected.

    Parameters
    ----------
    parts
        What was made of the log; its readings, sensors and findings are changed.
    file
        The corrections; None where the run names none.

    Raises
    ------
    UnusableRun
        Where the file is no corrections file.
    """
    if file is None:
        return
    from ingest.sensors.corrections import corrected, parse_corrections  # few runs name any

    corrections = parse_corrections(read_text(file), file.name)
    without = []
    for point, sensor in parts.sensors.items():
        found = corrections.get(point)
        if found is None:
            if sensor.quantity.name == "temperature" and not _is_junction(point, parts):
                without.append(point)
        elif not _same(sensor, found):
            parts.findings.append(
                CORRECTION_OF_ANOTHER.found(
                    point,
                    point=point,
                    file=file.name,
                    theirs=f"{found.sensor} {found.column!r}",
                    ours=f"{sensor.kind} {sensor.source!r}",
                )
            )
        else:
            parts.sensors[point], parts.readings[point] = corrected(
                sensor, parts.readings[point], found
            )
    if without:
        parts.findings.append(NOT_CORRECTED.found(file=file.name, points=", ".join(without)))


def _same(sensor: Sensor, correction: Correction) -> bool:
    return (sensor.kind, sensor.source) == (correction.sensor, correction.column)


def _is_junction(point: str, parts: Parts) -> bool:
    return any(each.cold_junction == point for each in parts.sensors.values())
