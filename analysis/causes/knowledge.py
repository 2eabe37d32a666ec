"""What is known: `knowledge.toml`, `checks.toml`, `measurements.toml`, validated, as arrays."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from itertools import combinations
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, model_validator

from ingest.arrays import Floats
from ingest.setup.model import RunTable, has_no_thermostat
from ingest.values import dataclass

SEVERITIES: Final = np.array([0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0])
"""Severities integrated over: 1 is slight, 2 moderate, 3 severe, as the table's columns; 4 goes as
far beyond severe as severe is beyond moderate."""

NO_FAULT: Final = "healthy"
CABLE_CAUSES: Final = frozenset({"lever_short_of_hot", "lever_short_of_cold"})
NO_THERMOSTAT: Final = ", coolant heater"
"""Said of a layout where something else than an engine heats the coolant."""

STANDING: Final = ", standing"
"""Said of a layout where the outlet was judged in a car that stood: no wind presses air into it."""


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class FigureScale(_Row):
    """How a figure is compared with what is usual."""

    scale: Literal["relative", "absolute", "log"]
    label: str
    usual: float
    spread: float = Field(gt=0)
    floor: float = Field(gt=0)
    """Smallest spread ever believed of a family: a few good cars never show all of it."""
    offset: float = 0.0
    span: bool = False
    airflow: float = 0.0
    """Power of the blower's air it grows with where nothing is wrong."""
    pump: float = 0.0
    """Power of the engine's speed, which drives the coolant pump, it grows with."""
    twin: str | None = None
    """A figure of the same part: what nobody knows of a family is then unknown to both alike."""
    road_u: float = 0.0
    """What 10 m/s more of road speed may add to it in a sound car, in its unit (k = 1)."""
    uneven_u: float = 0.0
    """What each m/s that road speed scatters by may add to it, in its unit (k = 1)."""
    idle_u: float = 0.0
    """What it may differ by, on its scale, between a car that idled and one driven (k = 1)."""
    unit: str = ""
    """Only for evidence that is not a figure of the contract."""
    stands_for: str | None = None
    """The figure of the same readings that it takes the place of."""
    needs: tuple[str, ...]
    """What a run must hold for it: rows of measurements.toml."""
    heater: Mapping[str, tuple[float, float]] = Field(default_factory=dict)
    """`usual` and `spread` of heaters of another layout."""

    def common(self, heater: str) -> tuple[float, float]:
        """`usual` and `spread` in heaters of a layout, where no good car tells."""
        return self.heater.get(heater, (self.usual, self.spread))


class SignRow(_Row):
    """A sign that is seen or not seen."""

    usual: float = Field(gt=0, lt=1)
    label: str
    weight: float = Field(default=20.0, gt=0)
    """Good cars that `usual` counts as much as."""


class CauseRow(_Row):
    """What one cause does."""

    name: str
    title: str
    form: str = ""
    """Which form of the cause, where it has several with other effects; one row each."""
    in_pairs: bool = True
    """Whether it is also considered together with another cause."""
    prior: float = Field(gt=0, lt=1)
    move_spread: float | None = None
    """Own share of the moves' spread, where better known than the table's."""
    channels: tuple[str, ...]
    check: str
    moves: Mapping[str, tuple[float, float, float]] = Field(default_factory=dict)
    blurs: Mapping[str, float] = Field(default_factory=dict)
    harms: Mapping[str, tuple[float, float, float]] | None = None
    """What it moves where it does most harm, where the test was not made there; else as `moves`."""
    harms_unless: str | None = None
    """The figure that tells of that harm itself; once it is measured, `moves` are all there is."""
    signs: Mapping[str, float] = Field(default_factory=dict)
    layouts: tuple[str, ...] = ("blend-air", "water-valve", "combined")
    of_thermostat: bool = False
    """Whether it is a fault of the thermostat, which a coolant heater does not have."""
    standing: bool | None = None
    """Whether the row is for a car that stood while its outlet was judged, or for any other."""


class CheckRow(_Row):
    """A check for hands and eyes."""

    name: str
    title: str
    order: int
    minutes: float = Field(gt=0)
    how: str
    caution: str
    found: Mapping[str, float]
    false_alarm: float = Field(gt=0, lt=1)


class MeasurementRow(_Row):
    """Something that can be logged, noted or held."""

    what: str
    how: str
    point: str | None = None
    """The measuring point it adds; None for a note or a thing to do."""


class Knowledge(_Row):
    """The whole table."""

    version: str
    move_spread: float
    pair_factor: float
    severity_weights: tuple[float, ...]
    figures: Mapping[str, FigureScale]
    signs: Mapping[str, SignRow]
    cause: tuple[CauseRow, ...]
    check: tuple[CheckRow, ...] = ()
    measurement: Mapping[str, MeasurementRow] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _names_agree(self) -> Knowledge:
        checks = {row.name for row in self.check}
        for row in self.cause:
            told = {row.harms_unless} if row.harms_unless else set()
            named = {*row.moves, *row.blurs, *(row.harms or ()), *told}
            unknown = (named - set(self.figures)) | (set(row.signs) - set(self.signs))
            if unknown or row.check not in checks:
                msg = f"{row.name}: unknown names {sorted(unknown)} or check {row.check}"
                raise ValueError(msg)
        for name, figure in self.figures.items():
            beside = {figure.twin, figure.stands_for} - {None, *self.figures}
            if beside:
                msg = f"figures.{name}: unknown figures {sorted(map(str, beside))}"
                raise ValueError(msg)
            unknown = set(figure.needs) - set(self.measurement)
            if unknown:
                msg = f"figures.{name}: needs {sorted(unknown)}, unknown to measurements.toml"
                raise ValueError(msg)
        return self

    def row(self, cause: str) -> CauseRow:
        """The (first) row of a cause by name."""
        return next(row for row in self.cause if row.name == cause)

    def check_row(self, check: str) -> CheckRow:
        """The row of a check by name."""
        return next(row for row in self.check if row.name == check)


@cache
def knowledge() -> Knowledge:
    """The table that comes with the program."""
    here = files("analysis.causes")
    table = tomllib.loads(here.joinpath("knowledge.toml").read_text(encoding="utf-8"))
    checks = tomllib.loads(here.joinpath("checks.toml").read_text(encoding="utf-8"))
    measurements = tomllib.loads(here.joinpath("measurements.toml").read_text(encoding="utf-8"))
    return Knowledge.model_validate(
        {**table, "check": checks["check"], "measurement": measurements}
    )


@dataclass(frozen=True)
class Hypotheses:
    """Every explanation considered, single and in pairs, each at several severities.

    Parameters
    ----------
    members
        The rows of each explanation, one or two.
    prior
        Prior probability of each explanation at each severity, shape (h,).
    explanation
        Index into `members` of each row, shape (h,).
    moves
        Expected move of each figure, shape (h, f).
    spread
        Standard deviation of that move, shape (h, f).
    signs
        Probability that each sign is seen, shape (h, s).
    """

    members: tuple[tuple[CauseRow, ...], ...]
    prior: Floats
    explanation: NDArray[np.int64]
    moves: Floats
    spread: Floats
    signs: Floats


def layout_of(run: RunTable, *, standing: bool = False) -> str:
    """The heater's layout, whether the car stood, and whether it has no thermostat."""
    stood = STANDING if standing else ""
    return run.heater + stood + (NO_THERMOSTAT if has_no_thermostat(run) else "")


def rows_of(layout: str) -> list[CauseRow]:
    """Rows of the causes that a layout (as of `layout_of`) allows."""
    heater = layout.removesuffix(NO_THERMOSTAT).removesuffix(STANDING)
    return [
        row
        for row in knowledge().cause
        if heater in row.layouts
        and row.standing in {None, STANDING in layout}
        and not (row.of_thermostat and NO_THERMOSTAT in layout)
    ]


@cache
def hypotheses(layout: str) -> Hypotheses:
    """All single causes and pairs for a heater layout, as of `layout_of` (computed once)."""
    table = knowledge()
    rows = rows_of(layout)
    figures, signs = list(table.figures), list(table.signs)
    weights = np.array(table.severity_weights) / sum(table.severity_weights)
    effects = [row_effects(row, figures, table) for row in rows]
    chances = [
        np.array([row.signs.get(sign, table.signs[sign].usual) for sign in signs]) for row in rows
    ]
    members: list[tuple[CauseRow, ...]] = []
    prior, index, moves, spread, seen = [], [], [], [], []

    def add(
        them: tuple[CauseRow, ...], weight: Floats, move: Floats, sd: Floats, sign: Floats
    ) -> None:
        index.append(np.full(weight.size, len(members)))
        members.append(them)
        prior.append(weight)
        moves.append(move)
        spread.append(sd)
        seen.append(np.broadcast_to(sign, (weight.size, len(signs))))

    for row, (move, sd), chance in zip(rows, effects, chances, strict=True):
        if row.name == NO_FAULT:
            add((row,), np.array([row.prior]), move[:1], sd[:1], chance)
        else:
            add((row,), row.prior * weights, move, sd, chance)
    paired = [place for place, row in enumerate(rows) if row.in_pairs and row.name != NO_FAULT]
    for one, other in combinations(paired, 2):
        if rows[one].name == rows[other].name:
            continue
        both = effects[one][0][:, None, :] + effects[other][0][None, :, :]
        sd = np.hypot(effects[one][1][:, None, :], effects[other][1][None, :, :])
        weight = table.pair_factor * rows[one].prior * rows[other].prior
        add(
            (rows[one], rows[other]),
            weight * np.outer(weights, weights).ravel(),
            both.reshape(-1, len(figures)),
            sd.reshape(-1, len(figures)),
            np.maximum(chances[one], chances[other]),
        )
    total = np.concatenate(prior)
    return Hypotheses(
        tuple(members),
        total / total.sum(),
        np.concatenate(index),
        np.concatenate(moves),
        np.concatenate(spread),
        np.concatenate(seen),
    )


def row_effects(
    row: CauseRow, figures: list[str], table: Knowledge, *, harms: bool = False
) -> tuple[Floats, Floats]:
    """Moves and their spreads of one cause, shape (severities, figures).

    As the run's own conditions show them, or `harms` where it does most harm.
    """
    given = row.harms if harms and row.harms is not None else row.moves
    moves = np.zeros((SEVERITIES.size, len(figures)))
    spread = np.zeros_like(moves)
    for place, figure in enumerate(figures):
        if figure in given:
            slight, moderate, severe = given[figure]
            columns = [0.0, slight, moderate, severe, 2.0 * severe - moderate]
            moves[:, place] = np.interp(SEVERITIES, [0, 1, 2, 3, 4], columns)
            share = table.move_spread if row.move_spread is None else row.move_spread
            spread[:, place] = share * np.abs(moves[:, place])
        if figure in row.blurs:
            blur = row.blurs[figure] * SEVERITIES / 2.0
            spread[:, place] = np.hypot(spread[:, place], blur)
    return moves, spread


def noted_checks() -> list[CheckRow]:
    """Checks that belong on a check sheet, in the order of the trade."""
    rows = [row for row in knowledge().check if row.found]
    return sorted(rows, key=lambda each: each.order)


def check_names() -> list[str]:
    """Names of all checks, in the order of the trade."""
    return [row.name for row in noted_checks()]
