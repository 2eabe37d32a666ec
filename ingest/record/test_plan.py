"""Test plans: what is done with the car while it is recorded, step by step.

A plan is a TOML file::

    [plan]
    name = "blend-air heater, whole test"
    heater = "blend-air"
    cautions = ["..."]

    [[step]]
    name = "hold at full hot"
    do = "Leave every control alone. Drive at a steady 30 mph, or idle."
    set = { temp_lever = 100, blower = 4 }
    until = { time_s = 240, enough = { figure = "steady_outlet_rise", u = 0.8 } }
    timeout_s = 900

    [[step]]
    name = "lever down"
    do = "Put the temperature lever to {position} %."
    sweep = { control = "temp_lever", from = 90, to = 0, by = 10, dwell_s = 25 }

Conditions that stand in one table must all be met; ``any`` and ``all`` take lists of such tables.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from ingest.errors import Fault, UnusableRun
from ingest.events.controls import PositionError, read_position
from ingest.files import read_text
from ingest.points import CONTROLS, POINTS
from ingest.regular import check_regular
from ingest.setup.model import BenchTable, Heater
from ingest.setup.toml_text import parse_toml

Place = Literal["yard", "road"]
LARGEST_BYTES: Final = 1 << 20
MAX_STEPS: Final = 500
MAX_NESTED: Final = 8


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Steady(_Table):
    """A point stands still: over the last `for_s` it has drifted by no more than `within`."""

    point: str
    within: float = Field(gt=0, allow_inf_nan=False)
    for_s: float = Field(default=60.0, ge=10, le=600)

    @field_validator("point")
    @classmethod
    def _known(cls, point: str) -> str:
        if point not in POINTS:
            msg = f"one of {', '.join(POINTS)}"
            raise ValueError(msg)
        return point


class Enough(_Table):
    """A figure is known well enough: its standard uncertainty is `u` or less."""

    figure: str = Field(min_length=1)
    u: float = Field(gt=0, allow_inf_nan=False)


class Until(_Table):
    """When a step is over; what stands in one table must all be met."""

    time_s: float | None = Field(default=None, ge=0, le=86400)
    steady: Steady | None = None
    enough: Enough | None = None
    any: tuple[Until, ...] = ()
    all: tuple[Until, ...] = ()

    @model_validator(mode="after")
    def _something(self) -> Until:
        if self == Until.model_construct():
            msg = "a condition: time_s, steady, enough, any or all"
            raise ValueError(msg)
        return self

    def depth(self) -> int:
        """How deep conditions stand in one another."""
        return 1 + max((each.depth() for each in (*self.any, *self.all)), default=0)

    def surely_ends(self) -> bool:
        """Whether time alone is certain to meet it."""
        if self.steady is not None or self.enough is not None:
            return False
        if not all(each.surely_ends() for each in self.all):
            return False
        return not self.any or any(each.surely_ends() for each in self.any)


class Sweep(_Table):
    """A control moved from one position to another in equal moves."""

    control: Literal["temp_lever", "air_door", "defrost"]
    from_: float = Field(alias="from", ge=0, le=100)
    to: float = Field(ge=0, le=100)
    by: float = Field(gt=0, le=100)
    dwell_s: float = Field(ge=1, le=3600)

    def positions(self) -> tuple[float, ...]:
        """Every position, the last one `to` itself."""
        way = self.to - self.from_
        moves = int(abs(way) / self.by + 1e-9)
        step = self.by if way >= 0 else -self.by
        found = [round(self.from_ + step * place, 6) for place in range(moves + 1)]
        return tuple(found if found[-1] == self.to else [*found, self.to])


class Step(_Table):
    """One step.

    `confirm` steps wait for the operator's key and begin with it: what must be timed by a person.
    `needs` names points without which the step is left out.
    """

    name: str = Field(min_length=1, max_length=80)
    do: str = Field(min_length=1, max_length=400)
    set: dict[str, str] = Field(default_factory=dict)
    until: Until | None = None
    sweep: Sweep | None = None
    confirm: bool = False
    timeout_s: float | None = Field(default=None, gt=0, le=86400)
    caution: str | None = Field(default=None, max_length=400)
    needs: tuple[str, ...] = ()

    @field_validator("set", mode="before")
    @classmethod
    def _as_text(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        return {name: _text(position) for name, position in value.items()}

    @field_validator("set")
    @classmethod
    def _positions(cls, value: dict[str, str]) -> dict[str, str]:
        for control, position in value.items():
            if control not in CONTROLS:
                msg = f"controls: {', '.join(CONTROLS)} (not {control!r})"
                raise ValueError(msg)
            try:
                read_position(control, position)
            except PositionError as error:
                msg = f"{error} (not {position!r})"
                raise ValueError(msg) from error
        return value

    @field_validator("needs")
    @classmethod
    def _points(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for point in value:
            if point not in POINTS:
                msg = f"measuring points: {', '.join(POINTS)} (not {point!r})"
                raise ValueError(msg)
        return value

    @model_validator(mode="after")
    def _ends(self) -> Step:
        if self.sweep is not None:
            if self.until is not None or self.confirm:
                msg = "either a sweep, or until and confirm"
                raise ValueError(msg)
            return self
        if self.until is None and not self.confirm:
            msg = "until = { ... }, sweep = { ... } or confirm = true"
            raise ValueError(msg)
        if self.until is not None and self.timeout_s is None and not self.until.surely_ends():
            msg = "timeout_s as well, because these conditions may never be met"
            raise ValueError(msg)
        if self.until is not None and self.until.depth() > MAX_NESTED:
            msg = f"conditions no more than {MAX_NESTED} deep"
            raise ValueError(msg)
        return self

    def spread(self) -> tuple[Step, ...]:
        """The step itself, or one for each position of its sweep."""
        if self.sweep is None:
            return (self,)
        positions = self.sweep.positions()
        return tuple(
            Step(
                name=f"{self.name} ({place} of {len(positions)})",
                do=self.do.replace("{position}", _text(position)),
                set=(self.set if place == 1 else {}) | {self.sweep.control: _text(position)},
                until=Until(time_s=self.sweep.dwell_s),
                caution=self.caution if place == 1 else None,
                needs=self.needs,
            )
            for place, position in enumerate(positions, start=1)
        )


class Plan(_Table):
    """A whole plan; `steps` has sweeps spread out."""

    name: str = Field(min_length=1, max_length=80)
    heater: Heater | None = None
    cautions: tuple[str, ...] = ()
    steps: tuple[Step, ...] = Field(min_length=1)

    def for_points(self, points: frozenset[str]) -> Plan:
        """The plan without the steps that need points that are not logged."""
        kept = tuple(step for step in self.steps if points.issuperset(step.needs))
        return self.model_copy(update={"steps": kept})


class _Head(_Table):
    name: str = Field(min_length=1, max_length=80)
    heater: Heater | None = None
    cautions: tuple[str, ...] = ()


class _File(_Table):
    plan: _Head
    step: tuple[Step, ...]


def parse_plan(text: str, file: str = "plan.toml") -> Plan:
    """Validate the text of a plan.

    Raises
    ------
    UnusableRun
        With one fault for each mistake.
    """
    document = parse_toml(text, file)
    try:
        found = _File.model_validate(document)
    except (ValidationError, RecursionError) as error:
        raise UnusableRun(_faults(error, document, file)) from error
    steps = tuple(one for step in found.step for one in step.spread())
    if not steps:
        raise UnusableRun(Fault(f"{file} step", "none", "at least one [[step]]", "add a step"))
    if len(steps) > MAX_STEPS:
        raise UnusableRun(
            Fault(file, f"{len(steps)} steps", f"{MAX_STEPS} or fewer", "make the sweeps coarser")
        )
    head = found.plan
    return Plan(name=head.name, heater=head.heater, cautions=head.cautions, steps=steps)


def read_plan(path: Path) -> Plan:
    """Read and validate a plan.

    Raises
    ------
    UnusableRun
        Where it is missing, too large, not UTF-8, not TOML or not a plan.
    """
    return parse_plan(plan_text(path), path.name)


def plan_text(path: Path) -> str:
    """Text of a plan file.

    Raises
    ------
    UnusableRun
        Where it cannot be read.
    """
    check_regular(path, LARGEST_BYTES, "a test plan (TOML)")
    return read_text(path)


def usual_plan_text(heater: Heater, place: Place = "yard") -> str:
    """Text of the plan that comes with the tool for a heater layout.

    Parameters
    ----------
    heater
        The layout.
    place
        ``yard``: one person at a standstill; ``road``: a driver, and a second person who does all
        else.
    """
    return _plan_text(f"{place}-{heater}.toml")


BENCH_PLANS: Final[dict[str, str]] = {
    "sensors": "bench-sensors-{reference}.toml",
    "thermostat": "bench-thermostat.toml",
    "actuator": "bench-hold.toml",
    "check valve": "bench-hold.toml",
    "line": "bench-line.toml",
    "vacuum switch": "bench-switch.toml",
}
"""By part on the bench: its plan."""


def bench_plan_text(bench: BenchTable) -> str:
    """Text of the plan that comes with the tool for a part on the bench."""
    name = BENCH_PLANS[bench.part].format(reference=bench.reference)
    return _plan_text(name)


def _plan_text(name: str) -> str:
    return (resources.files("ingest.record.plans") / name).read_text(encoding="utf-8")


def _text(position: object) -> str:
    if isinstance(position, bool):
        return str(int(position))
    if isinstance(position, float):
        return f"{position:g}"
    return str(position)


def _faults(
    error: ValidationError | RecursionError, document: dict[str, Any], file: str
) -> list[Fault]:
    if isinstance(error, RecursionError):
        return [Fault(file, "conditions within conditions", "a few levels", "make it simpler")]
    found = []
    for details in error.errors():
        where = _place(file, document, details["loc"])
        if details["type"] == "missing":
            found.append(Fault(where, "nothing", "a value", "add it"))
        elif details["type"] == "extra_forbidden":
            found.append(Fault(where, "an unknown key", "a key of a plan", "correct its spelling"))
        else:
            expected = details["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
            found.append(Fault(where, _short(details["input"]), expected, "correct it in the file"))
    return found


def _place(file: str, document: dict[str, Any], loc: tuple[int | str, ...]) -> str:
    parts = [str(part) for part in loc]
    if len(loc) > 1 and loc[0] == "step" and isinstance(loc[1], int):
        steps = document.get("step")
        name = steps[loc[1]].get("name") if isinstance(steps, list) and isinstance(
            steps[loc[1]], dict) else None  # fmt: skip
        called = f" ({name})" if isinstance(name, str) else ""
        return " ".join([file, f"step {loc[1] + 1}{called}", *parts[2:]])
    return " ".join([file, *parts])


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "..."
