"""Why a cause is probable: the figures that moved it, in a technician's words and numbers."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

from analysis.causes.evidence import Evidence, Usual, compare, usual_value
from analysis.causes.knowledge import NO_FAULT, CauseRow, knowledge
from analysis.causes.signs.control_use import misuses
from analysis.causes.signs.doubt import disagreeing, doubted
from analysis.figures import all_figures
from ingest.saying import Said, plus_minus, say

if TYPE_CHECKING:
    from analysis.causes.engine import Ranking
    from analysis.measured import Measured

MAX_REASONS: Final = 4
USUAL_WORD: Final = "usual"
"""Stands in every reason that names a figure, before what is usual of it."""

NOTABLE: Final = 1.0
"""A figure this many spreads off usual is worth saying."""


def reasons(
    row: CauseRow, measured: Measured, evidence: Evidence, usual: Usual, ranking: Ranking
) -> tuple[str, ...]:
    """Sentences for one cause, the weightiest first.

    Each names a figure, its value and what is usual, or a sign. A cause that none of the logged
    channels can show says that it keeps its prior.
    """
    if row.name == NO_FAULT:
        return _nothing_unusual(evidence, usual)
    said = [*_signs(row, evidence, measured), *_figures(row, evidence, usual)]
    # a blur only says that the figure may scatter: it takes a move or a sign to show a cause
    visible = [name for name in row.moves if name in evidence.figures]
    told = [name for name in row.signs if evidence.signs.get(name) is not None]
    if not visible and not told:
        return (
            f"these channels cannot show it (it would take {' or '.join(row.channels)}): "
            "it keeps the probability it had before the test",
        )
    if not any(USUAL_WORD in text for text in said):
        said.extend(_farthest(row, evidence, usual))
    severity = ranking.severity.get(row.name)
    if severity is not None and ranking.probability[row.name] > 0.3 and row.moves:
        word = "slight" if severity < 1.4 else "moderate" if severity < 2.3 else "severe"
        said.append(f"taken together the figures fit a {word} case")
    return tuple(said[: MAX_REASONS + 1])


def _farthest(row: CauseRow, evidence: Evidence, usual: Usual) -> list[str]:
    """The figure farthest from usual among those the cause has to do with, else among all."""
    own = [name for name in (*row.moves, *row.blurs) if name in evidence.figures]
    rated = []
    for name in own or evidence.figures:
        comparison = compare(evidence, usual, name)
        if comparison is not None:
            rated.append((abs(comparison[0]) / comparison[1], name))
    if not rated:
        return ["no figure could be measured"]
    away, name = max(rated)
    lead = "" if away >= NOTABLE else "the figures themselves are as usual: "
    return [say("{lead}{line}", lead=lead, line=_line(name, evidence, usual))]


def _figures(row: CauseRow, evidence: Evidence, usual: Usual) -> list[str]:
    rated: list[tuple[float, str]] = []
    for name, move in row.moves.items():
        comparison = compare(evidence, usual, name)
        if comparison is None:
            continue
        away, sd = comparison
        towards = away * (1.0 if move[1] > 0 else -1.0)
        weight = towards / sd
        if weight >= NOTABLE:
            rated.append((weight, _line(name, evidence, usual)))
        elif abs(away) < sd and abs(move[1]) > 2.0 * sd:
            rated.append((-1.0, _against(_line(name, evidence, usual))))
    rated.sort(key=lambda pair: -pair[0])
    return [text for _, text in rated[:MAX_REASONS]]


def _signs(row: CauseRow, evidence: Evidence, measured: Measured) -> list[str]:
    table = knowledge()
    said: list[str] = []
    for name, chance in row.signs.items():
        if evidence.signs.get(name) and chance > table.signs[name].usual:
            if name == "controls_misused":
                said.extend(misuses(measured.context) or [])
            elif name in {"sensor_doubtful", "outlet_unusable", "disagree_cold"}:
                sentence = _sensor_sentence(measured, table.signs[name].label)
                said.extend([] if said else [sentence])
            else:
                said.append(table.signs[name].label)
    return said


def _sensor_sentence(measured: Measured, label: str) -> str:
    found = doubted(measured) or disagreeing(measured)
    return say("{label}: {detail}", label=label, detail=found[0].detail) if found else label


def _nothing_unusual(evidence: Evidence, usual: Usual) -> tuple[str, ...]:
    normal, odd = [], []
    for name, scale in knowledge().figures.items():
        comparison = compare(evidence, usual, name)
        if comparison is None:
            continue
        away, sd = comparison
        if abs(away) < 2.0 * sd:
            normal.append((abs(away) / sd, scale.label, name))
        else:
            odd.append(_against(_line(name, evidence, usual)))
    if not normal and not odd:
        return ("no figure could be measured, so nothing speaks against a healthy heater",)
    keep = [_line(name, evidence, usual) for _, _, name in sorted(normal)[:3]]
    return (*keep, *odd[:2])


@cache
def _units() -> dict[str, str]:
    """Unit of every registered figure."""
    return {each.name: each.unit for each in all_figures()}


def _against(line: Said) -> Said:
    return say("against it: {line}", line=line)


def _line(name: str, evidence: Evidence, usual: Usual) -> Said:
    scale = knowledge().figures[name]
    label = scale.label
    value, u = evidence.figures[name]
    center, spread = usual_value(
        usual, name, evidence.air_degC, evidence.running.times(usual.running, scale)
    )
    unit = _units().get(name, scale.unit)
    cars = usual.count.get(name, 0)
    basis = f"{cars} good cars" if cars else "common practice, no source"
    return say(
        f"{{label}} {{value}}, {USUAL_WORD} {{center}} ({{basis}})",
        label=label,
        value=plus_minus(value, 2 * u, unit),
        center=plus_minus(center, 2 * spread, unit),
        basis=basis,
    )
