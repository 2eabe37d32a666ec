"""A vacuum switch moved by the lever: over how much travel it acts, and how much play it has."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.bench.registry import Answers, Asked, BenchFigure, part
from analysis.lever.path import NotMeasurable, lever_path
from analysis.lever.study import LOGGED_READING_PCT, READING_PCT
from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.uncertainty import mean_random
from ingest.arrays import Floats
from ingest.run import Run
from ingest.saying import say
from ingest.values import dataclass

SPAN: Final = BenchFigure(
    "switch_span",
    "%",
    "Travel over which the vacuum switch acts",
    "Share of the lever's travel over which the switch's output (vacuum_actuator, over "
    "vacuum_source where that is logged) changes: between the positions where it has covered 2.5 % "
    "and 97.5 % of its change from one end of the travel to the other, mean of the ways there and "
    "back.",
    "W = x(y = 0.975) − x(y = 0.025), y = (p − p_first) / (p_last − p_first) of either way",
    "Without the output's vacuum or the lever's positions; where the lever was not held at enough "
    "positions over most of its travel; where the output did not change.",
    "As effective_travel of the car's lever; between two positions any course that never turns "
    "back is possible, drawn from Dirichlet processes (T. S. Ferguson, Ann. Statist. 1, 1973, 209; "
    "from memory).",
    "By Monte Carlo (JCGM 101): what the output may do between two positions, scatter and creep of "
    "its levels, how well a position is set.",
)
HYSTERESIS: Final = BenchFigure(
    "switch_hysteresis",
    "%",
    "Play of the vacuum switch",
    "Lever position on the way up less that on the way down at the same output, mean of the "
    "outputs from 10 to 90 % of its change.",
    "H = mean over y from 0.1 to 0.9 (x_up(y) − x_down(y))",
    "Where the lever was moved one way only; and as for switch_span.",
    "As lever_hysteresis of the car's lever.",
    "As for switch_span.",
)

MIN_HOLD_S: Final = 6.0
"""A position held for less says nothing of the level it settles to."""

MIN_READINGS: Final = 3
MIN_POSITIONS: Final = 4
MIN_TRAVEL_PCT: Final = 80.0
"""A way that leaves out more of the travel does not show where the switch acts."""

MIN_CHANGE_KPA: Final = 5.0
MIN_CHANGE_SHARE: Final = 0.1
"""An output that changes by less, in kPa or as a share of the supply, is not switched."""

COVERED: Final = (0.025, 0.975)
SHARES: Final = np.linspace(0.1, 0.9, 9)
DRAWS: Final = 400
CELLS: Final = 16
CONCENTRATION: Final = (0.05, 20.0)
"""Of the Dirichlet process between two positions, from a jump to nearly a straight line; its
logarithm is anything between."""

SAG_SHARE: Final = 0.1
"""Half-width of how far a supply that was not logged changes from first to last (common practice,
no source)."""

SOUND_PCT: Final = 8.0
"""Play of a sound switch with its linkage, as for the lever (common practice, no source)."""

SOUND: Final = "play of a sound switch with its linkage: common practice, no source"
ASKED: Final = "run.toml [bench] most_hysteresis"
SNAP_SHARE: Final = 0.9
"""A switch that makes so much of its change between two positions switches on and off."""

SNAPS: Final = (
    "this switch turns on and off at once, and how far apart is its maker's choice: give "
    "[bench] most_hysteresis where it is known"
)


Held = tuple[float, float, float, float]
"""Position, share of the test that was over, level, its standard uncertainty."""


@dataclass(frozen=True, slots=True)
class Way:
    """The lever moved from one end towards the other, position after position.

    Parameters
    ----------
    up
        Whether towards 100 %.
    position
        %, ascending, shape (k,).
    share
        How much of the whole test was over at each, shape (k,).
    level, u
        Settled output and its standard uncertainty, kPa or share of the supply, shape (k,).
    """

    up: bool
    position: Floats
    share: Floats
    level: Floats
    u: Floats


@dataclass(frozen=True, slots=True)
class SwitchTravel:
    """What a run shows of a switch.

    Parameters
    ----------
    ways
        In order of time.
    of_supply
        Whether levels are shares of the supply.
    reading
        Standard uncertainty of a position, %.
    window
        From and to, s.
    """

    ways: tuple[Way, ...]
    of_supply: bool
    reading: float
    window: tuple[float, float]


@part(
    "vacuum switch",
    figures=(SPAN, HYSTERESIS),
    sound="the vacuum switch acts as it is asked to",
)
def vacuum_switch(run: Run) -> Answers:
    """Over how much travel a switch acts, and its play (see `SPAN` and `HYSTERESIS`)."""
    bench = run.setup.bench
    least = None if bench is None else bench.least_span
    most = None if bench is None else bench.most_hysteresis
    span_limit = None if least is None else Limit(least, None, "run.toml [bench] least_span")
    play_limit: Limit | None = Limit(
        None, SOUND_PCT if most is None else most, SOUND if most is None else ASKED
    )
    try:
        travel = switch_travel(run)
    except NotMeasurable as reason:
        missing = Measurement.missing("%", str(reason))
        return {SPAN.name: Asked(missing, span_limit), HYSTERESIS.name: Asked(missing, play_limit)}
    span, play = _measured(travel)
    if most is None and _snaps(travel):
        # made to switch on and off, it is given a difference between the two on purpose
        return {
            SPAN.name: Asked(span, span_limit),
            HYSTERESIS.name: Asked(replace(play, note=SNAPS)),
        }
    return {SPAN.name: Asked(span, span_limit), HYSTERESIS.name: Asked(play, play_limit)}


def switch_travel(run: Run) -> SwitchTravel:
    """The ways the lever was moved, with the output at every position it was held in.

    Raises
    ------
    NotMeasurable
        Where no way shows the switch; the message says why.
    """
    if not run.has("vacuum_actuator"):
        raise NotMeasurable("the switch's output was not logged (as vacuum_actuator)")
    path = lever_path(run)
    end = float(run.readings["time_s"][-1])
    stops = np.append(path.moves[1:], end)
    of_supply = run.has("vacuum_source")
    whole = end - float(path.moves[0])
    held = [
        (float(position), float(begin - path.moves[0]) / whole, *found)
        for begin, stop, position in zip(path.moves, stops, path.lever, strict=True)
        if (found := _settled(run, float(begin), float(stop), of_supply=of_supply)) is not None
    ]
    ways = tuple(way for each in _one_way(held) if (way := _way(each)) is not None)
    if not ways:
        raise NotMeasurable(
            f"the lever was never led from end to end with {MIN_POSITIONS} positions or more held "
            f"for {MIN_HOLD_S:.0f} s each"
        )
    _require_change(run, ways, of_supply=of_supply)
    reading = LOGGED_READING_PCT if path.logged else READING_PCT
    return SwitchTravel(ways, of_supply, reading, (float(path.moves[0]), end))


def _settled(run: Run, begin: float, stop: float, *, of_supply: bool) -> tuple[float, float] | None:
    """The output's level in the second half of a hold, and its standard uncertainty."""
    if stop - begin < MIN_HOLD_S:
        return None
    time, output = run.series("vacuum_actuator")
    late = (time >= (begin + stop) / 2.0) & (time < stop)
    time, output = time[late], output[late]
    if of_supply and time.size:
        supply = np.interp(time, *run.series("vacuum_source"))
        fed = supply > MIN_CHANGE_KPA
        time, output = time[fed], output[fed] / supply[fed]
    if time.size < MIN_READINGS:
        return None
    level = float(output.mean())
    elapsed = time - float(time.mean())
    power = float(elapsed @ elapsed)
    creep = float(elapsed @ output) / power * float(np.ptp(time)) if power > 0.0 else 0.0
    step = 0.0 if of_supply else run.sensors["vacuum_actuator"].resolution
    return level, math.hypot(mean_random(output, step), creep / math.sqrt(3.0))


def _one_way(
    held: Sequence[Held],
) -> list[list[Held]]:
    """Positions held one after the other, cut where the lever turns back; a turn is in both."""
    ways: list[list[Held]] = []
    for each in held:
        way = ways[-1] if ways else None
        if way is None:
            ways.append([each])
        elif each[0] == way[-1][0]:
            way[-1] = each
        elif len(way) == 1 or (each[0] > way[-1][0]) == (way[-1][0] > way[-2][0]):
            way.append(each)
        else:
            ways.append([way[-1], each])
    return ways


def _way(held: Sequence[Held]) -> Way | None:
    """One way from end to end; None where it is too short to show the switch."""
    if len(held) < MIN_POSITIONS or abs(held[-1][0] - held[0][0]) < MIN_TRAVEL_PCT:
        return None
    up = held[-1][0] > held[0][0]
    return Way(up, *np.array(held if up else held[::-1]).T)


def _require_change(run: Run, ways: Sequence[Way], *, of_supply: bool) -> None:
    """See that the switch switched anything.

    Raises
    ------
    NotMeasurable
        Where it did not: which of switch, supply and gauge is to blame the log cannot tell.
    """
    most = max(abs(float(way.level[-1] - way.level[0])) for way in ways)
    least = MIN_CHANGE_SHARE if of_supply else MIN_CHANGE_KPA
    noise = 3.0 * max(float(way.u.max()) for way in ways)
    if most > max(least, noise):
        return
    if of_supply:
        supply = float(np.median(run.series("vacuum_source")[1]))
        raise NotMeasurable(
            say(
                "the output hardly changed from end to end of the lever with {supply:.0f kPa} at "
                "the supply: see that the gauge's hose is on the output, then the switch is stuck "
                "or on the wrong fitting",
                supply=supply,
            )
        )
    raise NotMeasurable(
        "the output hardly changed from end to end of the lever: log the supply as vacuum_source, "
        "to tell a switch that is stuck from a supply that is missing"
    )


def _snaps(travel: SwitchTravel) -> bool:
    """Whether each way makes its change between two neighboring positions."""
    return all(
        float(np.abs(np.diff(way.level)).max())
        >= SNAP_SHARE * abs(float(way.level[-1] - way.level[0]))
        for way in travel.ways
    )


def _measured(travel: SwitchTravel) -> tuple[Measurement, Measurement]:
    """Span and play by Monte Carlo over all that the ways leave open."""
    draws = np.random.default_rng(0)
    wanted = np.concatenate((COVERED, SHARES))
    sag = draws.uniform(-SAG_SHARE, SAG_SHARE, DRAWS) * (not travel.of_supply)
    least, most = (math.log(each) for each in CONCENTRATION)
    kind = np.exp(draws.uniform(least, most, DRAWS)) / CELLS
    crossings = [
        _crossings(way, wanted, _Unknown(travel.reading, sag, kind), draws) for way in travel.ways
    ]
    spans = np.mean([each[:, 1] - each[:, 0] for each in crossings], axis=0)
    ups, downs = (
        [each[:, 2:] for way, each in zip(travel.ways, crossings, strict=True) if way.up is up]
        for up in (True, False)
    )
    note = _ends(crossings)
    span = Measurement(
        float(spans.mean()), "%", float(spans.std()), note=note, window=travel.window
    )
    if not ups or not downs:
        missing = "up" if not ups else "down"
        return span, Measurement.missing(
            "%", f"the lever was led from end to end only one way: lead it {missing} as well"
        )
    plays = (np.mean(ups, axis=0) - np.mean(downs, axis=0)).mean(axis=1)
    return span, Measurement(float(plays.mean()), "%", float(plays.std()), window=travel.window)


def _ends(crossings: Sequence[Floats]) -> str:
    """The travel at either end that changes nothing, in words."""
    low = float(np.mean([each[:, 0].mean() for each in crossings]))
    high = 100.0 - float(np.mean([each[:, 1].mean() for each in crossings]))
    return f"the first {low:.0f} % of the travel and the last {high:.0f} % change nothing"


@dataclass(frozen=True, slots=True)
class _Unknown:
    """What the ways of a test share: how well a position is set, and, by draw, two more.

    Those are how the supply changed and how the output goes from one position to the next, shape
    (draws,).
    """

    reading: float
    sag: Floats
    kind: Floats


def _crossings(way: Way, wanted: Floats, unknown: _Unknown, draws: np.random.Generator) -> Floats:
    """Positions at which the output has covered given shares of its change; (draws, shares)."""
    from scipy.optimize import isotonic_regression

    count = way.position.size
    rising = bool(way.level[-1] > way.level[0])
    levels = way.level + way.u * draws.standard_normal((DRAWS, count))
    levels *= 1.0 + unknown.sag[:, None] * way.share
    positions = way.position + unknown.reading * draws.standard_normal((DRAWS, count))
    parts = _parts(unknown.kind, count - 1, draws)
    across = np.arange(1, CELLS + 1) / CELLS
    found = np.empty((DRAWS, wanted.size))
    for place in range(DRAWS):
        level = isotonic_regression(levels[place], increasing=rising).x
        share = (level - level[0]) / (level[-1] - level[0])
        at = np.maximum.accumulate(positions[place])
        rises, moves = np.diff(share)[:, None], np.diff(at)[:, None]
        curve = np.append(0.0, (share[:-1, None] + rises * parts[place]).ravel())
        where = np.append(at[0], (at[:-1, None] + moves * across).ravel())
        found[place] = np.interp(wanted, curve, where)
    return found


def _parts(kind: Floats, count: int, draws: np.random.Generator) -> Floats:
    """How the output gets from one position to the next, 0 to 1; (draws, count, cells).

    Cells of a Dirichlet process, by the logarithms of its gamma variates, as most of a jump's own
    are too small to be held: log G(a) = log G(a + 1) + log(U) / a.
    """
    shape = (kind.size, count, CELLS)
    a = kind[:, None, None]
    size = np.log(draws.gamma(a + 1.0, size=shape)) + np.log(draws.random(shape)) / a
    share = np.exp(size - size.max(axis=2, keepdims=True))
    return np.asarray(np.cumsum(share / share.sum(axis=2, keepdims=True), axis=2))
