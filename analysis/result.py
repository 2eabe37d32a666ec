"""The result document: `schema` 2 of docs/contract.md, from an analysis.

Always in SI: programs read it. Screens convert.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from analysis.bench.parts import is_bench, unit_of
from analysis.figures import all_figures, figures_by_name
from ingest.saying import joined, quantities

if TYPE_CHECKING:
    from analysis.pipeline import Analysis
    from analysis.verdict import Judged

SCHEMA: Final = 2

DEFINITIONS: Final = "6"
"""Version of the figures' definitions; to be raised with any change that moves their values."""

DIGITS: Final = 6
"""Significant digits kept: well below any figure's uncertainty, and readable."""


def document(analysis: Analysis) -> dict[str, Any]:
    """Everything the contract says a result holds, ready for `json.dumps`."""
    run = analysis.run
    about = run.setup.run
    found = {
        "schema": SCHEMA,
        "definitions": DEFINITIONS,
        "run": {
            "name": run.name,
            "vehicle": about.vehicle,
            "family": about.family,
            "heater": about.heater,
            **({} if run.setup.bench is None else {"part": run.setup.bench.part}),
            "purpose": about.purpose,
            "started": run.started.isoformat() if run.started else None,
            "duration_s": rounded(run.duration_s),
            "sha256": dict(run.sha256),
        },
        "figures": {
            name: _figure(judged, _unit(name)) for name, judged in _in_order(analysis).items()
        },
        "verdict": analysis.verdict,
        "reason": analysis.reason,
        "decided_by": list(analysis.decided_by),
        "limits": {"version": analysis.limits_version, "basis": analysis.limits_basis},
        "causes": [
            {
                "cause": cause.cause,
                "title": cause.title,
                "probability": rounded(cause.probability),
                "evidence": list(cause.evidence),
                "next_check": cause.next_check,
            }
            for cause in analysis.causes
        ],
        "seen": [
            {
                "cause": each.cause,
                "title": each.title,
                "power": rounded(each.power),
                "needs": analysis.needs.get(each.cause),
            }
            for each in analysis.seen
        ],
        "next_check": _next_check(analysis),
        "next_measurement": _next_measurement(analysis),
        "cable": _cable(analysis),
        "quality": [
            {
                "channel": finding.channel,
                "fault": finding.fault,
                "from_s": rounded(finding.from_s),
                "to_s": rounded(finding.to_s),
                "detail": finding.detail,
            }
            for finding in analysis.findings
        ],
    }
    return {**found, "said": quantities(found)}


def _in_order(analysis: Analysis) -> dict[str, Judged]:
    if is_bench(analysis.run):
        return dict(analysis.judged)
    return {each.name: analysis.judged[each.name] for each in all_figures()}


def _unit(name: str) -> str:
    of_the_car = figures_by_name().get(name)
    return unit_of(name) if of_the_car is None else of_the_car.unit


def _next_check(analysis: Analysis) -> dict[str, Any] | None:
    proposed = analysis.next_check
    if proposed is None:
        return None
    return {
        "check": proposed.check.name,
        "title": proposed.check.title,
        "how": proposed.check.how,
        "caution": proposed.check.caution,
        "minutes": proposed.check.minutes,
        "information_bits": rounded(proposed.bits),
        "why": proposed.why,
    }


def _next_measurement(analysis: Analysis) -> dict[str, Any] | None:
    proposed = analysis.next_measurement
    if proposed is None:
        return None
    return {
        "what": proposed.what,
        "how": proposed.how,
        "information_bits": rounded(proposed.bits),
    }


def _cable(analysis: Analysis) -> dict[str, Any] | None:
    cable = analysis.cable
    if cable is None:
        return None
    return {
        "offset_pct": rounded(cable.offset.value),
        "u_pct": rounded(cable.offset.u),
        "gain_K": rounded(cable.gain.value),
        "u_gain_K": rounded(cable.gain.u),
        "sentence": cable.sentence,
    }


def _figure(judged: Judged, unit: str) -> dict[str, Any]:
    measurement = judged.measurement
    limit = judged.limit
    bounds = {}
    if limit is not None:
        bounds = {
            side: bound
            for side, bound in (("low", rounded(limit.low)), ("high", rounded(limit.high)))
            if bound is not None
        }
    note = joined("; ", (measurement.note, judged.reason))
    return {
        "value": rounded(measurement.value),
        "unit": unit,
        "u": rounded(measurement.u),
        "verdict": judged.verdict,
        "limit": bounds or None,
        "note": note or None,
        "window": [rounded(edge) for edge in measurement.window] if measurement.window else None,
    }


def rounded(number: float | None) -> float | None:
    """The number to `DIGITS` significant digits; None for None and for what JSON cannot hold."""
    if number is None or not math.isfinite(number):
        return None
    return float(f"{number:.{DIGITS}g}")
