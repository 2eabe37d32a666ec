"""A tuning as a table, for files and other programs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from ingest.export.tables import harmless

if TYPE_CHECKING:
    import polars as pl

    from analysis.tune.search.one_cause import CauseTuning
    from analysis.tune.search.one_figure import FigureTuning
    from analysis.tune.tuning import Tuning

COLUMNS: Final = (
    "kind", "name", "family", "unit", "side", "way", "limit", "interval_low", "interval_high",
    "other_families", "flat_low", "flat_high", "limit_as_measured", "good", "bad", "area",
    "area_low", "area_high", "finds", "finds_low", "finds_high", "finds_alone", "fails_good",
    "fails_good_low", "fails_good_high", "alone_limit", "detection", "detection_low",
    "detection_high", "false_alarm", "false_alarm_low", "false_alarm_high", "cost", "cost_low",
    "cost_high", "cost_without_limit", "consumer_risk", "producer_risk", "guard_band",
    "wrong_labels_move", "per_10_K_ambient", "why",
)  # fmt: skip
"""Of the report as CSV."""


def report_csv(tuning: Tuning) -> str:
    """All limits as a table, SI: a line for each figure, family of it, and cause."""
    return harmless(report_frame(tuning)).write_csv()


def report_frame(tuning: Tuning) -> pl.DataFrame:
    """All limits as a frame, SI: a row for each figure, family of it, and cause."""
    import polars as pl

    rows: list[dict[str, object]] = []
    for figure in tuning.figures:
        rows.append(_figure_row(figure))
        rows[-1]["other_families"] = figure.others if figure.limit is not None else None
        rows += [
            {
                "kind": "figure", "name": figure.figure, "family": family, "unit": figure.unit,
                "side": figure.side, "way": figure.way, "limit": own.limit,
                "interval_low": own.interval[0], "interval_high": own.interval[1],
                "good": own.cars,
            }
            for family, own in figure.families.items()
        ]  # fmt: skip
    rows += [_cause_row(cause) for cause in tuning.causes]
    columns = {name: [row.get(name) for row in rows] for name in COLUMNS}
    return pl.DataFrame(columns, strict=False)


def _cause_row(each: CauseTuning) -> dict[str, object]:
    row: dict[str, object] = {
        "kind": "cause", "name": each.cause, "side": "high",
        "way": "cost" if each.limit is not None else "kept", "limit": each.limit,
        "good": each.without, "bad": each.with_it, "why": each.why,
    }  # fmt: skip
    if each.interval:
        row["interval_low"], row["interval_high"] = each.interval
    if each.roc:
        row |= {
            "area": each.roc.auc,
            "area_low": each.roc.auc_low,
            "area_high": each.roc.auc_high,
        }
    return row


def _figure_row(each: FigureTuning) -> dict[str, object]:
    row: dict[str, object] = {
        "kind": "figure", "name": each.figure, "unit": each.unit, "side": each.side,
        "way": each.way, "limit": each.limit, "limit_as_measured": each.as_measured,
        "good": each.good, "bad": each.bad, "why": each.why,
    }  # fmt: skip
    for name, ends in (("interval", each.interval), ("flat", each.flat)):
        if ends:
            row[f"{name}_low"], row[f"{name}_high"] = ends
    if each.roc:
        row |= {
            "area": each.roc.auc,
            "area_low": each.roc.auc_low,
            "area_high": each.roc.auc_high,
        }
    if each.held_out:
        held = each.held_out
        for name, share in (("detection", held.detection), ("false_alarm", held.false_alarm)):
            row |= {name: share.value, f"{name}_low": share.low, f"{name}_high": share.high}
        row |= {"cost": held.cost, "cost_low": held.cost_low, "cost_high": held.cost_high}
    if each.choice:
        row["cost_without_limit"] = each.choice.blind
        row["wrong_labels_move"] = each.choice.wrong_moves
    if each.in_run:
        run = each.in_run
        for name, part in (("finds", run.finds), ("fails_good", run.fails)):
            row |= {name: part.value, f"{name}_low": part.low, f"{name}_high": part.high}
        row["finds_alone"] = run.alone.value
    if each.alone:
        row["alone_limit"] = each.alone.limit
    if each.rule:
        row |= {
            "consumer_risk": each.rule.risks.consumer,
            "producer_risk": each.rule.risks.producer,
            "guard_band": each.rule.guard_band,
        }
    if each.scored and math.isfinite(each.scored.slope.se):
        row["per_10_K_ambient"] = 10.0 * each.scored.scale.sign * each.scored.slope.per_k
    return row
