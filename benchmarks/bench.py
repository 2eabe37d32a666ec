"""Parts on the bench in large numbers: are the uncertainties right, and does a result help.

``python benchmarks/bench.py [--sets 300] [--pots 200] [--switches 100] [--cache DIR]``

Sets of sensors with errors drawn as their budget states them (JCGM 101) go into ice and into
boiling water; a car's log of the same sensors is then read with the corrections. Thermostats of
160 and 180 degF are heated in pots of chance. With ``--cache`` the cars of `benchmarks/ensemble.py`
are ranked before and after a right bench result of the part that a check is about.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.bench.bath import BOIL_K, ICE_K, REPEAT_K, UNIFORM_K
from analysis.bench.corrections import make_corrections
from analysis.bench.outcome import LEAST_ERROR, PARTS_OF
from analysis.causes.engine import PRESENT, Ranking, rank
from analysis.causes.evidence import Usual, evidence_of
from analysis.causes.knowledge import NO_FAULT, knowledge, layout_of
from analysis.limits import default_limits, for_standing, limits_for
from analysis.measured import Measured
from analysis.verdict import judge
from benchmarks.ensemble_cache import cars_in, fill
from ingest.check_sheet import MeasuredOutcome
from ingest.load.load import load_run
from ingest.run import Run
from ingest.sensors.corrections import SHAPE_SHARE, corrections_text
from tests.analysis.bench.test_bench_sensors import POINTS, boiling, car, ice
from tests.analysis.bench.test_bench_switch import bent, ramp, switch, true_span
from tests.analysis.bench.test_bench_thermostat import F160, F180, pot
from tests.support.bench import answered

CLASS_K = 2.5
"""Half-width of class 2, type K, below 333 °C (IEC 60584-1)."""

JUNCTION_K = 0.7
BOILS = 99.6059
"""°C at 0.1 MPa (IAPWS R7-97(2012), Table 36)."""

AT = {"outlet": 50.0, "ambient": 10.0, "coolant_in": 80.0}
"""What the car's log of `tests.analysis.bench.test_bench_sensors.car` reads, °C."""


def share(found: list[bool]) -> str:
    return f"{np.mean(found):.1%} of {len(found)}"


def u_of_rise(run: Run) -> float:
    """Shared part of outlet less ambient, K."""
    parts: dict[str, float] = {}
    for point, sign in (("outlet", 1.0), ("ambient", -1.0)):
        for each in run.sensors[point].errors:
            part = sign * (each.u + each.slope * (AT[point] - each.at))
            parts[each.name] = parts.get(each.name, 0.0) + part
    return math.hypot(*parts.values())


def sets(count: int, place: Path) -> None:
    rng = np.random.default_rng(21)
    offsets: list[bool] = []
    rises: list[bool] = []
    uncorrected: list[bool] = []
    z: list[float] = []
    us: list[tuple[float, float]] = []
    for number in range(count):
        at = place / f"{number}"
        at.mkdir()
        junction = rng.uniform(-JUNCTION_K, JUNCTION_K)
        low = rng.uniform(-CLASS_K, CLASS_K, 3) + junction
        # a sensor of a class errs otherwise when it is hot
        high = low + rng.uniform(-0.5, 0.5, 3)
        read = []
        for bath, half, kind in ((0.0, ICE_K, "ice"), (BOILS, BOIL_K, "boiling")):
            true = bath + rng.uniform(-half, half)
            placed = rng.uniform(-1, 1, 3) * UNIFORM_K[kind] + rng.uniform(-1, 1, 3) * REPEAT_K
            read.append((true + placed + (low if kind == "ice" else high)).tolist())
        cold = ice(at / "ice", read[0], seed=number)
        hot = boiling(at / "boiling", read[1], seed=number)
        for folder, truth in ((cold, low), (hot, high)):
            judged = answered(folder).judged
            for point, true in zip(POINTS, truth, strict=True):
                got = judged[f"sensor_offset.{point}"].measurement
                offsets.append(abs(got.known() - true) <= 2.0 * (got.u or 0.0))
        text = corrections_text(make_corrections([load_run(cold), load_run(hot)]).corrections)
        (with_them, without) = (
            load_run(car(at / name, told)) for name, told in (("with", text), ("without", None))
        )
        along = np.array([AT[point] / BOILS for point in POINTS])
        bend = rng.uniform(-1.0, 1.0, 3) * SHAPE_SHARE * CLASS_K
        off = low + (high - low) * along + bend * 4.0 * along * (1.0 - along)
        true_rise = AT["outlet"] - off[0] - (AT["ambient"] - off[1])
        us.append((u_of_rise(without), u_of_rise(with_them)))
        for run, inside, u in ((with_them, rises, us[-1][1]), (without, uncorrected, us[-1][0])):
            rise = run.readings["outlet_degC"][0] - run.readings["ambient_degC"][0]
            inside.append(abs(rise - true_rise) <= 2.0 * u)
        z.append((with_them.readings["outlet_degC"][0] - with_them.readings["ambient_degC"][0]
                  - true_rise) / us[-1][1])  # fmt: skip
    before, after = np.median(np.array(us), axis=0)
    print(f"sensors: offsets inside 2u {share(offsets)}")
    print(f"  corrected rise inside 2u {share(rises)}, rms z {np.sqrt(np.mean(np.square(z))):.2f}; "
          f"uncorrected {share(uncorrected)}")  # fmt: skip
    print(f"  u of the rise {before:.2f} K without, {after:.2f} K with corrections")


def pots(count: int, place: Path) -> None:
    rng = np.random.default_rng(5)
    inside, apart, wrong = [], [], 0
    for number in range(count):
        truth = (F160, F180)[number % 2] + rng.uniform(-1.5, 1.5)
        other = (F180, F160)[number % 2]
        found = pot(
            place / f"{number}", truth, ("160 degF", "180 degF")[number % 2],
            rate=rng.uniform(0.02, 0.06), wax_s=rng.uniform(5.0, 25.0),
            late_s=rng.uniform(-2.0, 6.0), error=rng.uniform(-0.5, 0.5) + rng.uniform(-0.5, 0.5),
            seed=number,
        )  # fmt: skip
        opening = found.judged["opening_start"].measurement
        inside.append(abs(opening.known() - truth) <= 2.0 * (opening.u or 0.0))
        apart.append(abs(opening.known() - other) > 2.0 * (opening.u or 0.0) + 3.0)
        wrong += found.verdict == "fail"
    print(f"pots: opening inside 2u {share(inside)}; told from the other stamp {share(apart)}; "
          f"sound ones failed {wrong}")  # fmt: skip


def switches(count: int, place: Path) -> None:
    rng = np.random.default_rng(3)
    spans, plays = [], []
    for number in range(count):
        course = (ramp, bent)[number % 2](rng.uniform(5.0, 35.0), rng.uniform(60.0, 92.0))
        play, step = rng.uniform(0.0, 8.0), float(rng.choice([5.0, 10.0]))
        found = switch(place / f"{number}", course, play, step=step, seed=number)
        for name, truth, inside in (
            ("switch_span", true_span(course), spans),
            ("switch_hysteresis", play, plays),
        ):
            got = found.judged[name].measurement
            inside.append(abs(got.known() - truth) <= 2.0 * (got.u or 0.0))
    print(f"switches: span inside 2u {share(spans)}, play inside 2u {share(plays)}")


def right_results(causes: list[str]) -> Iterator[tuple[str, bool]]:
    """For each check whose part can be measured: whether the part is at fault."""
    for check in PARTS_OF:
        found = knowledge().check_row(check).found
        yield check, any(found.get(cause, 0.0) >= PRESENT for cause in causes)


def ranking(cache: Path, count: int, seed: int, baseline: int, error: float) -> None:
    """How likely exactly the true causes together are, before and after a right result.

    A car with two faults has both as its truth: one cause's own share may rightly fall where a
    result says that it does not come with the other that was thought of.
    """
    places, _ = fill(cache, part="judge", seed=seed, count=count, baseline=baseline, jobs=1,
                     anew=False)  # fmt: skip
    losses: dict[tuple[str, str], list[tuple[float, float]]] = {}
    worst, beyond = (-math.inf, ""), 0
    for one in cars_in(places):
        causes = frozenset(one.truth["causes"] or [NO_FAULT])
        kind = "two faults" if len(causes) > 1 else "sound" if NO_FAULT in causes else "one fault"
        for seen in one.seen:
            if seen.measured is None:
                continue
            before = ranked(seen.measured).exactly(causes)
            if before == 0.0:  # three causes, or two that no explanation has together
                beyond += 1
                continue
            for check, yes in right_results(sorted(causes)):
                told = {check: MeasuredOutcome(found=yes, error=error)}
                now = ranked(seen.measured, told).exactly(causes)
                for of in ("all", kind):
                    losses.setdefault((check, of), []).append((-math.log(before), -math.log(now)))
                rise = math.log(before) - math.log(now)
                worst = max(worst, (rise, f"{one.name}, {seen.subset}, {check} {yes}, {causes}"))
    print(f"ranking after a right bench result, error {error:g}: log loss before, after, share of "
          "runs in which it rose")  # fmt: skip
    for (check, of), told_losses in sorted(losses.items()):
        old, new = np.array(told_losses).T
        rose = float(np.mean(new > old + 1e-9))
        print(f"  {check:17s} {of:10s} {old.mean():.3f} {new.mean():.3f} {rose:.1%} of {old.size}")
    print(f"  largest rise {worst[0]:.4f}: {worst[1]}; {beyond} runs beyond any explanation")


def ranked(measured: Measured, checked: dict[str, MeasuredOutcome] | None = None) -> Ranking:
    """The ranking of a run by the default limits and no baseline."""
    about = measured.run.setup.run
    evidence = evidence_of(measured)
    in_force = limits_for(default_limits(), about.family, about.heater)
    if evidence.idled:
        in_force = for_standing(in_force)
    judged = judge(measured.figures, in_force)
    failed = any(each.verdict == "fail" for each in judged.values())
    return rank(evidence, Usual.of((), about.heater), layout_of(about), checked, failed=failed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=300)
    parser.add_argument("--pots", type=int, default=200)
    parser.add_argument("--switches", type=int, default=100)
    parser.add_argument("--cache", type=Path, help="of the ensemble's cars")
    parser.add_argument("--count", type=int, default=64, help="cars of the ensemble")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--baseline", type=int, default=3)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for name, work, count in (
            ("sets", sets, given.sets), ("pots", pots, given.pots),
            ("switches", switches, given.switches),
        ):  # fmt: skip
            place = Path(folder) / name
            place.mkdir()
            if count:
                work(count, place)
    if given.cache:
        for error in (LEAST_ERROR, 0.05):
            ranking(given.cache, given.count, given.seed, given.baseline, error)


if __name__ == "__main__":
    main()
