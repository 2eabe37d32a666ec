"""What is counted over the ensemble: causes, verdicts, probabilities, figures, the cable."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.causes.cable import is_out
from analysis.measurement import Measurement


@dataclass(frozen=True)
class Answer:
    """One car and subset: the truth, and what the analysis said.

    Parameters
    ----------
    probability
        By cause, the most probable first.
    values
        Measured figures with their standard uncertainties.
    figures
        True figures of what the subset can show.
    cable
        Offset and its standard uncertainty, % of travel.
    seconds
        Judging took.
    """

    name: str
    subset: str
    truth: dict[str, Any]
    noted: bool
    verdict: str
    probability: dict[str, float]
    values: dict[str, tuple[float, float]]
    figures: dict[str, float | None]
    cable: tuple[float, float] | None
    seconds: float

    @property
    def causes(self) -> list[str]:
        return list(self.truth["causes"])

    @property
    def ranked(self) -> list[str]:
        return list(self.probability)

    @property
    def right(self) -> bool:
        return self.ranked[0] in self.causes

    @property
    def healthy(self) -> bool:
        return self.causes[0] == "healthy"

    @property
    def full_test(self) -> bool:
        return self.truth["plan"] in ("full", "road") and self.truth["notes"] != "some missing"


def share(found: Iterable[bool]) -> tuple[float | None, int]:
    """Share of trues, and of how many."""
    told = list(found)
    return (sum(told) / len(told) if told else None), len(told)


def cause_scores(answers: Sequence[Answer]) -> dict[str, tuple[float | None, int]]:
    """Ranking and verdicts of one subset."""
    given = [max(a.probability.get(c, 0.0) for c in a.causes) for a in answers]
    loss = -float(np.mean(np.log(np.maximum(given, 1e-9)))) if given else None
    broken = [a for a in answers if a.truth["broken"]]
    noted = [a for a in answers if a.causes[0] == "control_use" and a.noted
             and a.truth["control_use_noted"]]  # fmt: skip
    well = [a for a in answers if a.healthy]
    return {
        "first": share(a.right for a in answers),
        "among two": share(bool(set(a.ranked[:2]) & set(a.causes)) for a in answers),
        "first, shown": share(a.right for a in answers if a.truth["shown"]),
        "healthy accused": share(a.ranked[0] != "healthy" for a in well),
        "log loss": (loss, len(given)),
        "broken PASS": share(a.verdict == "pass" for a in broken),
        "healthy PASS": share(a.verdict == "pass" for a in well),
        "healthy PASS, full test": share(a.verdict == "pass" for a in well if a.full_test),
        "healthy FAIL": share(a.verdict == "fail" for a in well),
        "control_use first": share(a.right for a in noted),
    }


def reliability(answers: Sequence[Answer], *, first_only: bool) -> list[tuple[float, float, int]]:
    """By tenths of probability: said, found, how many."""
    said: list[float] = []
    found: list[bool] = []
    for a in answers:
        for cause in a.ranked[:1] if first_only else a.ranked:
            said.append(a.probability[cause])
            found.append(cause in a.causes)
    told, true = np.array(said), np.array(found, dtype=float)
    tenth = np.minimum((told * 10).astype(int), 9)
    rows = []
    for k in range(10):
        inside = tenth == k
        if inside.any():
            rows.append((float(told[inside].mean()), float(true[inside].mean()),
                         int(inside.sum())))  # fmt: skip
    return rows


def largest_gap(rows: Sequence[tuple[float, float, int]], fewest: int = 20) -> float | None:
    """Between said and found, over tenths with enough in them."""
    gaps = [abs(said - found) for said, found, n in rows if n >= fewest]
    return max(gaps) if gaps else None


def recall(answers: Sequence[Answer]) -> dict[str, Counter[str]]:
    """By true main cause, what came first (``right`` where it was one of the true ones)."""
    table: dict[str, Counter[str]] = {}
    for a in answers:
        table.setdefault(a.causes[0], Counter())["right" if a.right else a.ranked[0]] += 1
    return dict(sorted(table.items()))


def passes(answers: Sequence[Answer]) -> Counter[str]:
    """Causes of the broken heaters that passed."""
    return Counter(a.causes[0] for a in answers if a.truth["broken"] and a.verdict == "pass")


@dataclass(frozen=True)
class Cover:
    """One figure: how many had a truth and a value, share inside 2u, typical errors."""

    n: int
    inside: float
    median_error: float
    median_u: float
    rms_z: float
    without_truth: int


def cover(answers: Sequence[Answer]) -> dict[str, Cover]:
    """Figures against their truth; cars whose sensors or controls are the cause are left out."""
    rows: dict[str, list[tuple[float, float, float]]] = {}
    extra: Counter[str] = Counter()
    for a in answers:
        if a.causes[0] in ("sensor_fault", "control_use"):
            continue
        for name, (value, u) in a.values.items():
            true = a.figures.get(name)
            if true is None:
                extra[name] += 1
            else:
                rows.setdefault(name, []).append((value, u, true))
    found = {}
    for name, each in sorted(rows.items()):
        value, u, true = np.array(each).T
        z = (value - true) / np.maximum(u, 1e-12)
        found[name] = Cover(
            z.size, float(np.mean(np.abs(z) <= 2)), float(np.median(value - true)),
            float(np.median(u)), math.sqrt(float(np.mean(np.minimum(z**2, 1e4)))), extra[name],
        )  # fmt: skip
    return found


def cable_scores(answers: Sequence[Answer]) -> dict[str, tuple[float | None, int]]:
    """The cable's number against the linkage; truth is the offset from the family's own middle."""
    told = [a for a in answers if a.cable is not None]
    sound = [a for a in told if a.truth["cable_moved"] == 0.0
             and not set(a.causes) & {"sensor_fault", "control_use"}]  # fmt: skip
    moved = [a for a in told if a.truth["cable_moved"] != 0.0]

    def out(a: Answer) -> bool:
        assert a.cable is not None
        return is_out(Measurement(a.cable[0], "%", a.cable[1]))

    def inside(a: Answer) -> bool:
        assert a.cable is not None
        return abs(a.cable[0] - a.truth["cable_offset"]) <= 2 * a.cable[1]

    return {
        "sound called out": share(out(a) for a in sound),
        "moved called out": share(out(a) for a in moved),
        "truth inside 2u, sound": share(inside(a) for a in sound),
        "truth inside 2u, moved": share(inside(a) for a in moved),
    }


def by(
    answers: Sequence[Answer], key: Callable[[Answer], str]
) -> dict[str, dict[str, tuple[float | None, int]]]:
    """`cause_scores` of groups."""
    groups: dict[str, list[Answer]] = {}
    for a in answers:
        groups.setdefault(key(a), []).append(a)
    return {name: cause_scores(group) for name, group in sorted(groups.items())}
