"""The main job, wired: a run in, figures, verdict and causes out, in the order of work."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Final

from analysis.bench.parts import (
    bench_verdict,
    is_bench,
    judge_part,
    measure_part,
    part_of,
)
from analysis.causes.cable import Cable, after_pass
from analysis.causes.diagnose import Cause, diagnose
from analysis.causes.evidence import Evidence, evidence_of
from analysis.causes.knowledge import knowledge, layout_of
from analysis.causes.next_check import NextCheck
from analysis.causes.next_measurement import NextMeasurement, propose_measurement
from analysis.causes.seen import Seen
from analysis.context import Context
from analysis.figures import figures_by_name
from analysis.lever.event_clock import align_events
from analysis.lever.record import Aligned
from analysis.limits import default_limits, for_standing, limits_for
from analysis.measured import Measured
from analysis.quality import assess
from analysis.quality.cold_start import with_outside_air
from analysis.quality.on_hoses import allow_for_clips
from analysis.quality.soak import correct_at_soak
from analysis.run_verdict import judge_run
from analysis.timeline.states import lever_known
from analysis.timeline.stops import stop_findings
from analysis.vacuum.findings import vacuum_findings
from analysis.verdict import Judged, Verdict, judge
from ingest.check_sheet import Outcome
from ingest.run import Run
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.baseline import Baseline
    from analysis.limits import Limits

BENCH_LIMITS: Final = "the part's own"
"""Stands for the version of a limits file where a part was on the bench."""


@dataclass(frozen=True)
class Analysis(Measured):
    """A judged run.

    Parameters
    ----------
    judged
        Every figure with its verdict and limit.
    verdict, reason, decided_by
        Of the whole run (see `analysis.run_verdict.RunVerdict`).
    limits_version, limits_basis
        Which limits were in force.
    causes
        Sorted by probability, which sum to 1.
    next_check
        The check with the most expected information for each minute of work.
    cable
        How the control cable stands; None where the lever's travel was not measured.
    seen
        How far this run could have shown each cause.
    needs
        By cause, what would raise a low power most.
    next_measurement
        What to log, note or hold next time; None where nothing would help.
    """

    judged: Mapping[str, Judged] = field(default_factory=dict)
    verdict: Verdict = "not measured"
    reason: str | None = None
    decided_by: tuple[str, ...] = ()
    limits_version: str = ""
    limits_basis: str = ""
    causes: tuple[Cause, ...] = ()
    next_check: NextCheck | None = None
    cable: Cable | None = None
    seen: tuple[Seen, ...] = ()
    needs: Mapping[str, str | None] = field(default_factory=dict)
    next_measurement: NextMeasurement | None = None


def measure(run: Run, *, soak: bool = True) -> Measured:
    """Quality, soak correction, event clock, figures.

    Parameters
    ----------
    run
        As it was loaded.
    soak
        Whether to correct sensors against each other where the car stood cold.
    """
    if is_bench(run):
        return measure_bench(run)
    run = assess(run)
    if soak:
        run = correct_at_soak(run)
    context = prepare(align_events(with_outside_air(allow_for_clips(run))))
    figures = context.figures()
    leak = figures["vacuum_decay"].value
    findings = (
        *context.run.findings,
        *context.findings,
        *stop_findings(context.grid, context.stopped),
        *vacuum_findings(context, context.vacuum, leak),
    )
    return Measured(context.run, context, figures, findings)


def prepare(aligned: Aligned) -> Context:
    """Make a run ready for measuring every figure there is."""
    return Context(aligned, figures_by_name())


def analyze(
    run: Run,
    *,
    limits: Limits | None = None,
    baseline: Baseline | None = None,
    soak: bool = True,
    checked: Mapping[str, Outcome] | None = None,
) -> Analysis:
    """The whole job for one run.

    Parameters
    ----------
    run
        As it was loaded.
    limits
        The limits file in force; the default where None.
    baseline
        Known-good cars; where it holds enough of the run's family, the family's spread sets the
        limits and tells the causes what is usual.
    soak
        Whether to correct sensors against each other where the car stood cold.
    checked
        The check sheet: by check, whether it found something.
    """
    return judge_measured(measure(run, soak=soak), limits, baseline, checked)


def judge_measured(
    measured: Measured,
    limits: Limits | None = None,
    baseline: Baseline | None = None,
    checked: Mapping[str, Outcome] | None = None,
) -> Analysis:
    """Judge figures that were measured before (see `analyze`)."""
    if is_bench(measured.run):
        return judge_bench(measured)
    about = measured.run.setup.run
    limits = limits or default_limits()
    in_force = limits_for(limits, about.family, about.heater)
    evidence = evidence_of(measured)
    good: tuple[Evidence, ...] = ()
    if evidence.idled:
        in_force = for_standing(in_force)
    if baseline is not None:
        in_force = baseline.limits(about.family, about.heater, in_force, evidence)
        good = baseline.evidence(about.family, about.heater)
    judged = judge(measured.figures, in_force)
    failed = any(each.verdict == "fail" for each in judged.values())
    diagnosis = diagnose(measured, evidence, in_force, good, checked, failed=failed)
    of_the_run = judge_run(
        judged,
        diagnosis.ranking.probability,
        diagnosis.seen,
        has_outlet="outlet" in measured.run.sensors,
        knows_lever=lever_known(measured.context.lever),
        repaired=_repaired(about.purpose, checked),
    )
    cable = diagnosis.cable
    return Analysis(
        measured.run,
        measured.context,
        measured.figures,
        measured.findings,
        judged=judged,
        verdict=of_the_run.verdict,
        reason=of_the_run.reason,
        decided_by=of_the_run.decided_by,
        limits_version=limits.version,
        limits_basis=limits.basis,
        causes=diagnosis.causes,
        next_check=diagnosis.next_check,
        cable=after_pass(cable) if cable and of_the_run.verdict == "pass" else cable,
        seen=diagnosis.seen,
        needs=diagnosis.needs,
        next_measurement=propose_measurement(
            diagnosis.ranking.probability,
            diagnosis.missing,
            diagnosis.usual,
            layout_of(about),
            of_the_run.open,
        ),
    )


def measure_bench(run: Run) -> Measured:
    """The part's own figures; what a car's log is suspected of does not hold on a bench."""
    context = Context(Aligned(run))
    figures = {name: each.measurement for name, each in measure_part(run).items()}
    return Measured(run, context, figures, (*run.findings, *part_of(run).look(run)))


def judge_bench(measured: Measured) -> Analysis:
    """The part against what is asked of it: no limits file, no causes."""
    asked = measure_part(measured.run)
    judged = judge_part(
        measured.figures, {name: each.limit for name, each in asked.items() if each.limit}
    )
    verdict, reason, decided_by = bench_verdict(part_of(measured.run), judged)
    return Analysis(
        measured.run,
        measured.context,
        measured.figures,
        measured.findings,
        judged=judged,
        verdict=verdict,
        reason=reason,
        decided_by=decided_by,
        limits_version=BENCH_LIMITS,
        limits_basis="what is stamped on the part, or its class",
    )


def _repaired(purpose: str | None, checked: Mapping[str, Outcome] | None) -> frozenset[str]:
    """Causes whose own check found something, in a run after the repair."""
    if purpose != "after-repair" or not checked:
        return frozenset()
    found = {check for check, yes in checked.items() if yes}
    return frozenset(row.name for row in knowledge().cause if row.check in found)
