"""The posterior of the causes, enumerated anew from what the table and the decisions say.

Nothing of the engine is used here: the table is read as text, every explanation is gone through
one by one in plain Python, and the t distribution is held against SciPy's. Definitions: the head of
`knowledge.toml` and `docs/decisions/causes.md` (single causes and pairs, each at seven severities;
a move is known to a share of itself; a blur is given for moderate and grows with severity; one
figure in a hundred follows no rule and scatters eight times wider; a sign that was looked for and
not seen weighs as one that was).
"""

from __future__ import annotations

import math
import tomllib
from collections import defaultdict
from itertools import combinations, product
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from scipy.stats import t as student_t

from analysis.causes.engine import rank
from analysis.causes.evidence import Evidence, Usual
from ingest.check_sheet import MeasuredOutcome

FOLDER = Path(__file__).parents[3] / "analysis" / "causes"
TABLE: dict[str, Any] = tomllib.loads((FOLDER / "knowledge.toml").read_text(encoding="utf-8"))
CHECKS: dict[str, Any] = {
    row["name"]: row
    for row in tomllib.loads((FOLDER / "checks.toml").read_text(encoding="utf-8"))["check"]
}
SEVERITIES = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)


class Seen(NamedTuple):
    """A figure as evidence: how far from usual, how sure, both on the scale of the moves."""

    away: float
    sd: float


def move(row: dict[str, Any], figure: str, severity: float) -> float:
    """Between the columns slight, moderate and severe along straight lines; nothing at 0."""
    if figure not in row.get("moves", {}):
        return 0.0
    one, two, three = row["moves"][figure]
    columns = [0.0, one, two, three, three + (three - two)]
    below = min(int(severity), 3)
    return columns[below] + (severity - below) * (columns[below + 1] - columns[below])


def spread(row: dict[str, Any], figure: str, severity: float) -> float:
    known_to = row.get("move_spread", TABLE["move_spread"])
    blur = row.get("blurs", {}).get(figure, 0.0) * severity / 2.0
    return math.sqrt((known_to * move(row, figure, severity)) ** 2 + blur**2)


def student(off: float, width: float) -> float:
    """Density of Student's t with 6 degrees of freedom, whose factor is 15 / (16 sqrt 6)."""
    return 15.0 / (16.0 * math.sqrt(6.0)) * (1.0 + (off / width) ** 2 / 6.0) ** -3.5 / width


def density(seen: Seen, by: float, doubt: float) -> float:
    width = math.sqrt(seen.sd**2 + doubt**2)
    off = seen.away - by
    return 0.99 * student(off, width) + 0.01 * student(off, 8.0 * width)


def sign_chance(rows: tuple[dict[str, Any], ...], sign: str, family: dict[str, float]) -> float:
    table = TABLE["signs"][sign]["usual"]
    chance = max(row.get("signs", {}).get(sign, table) for row in rows)
    return family[sign] if chance == table else chance


def found_chance(rows: tuple[dict[str, Any], ...], check: str, outcome: Any) -> float:
    row = CHECKS[check]
    if isinstance(outcome, MeasuredOutcome):
        at_fault = any(row["found"].get(each["name"], 0.0) >= 0.5 for each in rows)
        return 1.0 - outcome.error if at_fault else outcome.error
    return float(max(row["found"].get(each["name"], row["false_alarm"]) for each in rows))


class Enumerated(NamedTuple):
    probability: dict[str, float]
    severity: dict[str, float]


def enumerated(
    layout: str,
    figures: dict[str, Seen],
    signs: dict[str, bool],
    family: dict[str, float],
    checked: dict[str, Any] | None = None,
) -> Enumerated:
    """Posterior by cause, a pair's shared by its two, and the severity of each cause alone."""
    rows = [
        row
        for row in TABLE["cause"]
        if layout in row.get("layouts", [layout]) and not row.get("standing", False)
    ]
    faults = [row for row in rows if row["name"] != "healthy"]
    levels = dict(zip(SEVERITIES, TABLE["severity_weights"], strict=True))
    whole = sum(levels.values())
    effects = {
        (row["name"], row.get("form"), name, severity): (
            move(row, name, severity),
            spread(row, name, severity),
        )
        for row in rows
        for name in figures
        for severity in SEVERITIES
    }
    explained: list[tuple[tuple[dict[str, Any], ...], float]] = [
        ((row,), row["prior"]) for row in rows
    ]
    for one, other in combinations([row for row in faults if row.get("in_pairs", True)], 2):
        if one["name"] != other["name"]:
            explained.append(((one, other), TABLE["pair_factor"] * one["prior"] * other["prior"]))
    total: dict[str, float] = defaultdict(float)
    alone: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for members, prior in explained:
        outcome = 1.0
        for sign, is_seen in signs.items():
            chance = sign_chance(members, sign, family)
            outcome *= chance if is_seen else 1.0 - chance
        for check, answer in (checked or {}).items():
            chance = found_chance(members, check, answer)
            outcome *= chance if answer else 1.0 - chance
        sound = members[0]["name"] == "healthy"
        for severities in [(1.0,)] if sound else product(SEVERITIES, repeat=len(members)):
            weight = prior * outcome
            for severity in severities:
                weight *= 1.0 if sound else levels[severity] / whole
            for name, seen in figures.items():
                both = [effects[row["name"], row.get("form"), name, severity]
                        for row, severity in zip(members, severities, strict=True)]  # fmt: skip
                doubt = math.hypot(*(sd for _, sd in both))
                weight *= density(seen, sum(by for by, _ in both), doubt)
            for row in members:
                total[row["name"]] += weight / len(members)
            if len(members) == 1 and not sound:
                alone[members[0]["name"]].append((severities[0], weight))
    everything = math.fsum(total.values())
    return Enumerated(
        {name: share / everything for name, share in total.items()},
        {
            name: sum(severity * weight for severity, weight in them)
            / sum(weight for _, weight in them)
            for name, them in alone.items()
        },
    )


RATES = {name: row["usual"] for name, row in TABLE["signs"].items()}
ABSENT = dict.fromkeys(RATES, False)
CENTER = {
    "coolant_plateau": 88.0,
    "core_effectiveness": 0.70,
    "vacuum_best": 60.0,
    "fluctuation_index": 0.4,
}
SPREAD = {
    "coolant_plateau": 2.0,
    "core_effectiveness": 0.03,
    "vacuum_best": 4.0,
    "fluctuation_index": 0.3,
}
"""On the figure's own scale; a log figure's center is given as its value."""


def usual(family: dict[str, float]) -> Usual:
    center = dict(CENTER)
    for name, value in CENTER.items():
        if TABLE["figures"][name]["scale"] == "log":
            center[name] = math.log(value + TABLE["figures"][name]["offset"])
    return Usual(center, SPREAD, dict.fromkeys(CENTER, 5), 88.0, family)


def seen(name: str, value: float, u: float) -> Seen:
    """How far a reading lies from usual, by the definition of its scale."""
    scale, center = TABLE["figures"][name], CENTER[name]
    if scale["scale"] == "relative":
        return Seen((value - center) / center, math.hypot(u, SPREAD[name]) / center)
    if scale["scale"] == "log":
        offset = scale["offset"]
        away = math.log((value + offset) / (center + offset))
        return Seen(away, math.hypot(u / (value + offset), SPREAD[name]))
    return Seen(value - center, math.hypot(u, SPREAD[name]))


CASES: dict[str, tuple[dict[str, tuple[float, float]], dict[str, bool], dict[str, float]]] = {
    "nothing": ({}, {}, RATES),
    "signs looked for and absent": ({}, ABSENT, RATES),
    "a sign seen, the others absent": ({}, ABSENT | {"goes_wrong_way": True}, RATES),
    "a sign that this family often shows": (
        {},
        {"vacuum_sags": True, "no_opening": False},
        RATES | {"vacuum_sags": 0.4, "no_opening": 0.6},
    ),
    "a figure as usual": ({"coolant_plateau": (88.0, 0.5)}, {}, RATES),
    "a figure too low": ({"coolant_plateau": (79.0, 0.5)}, {}, RATES),
    "a figure where no cause puts it": ({"coolant_plateau": (125.0, 0.5)}, {}, RATES),
    "a relative figure": ({"core_effectiveness": (0.52, 0.01)}, ABSENT, RATES),
    "a figure counted in doublings": ({"fluctuation_index": (6.0, 0.2)}, ABSENT, RATES),
    "two causes at once": (
        {"coolant_plateau": (77.0, 0.5), "vacuum_best": (45.0, 1.0)},
        ABSENT,
        RATES,
    ),
}


@pytest.mark.parametrize("layout", ["blend-air", "water-valve"])
@pytest.mark.parametrize("case", CASES)
def test_the_posterior_is_the_enumeration_s(case: str, layout: str) -> None:
    figures, signs, family = CASES[case]
    told: dict[str, bool | None] = {**dict.fromkeys(RATES), **signs}
    ranking = rank(Evidence(figures, told, 5.0), usual(family), layout)
    found = enumerated(
        layout, {name: seen(name, *both) for name, both in figures.items()}, signs, family
    )
    assert ranking.probability == pytest.approx(found.probability, rel=1e-9)
    assert {name: ranking.severity[name] for name in found.severity} == pytest.approx(
        found.severity, rel=1e-9
    )


@pytest.mark.parametrize(
    "checked",
    [
        {"thermostat_test": False},
        {"coolant_level": True},
        {"thermostat_test": False, "check_valve": True},
        {"thermostat_test": MeasuredOutcome(found=True, error=0.02)},
        {"thermostat_test": MeasuredOutcome(found=False, error=0.1)},
    ],
    ids=str,
)
def test_the_check_sheet_is_counted_as_the_enumeration_does(checked: dict[str, Any]) -> None:
    figures = {"coolant_plateau": (83.0, 0.5), "core_effectiveness": (0.6, 0.01)}
    nothing = Evidence(figures, dict.fromkeys(RATES), 5.0)
    found = enumerated(
        "blend-air", {n: seen(n, *both) for n, both in figures.items()}, {}, RATES, checked
    )
    assert rank(nothing, usual(RATES), "blend-air", checked).probability == pytest.approx(
        found.probability, rel=1e-9
    )


@pytest.mark.parametrize("error", [0.01, 0.05])
@pytest.mark.parametrize("case", ["a figure too low", "two causes at once", "nothing"])
def test_a_right_bench_result_never_speaks_against_what_is_there(case: str, error: float) -> None:
    """Bayes' rule: what is there gains by ``(1 - error)`` over how likely the result was at all.

    For every single cause and every pair as the truth, and every part that is measured: its result
    is right where it says fault just where a cause of its own is there.
    """
    figures, signs, family = CASES[case]
    told: dict[str, bool | None] = {**dict.fromkeys(RATES), **signs}
    evidence = Evidence(figures, told, 5.0)
    before = rank(evidence, usual(family), "blend-air")
    names = sorted(before.probability)
    truths = [frozenset([name]) for name in names]
    truths += [frozenset(pair) for pair in combinations(set(names) - {"healthy"}, 2)]
    likely = {truth: before.exactly(truth) for truth in truths}
    assert math.fsum(likely.values()) == pytest.approx(1.0)
    for check in ("thermostat_test", "sensor_check", "vacuum_isolation", "check_valve"):
        own = {name for name, share in CHECKS[check]["found"].items() if share >= 0.5}
        assert own
        for result in (True, False):
            outcome = {check: MeasuredOutcome(found=result, error=error)}
            after = rank(evidence, usual(family), "blend-air", outcome)
            right = {truth for truth in truths if bool(truth & own) == result}
            of_right = math.fsum(likely[truth] for truth in right)
            chance = (1.0 - error) * of_right + error * (1.0 - of_right)
            for truth in right:
                assert after.exactly(truth) == pytest.approx(
                    likely[truth] * (1.0 - error) / chance, rel=1e-9
                )
                assert after.exactly(truth) >= likely[truth] * (1.0 - 1e-12)


def test_the_enumeration_itself_by_hand() -> None:
    """Odds by Bayes' rule, worked on paper, and the density against SciPy's.

    One sign, looked for and absent: the prior odds of two single causes change by
    ``(1 - chance) / (1 - usual)``, whatever else could be.
    """
    sign = "goes_wrong_way"
    rows = {row["name"]: row for row in reversed(TABLE["cause"])}
    crossed, sound = ((rows[name],) for name in ("actuator_hoses_crossed", "healthy"))
    chance = crossed[0]["signs"][sign]
    odds = (1.0 - sign_chance(crossed, sign, RATES)) / (1.0 - sign_chance(sound, sign, RATES))
    assert odds == pytest.approx((1.0 - chance) / (1.0 - TABLE["signs"][sign]["usual"]))
    assert odds < 1.0
    for off in (0.0, 1.5, 40.0):
        assert student(off, 0.7) == pytest.approx(student_t.pdf(off, 6, scale=0.7), rel=1e-12)
