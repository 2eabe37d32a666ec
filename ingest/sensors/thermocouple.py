"""Thermocouples on ITS-90: reference functions, their exact inverse, cold-junction compensation.

The reference functions are those of NIST Monograph 175 (SRD 60), the same as in IEC 60584-1; the
coefficients stand in ``its90.toml``. The inverse is the root of the reference function, not the
published approximate inverse polynomial (those are off by up to 0.06 K).

Where a type can be inverted: E, J, K, N, R, S and T over their whole range. Type B falls from 0 °C
to about 21 °C and comes back to 0 mV at about 42 °C, so that an emf at or below 0 mV belongs to two
temperatures; it is inverted above that point only. Towards -270 °C types E, K, N and T are nearly
flat (0.3 to 1.6 µV/K): the root is exact, but a rounded 0.5 µV is worth 0.3 to 1.5 K there.

Outside the range the answer is NaN. One allowance: an emf that lies outside by no more than half a
unit of the last digit that the tables print (`END_TOLERANCE`) gets the temperature of that end,
because the printed values of the end points themselves lie a fraction of a microvolt outside. Type
B has no such allowance at its lower end.
"""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from ingest.arrays import Floats
from ingest.sensors.lookup import Cells, Lines
from ingest.values import dataclass

Letter = Literal["B", "E", "J", "K", "N", "R", "S", "T"]
END_TOLERANCE: Final = 0.0005
"""Half a unit of the last printed digit of the tables, mV."""

CELLS: Final = 65536
"""Cells of the inverse table; both its columns fit into a second-level cache."""

TABLE_ERROR: Final = 2e-5
"""Where a straight line over a cell of that table could be further off than this (K), the flat cold
end, a second table of the cold end alone is used."""

FINE: Final = 32768
"""Cells of the table of the cold end."""

COLD_CELLS_PER_K: Final = 16
"""Cells a kelvin of the cold-junction table: linear between them is within 0.1 nV."""

COLD_ERROR: Final = 1e-7
"""How far off a parabola for a block's cold junctions may be, mV: a few microkelvin."""

BLOCK: Final = 32768
"""Samples worked on at once: everything stays in the cache, and threads rarely wait for another."""

THREADED_FROM: Final = 8 * BLOCK
"""Arrays shorter than this are not worth a second thread."""


@dataclass(frozen=True, slots=True)
class Polynomial:
    """One polynomial of a reference function, with type K's exponential where it has one."""

    low: float
    high: float
    coefficients: tuple[float, ...]
    exponential: tuple[float, float, float] | None

    def emf(self, t: Floats) -> Floats:
        """Emf in mV at `t` in °C, by Horner's rule."""
        result = np.full_like(t, self.coefficients[-1])
        for coefficient in self.coefficients[-2::-1]:
            result *= t
            result += coefficient
        if self.exponential:
            a0, a1, a2 = self.exponential
            result += a0 * np.exp(a1 * (t - a2) ** 2)
        return result

    def slope(self, t: Floats) -> Floats:
        """Seebeck coefficient in mV/K at `t` in °C."""
        order = len(self.coefficients) - 1
        result = np.full_like(t, order * self.coefficients[-1])
        for power in range(order - 1, 0, -1):
            result *= t
            result += power * self.coefficients[power]
        if self.exponential:
            a0, a1, a2 = self.exponential
            result += 2.0 * a0 * a1 * (t - a2) * np.exp(a1 * (t - a2) ** 2)
        return result

    def slope_at(self, t: float) -> float:
        """As `slope`, of one temperature."""
        order = len(self.coefficients) - 1
        result = order * self.coefficients[-1]
        for power in range(order - 1, 0, -1):
            result = result * t + power * self.coefficients[power]
        if self.exponential:
            a0, a1, a2 = self.exponential
            off = t - a2
            result += 2.0 * a0 * a1 * off * float(np.exp(a1 * (off * off)))
        return result


@dataclass(frozen=True, slots=True)
class Span:
    """Where a type can be inverted: temperatures in °C and their emf in mV."""

    t_low: float
    t_high: float
    e_low: float
    e_high: float


@dataclass(frozen=True, slots=True)
class _Inverse:
    """Temperature over emf: `wide` cells, and `fine` ones for the flat end below `good_from`."""

    span: Span
    wide: Lines
    good_from: float
    fine: Lines


@cache
def _coefficients() -> dict[Letter, list[dict[str, Any]]]:
    text = Path(__file__).with_name("its90.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)  # type: ignore[return-value]


@cache
def _segments(letter: Letter) -> tuple[Polynomial, ...]:
    return tuple(
        Polynomial(
            segment["range"][0],
            segment["range"][1],
            tuple(segment["coefficients"]),
            tuple(segment["exponential"]) if "exponential" in segment else None,
        )
        for segment in _coefficients()[letter]
    )


def temperature_range(letter: Letter) -> tuple[float, float]:
    """Lowest and highest temperature of a reference function, °C."""
    segments = _segments(letter)
    return segments[0].low, segments[-1].high


def emf(letter: Letter, temperature: ArrayLike) -> Floats:
    """Emf of a thermocouple with its cold junction at 0 °C.

    Parameters
    ----------
    letter
        Thermocouple type.
    temperature
        Temperature of the measuring junction [°C], any shape.

    Returns
    -------
    ndarray
        Emf [mV], same shape; NaN outside the reference function's range.
    """
    return _by_segment(letter, temperature, Polynomial.emf)


def seebeck(letter: Letter, temperature: ArrayLike) -> Floats:
    """Seebeck coefficient: slope of the reference function.

    Parameters
    ----------
    letter
        Thermocouple type.
    temperature
        Temperature [°C], any shape.

    Returns
    -------
    ndarray
        Seebeck coefficient [mV/K], same shape; NaN outside the reference function's range.
    """
    return _by_segment(letter, temperature, Polynomial.slope)


def seebeck_at(letter: Letter, temperature: float) -> float:
    """`seebeck` at one temperature, to the last bit and without the cost of arrays.

    Parameters
    ----------
    letter
        Thermocouple type.
    temperature
        Temperature [°C].

    Returns
    -------
    float
        Seebeck coefficient [mV/K]; NaN outside the reference function's range.
    """
    segments = _segments(letter)
    if not segments[0].low <= temperature <= segments[-1].high:
        return math.nan
    return next(each for each in segments if temperature <= each.high).slope_at(temperature)


def _by_segment(
    letter: Letter, temperature: ArrayLike, function: Callable[[Polynomial, Floats], Floats]
) -> Floats:
    t = np.asarray(temperature, dtype=np.float64)
    segments = _segments(letter)
    if t.size:
        # a car's temperatures mostly lie in one segment, all of them
        coldest, hottest = float(t.min()), float(t.max())
        for segment in segments:
            if segment.low < coldest and hottest <= segment.high:
                return function(segment, t)
    result = np.full(t.shape, np.nan)
    low, high = temperature_range(letter)
    inside = (t >= low) & (t <= high)
    for place, segment in enumerate(segments):
        # a joint belongs to the lower segment, as NIST's "range" lines are read
        here = inside & (t > segment.low if place else True) & (t <= segment.high)
        result[here] = function(segment, t[here])
    return result


@cache
def invertible_range(letter: Letter) -> Span:
    """Where a type can be inverted (see the module's text)."""
    low, high = temperature_range(letter)
    if letter == "B":
        low = _upper_zero_of_b()
    ends = emf(letter, [low, high])
    return Span(low, high, float(ends[0]) if letter != "B" else 0.0, float(ends[1]))


def _upper_zero_of_b() -> float:
    """Temperature above its minimum at which type B's emf is 0 again, °C."""
    root = 42.0
    for _ in range(20):
        root -= float(emf("B", root)) / float(seebeck("B", root))
    return root


def temperature(letter: Letter, voltage: ArrayLike, cold_junction: ArrayLike = 0.0) -> Floats:
    """Temperature from a thermocouple's voltage, compensated in the voltage domain.

    Parameters
    ----------
    letter
        Thermocouple type.
    voltage
        Voltage at the instrument [mV], any shape; NaN for no reading.
    cold_junction
        Temperature of the cold junction [°C], a number or an array that broadcasts to `voltage`.

    Returns
    -------
    ndarray
        Temperature of the measuring junction [°C]: within 1 mK of the root of the reference
        function. NaN where the voltage or the cold junction is NaN or the sum lies outside the
        range that can be inverted.
    """
    raw = np.asarray(voltage, dtype=np.float64)
    cold = np.asarray(cold_junction, dtype=np.float64)
    if cold.ndim:
        raw, cold = np.broadcast_arrays(raw, cold)
    result = np.empty(raw.shape)
    flat_raw, flat_cold, flat_result = raw.reshape(-1), cold.reshape(-1), result.reshape(-1)
    inverse = _inverse(letter)  # made here, so that two threads do not both make it
    reference = _reference(letter) if cold.ndim else float(emf(letter, cold))

    def work(start: int) -> None:
        stop = min(start + 4 * BLOCK, flat_raw.size)
        part = slice(start, stop)
        junctions = flat_cold[part] if cold.ndim else flat_cold
        with np.errstate(over="ignore", invalid="ignore"):  # absurd numbers end as NaN
            _convert(letter, inverse, reference, flat_raw[part], junctions, flat_result[part])

    starts = range(0, flat_raw.size, 4 * BLOCK)
    if flat_raw.size < THREADED_FROM or (os.cpu_count() or 1) < 2:
        for start in starts:
            work(start)
    else:
        with ThreadPoolExecutor(2) as pool:  # numpy lets go of the interpreter's lock
            for _ in pool.map(work, starts):
                pass
    return result


def _convert(
    letter: Letter,
    inverse: _Inverse,
    reference: Lines | float,
    raw: Floats,
    cold: Floats,
    result: Floats,
) -> None:
    """Convert into `result`, block by block in buffers that stay in the cache."""
    size = min(BLOCK, raw.size)
    total, spare, cell = np.empty(size), np.empty(size), np.empty(size, dtype=np.int64)
    for begin in range(0, raw.size, BLOCK):
        end = min(begin + BLOCK, raw.size)
        e, s, i, t = (
            total[: end - begin],
            spare[: end - begin],
            cell[: end - begin],
            result[begin:end],
        )
        if isinstance(reference, float):
            np.add(raw[begin:end], reference, out=e)
        else:
            _cold_emf(letter, reference, cold[begin:end], e, s, i)
            np.add(e, raw[begin:end], out=e)
        inverse.wide.look_up(e, t, s, i)
        if not (inverse.good_from <= e.min() and e.max() <= inverse.span.e_high):
            _mend_ends(letter, inverse, e, t)


def _cold_emf(
    letter: Letter, reference: Lines, cold: Floats, e: Floats, spare: Floats, cell: Cells
) -> None:
    """Emf of a block of cold junctions into `e`; NaN outside the reference function's range."""
    low, high = temperature_range(letter)
    coldest, hottest = float(cold.min()), float(cold.max())
    if low <= coldest and hottest <= high:
        # a block's cold junctions are mostly within a kelvin or two
        parabola = reference.parabola(coldest, hottest, COLD_ERROR)
        if parabola is not None:
            constant, first, second = parabola
            np.multiply(cold, second, out=e)
            np.add(e, first, out=e)
            np.multiply(e, cold, out=e)
            np.add(e, constant, out=e)
            return
    reference.look_up(cold, e, spare, cell)
    if not (low <= coldest and hottest <= high):
        e[(cold < low) | (cold > high)] = np.nan
    margin = 1.0 / COLD_CELLS_PER_K
    if letter == "N" and not (coldest > margin or hottest < -margin):
        # its slope jumps by 1 % at 0 °C: no straight line across that
        near = np.flatnonzero(np.abs(cold) < margin)
        e[near] = emf(letter, cold[near])


def _mend_ends(letter: Letter, inverse: _Inverse, e: Floats, t: Floats) -> None:
    """Answer for the flat cold end, and for what lies outside the range."""
    span = inverse.span
    low = np.flatnonzero(e < inverse.good_from)
    if low.size:
        few, answers = e[low], np.empty(low.size)
        inverse.fine.look_up(few, answers, np.empty(low.size), np.empty(low.size, np.int64))
        below = few < span.e_low
        answers[below] = np.nan
        if letter == "B":
            answers[few <= 0.0] = np.nan  # two temperatures answer
        else:
            answers[below & (few >= span.e_low - END_TOLERANCE)] = span.t_low
        t[low] = answers
    high = np.flatnonzero(e > span.e_high)
    if high.size:
        t[high] = np.where(e[high] <= span.e_high + END_TOLERANCE, span.t_high, np.nan)


@cache
def _nodes(letter: Letter) -> tuple[Floats, Floats]:
    """Temperatures and emf of the range that can be inverted, for first guesses."""
    span = invertible_range(letter)
    t = np.linspace(span.t_low, span.t_high, 16385)
    return t, emf(letter, t)


def _roots(letter: Letter, e: Floats, steps: int = 4) -> Floats:
    """Temperatures at which the reference function equals `e` [mV], by Newton's method.

    Started between two close nodes of the function itself; each step about squares the error.
    """
    t_nodes, e_nodes = _nodes(letter)
    t = np.interp(e, e_nodes, t_nodes)
    for _ in range(steps):
        t -= (emf(letter, t) - e) / seebeck(letter, t)
        np.clip(t, t_nodes[0], t_nodes[-1], out=t)
    return t


@cache
def _inverse(letter: Letter) -> _Inverse:
    """Tables of the inverse, made once a type from roots of the reference function."""
    span = invertible_range(letter)
    wide = Lines.of(lambda e: _roots(letter, e, steps=2), span.e_low, span.e_high, CELLS)
    # In the middle of its cell a straight line is off by an eighth of the second difference, which
    # is how much the slope changes over a cell. Only the flat end counts: type N's jump of slope
    # at 0 °C costs that one cell 0.1 mK.
    bend = np.abs(np.diff(wide.slope[1:-1])) / (8.0 * wide.per_unit)
    first_good = int(np.argmax(bend <= TABLE_ERROR)) + 2
    good_from = wide.lower_edge(first_good)
    return _Inverse(
        span, wide, good_from, Lines.of(lambda e: _roots(letter, e), span.e_low, good_from, FINE)
    )


@cache
def _reference(letter: Letter) -> Lines:
    """Emf over temperature, for cold junctions that vary."""
    low, high = temperature_range(letter)
    return Lines.of(lambda t: emf(letter, t), low, high, round((high - low) * COLD_CELLS_PER_K))
