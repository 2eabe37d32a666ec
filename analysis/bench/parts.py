"""A bench run answered: its part's figures and their verdict."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import import_module
from typing import Final

from analysis.bench.registry import PARTS, Answers, BenchFigure, Part
from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.verdict import Judged, Verdict, judge_one
from ingest.run import Run

MODULES: Final = ("sensors", "thermostat", "hold", "switch")


@cache
def parts() -> Mapping[str, Part]:
    """Every part, by name; their modules are loaded with the first bench run."""
    for name in MODULES:
        import_module(f"analysis.bench.{name}")
    return PARTS


def is_bench(run: Run) -> bool:
    """Whether a part was on the bench, and no car was driven."""
    return run.setup.bench is not None


def part_of(run: Run) -> Part:
    """The part of a bench run.

    Raises
    ------
    KeyError
        Where the run is of no part.
    """
    bench = run.setup.bench
    if bench is None:
        raise KeyError(run.name)
    return parts()[bench.part]


def measure_part(run: Run) -> Answers:
    """Figures of the part, with what is asked of each."""
    return part_of(run).measure(run)


def judge_part(
    measurements: Mapping[str, Measurement], limits: Mapping[str, Limit]
) -> dict[str, Judged]:
    """Every figure of the part with its verdict."""
    return {name: judge_one(name, each, limits.get(name)) for name, each in measurements.items()}


def bench_verdict(part: Part, judged: Mapping[str, Judged]) -> tuple[Verdict, str, tuple[str, ...]]:
    """Verdict of the part, why, and the figures that decide it.

    A part passes only where every figure that something is asked of was measured and holds.
    """
    asked = {
        name: each
        for name, each in judged.items()
        if each.limit is not None or each.verdict == "not measured"
    }
    for verdict in ("fail", "undecided"):
        names = tuple(name for name, each in asked.items() if each.verdict == verdict)
        if names and verdict == "fail":
            return "fail", "beyond what is asked of the part", names
        if names:
            return "undecided", "too near what is asked of the part to decide", names
    missing = [name for name, each in asked.items() if each.verdict == "not measured"]
    if len(missing) == len(asked):
        why = next((judged[name].measurement.note for name in missing), None)
        return "not measured", why or "nothing is asked of this part", ()
    if missing:
        why = judged[missing[0]].measurement.note
        return "undecided", f"what was measured holds, but {why}", ()
    return "pass", part.sound, ()


@cache
def bench_figures() -> Mapping[str, BenchFigure]:
    """Every figure of every part, by name, whichever part was loaded first."""
    known = parts()
    return {each.name: each for part in sorted(known) for each in known[part].figures}


def unit_of(name: str) -> str:
    """Unit of a part's figure; channels have theirs in common."""
    return bench_figures()[name.partition(".")[0]].unit
