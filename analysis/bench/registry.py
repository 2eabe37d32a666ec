"""The registry of parts that can be on the bench, and of the figures they answer with."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from analysis.limits import Limit
from analysis.measurement import Measurement
from ingest.run import Finding, Run
from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class BenchFigure:
    """A figure of a part.

    Parameters
    ----------
    name, unit, label
        As for a figure of the car (`analysis.figures.Figure`).
    definition
        In whole sentences.
    equation
        The same in symbols.
    missing
        When it is not measured.
    source
        Where the method comes from.
    uncertainty
        What its uncertainty holds.
    """

    name: str
    unit: str
    label: str
    definition: str
    equation: str
    missing: str
    source: str
    uncertainty: str


@dataclass(frozen=True, slots=True)
class Asked:
    """A measured figure of a part and what is asked of it; None where nothing is."""

    measurement: Measurement
    limit: Limit | None = None


Answers = Mapping[str, Asked]
"""By the figure's name; a figure that every channel has is ``sensor_offset.CHANNEL``."""

MeasurePart = Callable[[Run], Answers]
Look = Callable[[Run], tuple[Finding, ...]]


@dataclass(frozen=True, slots=True)
class Part:
    """A part that can be on the bench.

    Parameters
    ----------
    name
        The word of `[bench] part`.
    measure
        Its figures; never raises for missing data.
    figures
        What they are.
    sound
        What a pass says of it.
    look
        What else the run shows of it.
    """

    name: str
    measure: MeasurePart
    figures: tuple[BenchFigure, ...]
    sound: str
    look: Look


PARTS: Final[dict[str, Part]] = {}


def _nothing_else(_: Run) -> tuple[Finding, ...]:
    return ()


def part(
    *names: str, figures: tuple[BenchFigure, ...], sound: str, look: Look = _nothing_else
) -> Callable[[MeasurePart], MeasurePart]:
    """Register the decorated function as what measures these parts; see `Part`."""

    def register(measure: MeasurePart) -> MeasurePart:
        for name in names:
            PARTS[name] = Part(name, measure, figures, sound, look)
        return measure

    return register
