"""The figures of a heater: one a module, all found through one registry.

A module in this package defines one public function decorated with `figure`; all that is said of a
figure anywhere (its label, which side is bad, how it repeats, an owner's words for it) is said
there. `all_figures` imports every module of the package and lists them in the contract's order.
"""

from __future__ import annotations

import importlib
import math
import pkgutil
from collections.abc import Callable, Mapping
from functools import cache
from typing import TYPE_CHECKING, Final, Literal

from analysis.measurement import Measurement
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.context import Context

Measure = Callable[["Context"], Measurement]
Side = Literal["low", "high", "both"]

KEY_FIGURE: Final = "steady_outlet_rise"
"""What the complaint is about, and what is followed over time where no figure is named."""


@dataclass(frozen=True, slots=True)
class OwnerWords:
    """How a figure is told to a car's owner.

    Parameters
    ----------
    sentence
        With ``{value}``.
    unit
        Unit as an owner reads it; ``temperature`` and ``warmer`` stand for a temperature and a
        difference of two.
    rank
        Place among the figures that failed: the most telling first, in tens.
    kin
        How the family's range is told, with ``{range}``.
    least, most
        How a lower and an upper limit are told, with ``{limit}``.
    sign
        -1 where an owner hears the opposite: colder by 5 for a change of -5.
    always
        Whether it is told even where it did not fail.
    """

    sentence: str
    unit: str
    rank: int
    kin: str = "cars of this kind have {range}"
    least: str = "it should be at least {limit}"
    most: str = "it should be {limit} at most"
    sign: int = 1
    always: bool = False


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: all that is known of it besides its value.

    Parameters
    ----------
    name
        The contract's name; its default limit, or that it has none, stands under this name in
        ``data/limits.toml``.
    unit
        The contract's unit.
    order
        Place in tables (the contract's order, in tens).
    label
        What a technician calls it, for screens.
    measure
        Takes the context, returns a `Measurement`; never raises for missing data.
    bad
        The side on which it is bad to differ from one's family; None where neither is.
    heat
        The side on which a fault takes heat from the occupants (at the outlet, at the floor, over
        the lever's travel, in time or steadiness); None where it does not.
    better
        Which way a repair should move it; None where neither way is better by itself.
    repeat
        The events it comes from, where its scatter goes down with more of them and not with more
        time.
    log
        Whether it is a positive rate or time whose spread goes with its size.
    span_u
        For a figure that grows with coolant minus outside air: how far the allowance for another
        day may be off, standard uncertainty as a share of the allowance. None for any other.
    driven_u
        How far two measurements of one sound car differ by the way it was driven, standard
        uncertainty as a share.
    window
        What the stretch it was measured in is called where a picture marks it.
    owner
        How it is told to an owner; None where it means nothing to one.
    least, most
        Between which it lies whatever the car is like; no limit lies beyond.
    """

    name: str
    unit: str
    order: int
    label: str
    measure: Measure
    bad: Side | None = None
    heat: Literal["low", "high"] | None = None
    better: Literal["higher", "lower"] | None = None
    repeat: str | None = None
    log: bool = False
    span_u: float | None = None
    driven_u: float = 0.0
    window: str | None = None
    owner: OwnerWords | None = None
    least: float = -math.inf
    most: float = math.inf


_FIGURES: dict[str, Figure] = {}


def figure(
    name: str,
    unit: str,
    *,
    order: int,
    label: str,
    bad: Side | None = None,
    heat: Literal["low", "high"] | None = None,
    better: Literal["higher", "lower"] | None = None,
    repeat: str | None = None,
    log: bool = False,
    span_u: float | None = None,
    driven_u: float = 0.0,
    window: str | None = None,
    owner: OwnerWords | None = None,
    least: float = -math.inf,
    most: float = math.inf,
) -> Callable[[Measure], Measure]:
    """Register the decorated function as a figure; the keywords are those of `Figure`."""

    def register(measure: Measure) -> Measure:
        _FIGURES[name] = Figure(
            name,
            unit,
            order,
            label,
            measure,
            bad=bad,
            heat=heat,
            better=better,
            repeat=repeat,
            log=log,
            span_u=span_u,
            driven_u=driven_u,
            window=window,
            owner=owner,
            least=least,
            most=most,
        )
        return measure

    return register


@cache
def all_figures() -> tuple[Figure, ...]:
    """Every figure of the package, in order."""
    for module in pkgutil.iter_modules(__path__):
        importlib.import_module(f"{__name__}.{module.name}")
    return tuple(sorted(_FIGURES.values(), key=lambda each: (each.order, each.name)))


@cache
def figures_by_name() -> Mapping[str, Figure]:
    """Every figure of the package by its name, in order."""
    return {each.name: each for each in all_figures()}


def bad_side(name: str) -> Side | None:
    """The side on which it is bad to differ; None for no side, and for what is no figure."""
    found = figures_by_name().get(name)
    return None if found is None else found.bad


def spread_grows(name: str) -> bool:
    """Whether a figure's spread goes with its size (`Figure.log`); not of what is no figure."""
    found = figures_by_name().get(name)
    return found is not None and found.log
