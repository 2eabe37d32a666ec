"""Limits from a store's runs and labels: every figure, every cause, one limits file."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Mapping
from dataclasses import asdict, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.figures import all_figures
from analysis.limits import Limit, Limits, limits_for
from analysis.tune.count_words import counted
from analysis.tune.joint.few import tolerances_together
from analysis.tune.joint.fit import problem_of, sides_of
from analysis.tune.joint.settle import settle, settle_few
from analysis.tune.joint.table import Table, fleet_table
from analysis.tune.joint.together import Together, tune_together
from analysis.tune.labels import Matched
from analysis.tune.run_ranks import held_up
from analysis.tune.search.choice import WRONG_SHARE, Costs
from analysis.tune.search.one_cause import CauseTuning, tune_cause
from analysis.tune.search.one_figure import OTHER, FamilyLimit, FigureTuning, tune_figure
from analysis.tune.tidy import interval_said
from analysis.verdict import GUARD
from ingest.arrays import Bools
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

    from analysis.tune.study import FigureStudy

UNDATED: Final = "undated"

RUN_DIGITS: Final = 16
"""Digits of a run's id in a limits file; the store opens a run by them."""


@dataclass(frozen=True)
class Options:
    """How to tune.

    Parameters
    ----------
    costs
        What errors cost.
    families
        Only these; empty for all.
    true_values
        Whether the limits are meant for true values (see `analysis.tune.search.scores`).
    wrong_labels
        Share of labels that may be wrong; intervals allow for it.
    trade_passes
        Whether cost alone decides, even where good cars lose the pass they have by the limits in
        force.
    seed
        Of everything drawn at random.
    version, author, date
        For the limits file; empty ones are made from the labels.
    """

    costs: Costs = field(default_factory=Costs)
    families: tuple[str, ...] = ()
    true_values: bool = True
    wrong_labels: float = WRONG_SHARE
    trade_passes: bool = False
    seed: int = 0
    version: str = ""
    author: str = ""
    date: str = ""


@dataclass(frozen=True)
class Tuning:
    """What came out.

    Parameters
    ----------
    figures, causes
        One entry each, in the contract's order.
    together
        The joint choice; None with too few bad or good cars.
    study
        Measurement system study of each figure that repeat runs allow one of.
    limits
        The limits in force with the tuned ones in place.
    in_force
        The limits before.
    labelled
        Runs behind it, of how many cars, and cars labelled bad and good; one that was repaired
        may be both.
    matched
        The labels on the runs.
    options
        As given.
    """

    figures: tuple[FigureTuning, ...]
    causes: tuple[CauseTuning, ...]
    together: Together | None
    study: tuple[FigureStudy, ...]
    limits: Limits
    in_force: Limits
    labelled: tuple[int, int, int, int]
    matched: Matched
    options: Options


def tune(
    runs: pl.DataFrame,
    figures: pl.DataFrame,
    causes: pl.DataFrame,
    matched: Matched,
    in_force: Limits,
    options: Options | None = None,
) -> Tuning:
    """Tune all figures and causes.

    Parameters
    ----------
    runs, figures
        As `ingest.store.read` gives them.
    causes
        One row a run and cause: ``run_id, cause, probability``.
    matched
        Labels of the runs.
    in_force
        Limits that the tuned ones replace; what is not tuned stays.
    options
        How to tune.
    """
    from analysis.tune.study import study_figures

    options = options or Options()
    about = _labelled(runs, matched, options.families)
    about = about.join(held_up(runs, figures), on="run_id", how="left", maintain_order="left")
    values = _values(figures, about)
    tuned, together = _together(_alone(values, options), about, values, in_force, options)
    limits = _limits_file((tuned, together), values, about, matched, in_force, options)
    return Tuning(
        tuned,
        _by_cause(causes, about, options),
        together,
        study_figures(runs, figures, matched),
        limits,
        in_force,
        _counts(about),
        matched,
        options,
    )


def _values(figures: pl.DataFrame, about: pl.DataFrame) -> pl.DataFrame:
    """Finite values of the labelled runs, in an order of their own."""
    import polars as pl

    return (
        figures.filter(
            pl.col("value").is_finite()
            & pl.col("u").fill_null(0.0).is_finite()
            & pl.col("random").fill_null(0.0).is_finite()
        )
        .select("run_id", "figure", "value", "u", "random", "unit")
        .join(about, on="run_id", how="inner")
        .sort("run_id", "figure")
    )


def _alone(values: pl.DataFrame, options: Options) -> tuple[FigureTuning, ...]:
    """What each figure says by itself."""
    import polars as pl

    return tuple(
        _tune_one(values.filter(pl.col("figure") == each.name), each.name, options)
        for each in all_figures()
        if each.bad is not None
    )


def _tune_one(values: pl.DataFrame, name: str, options: Options) -> FigureTuning:
    found = tune_figure(
        values,
        name,
        options.costs,
        true_values=options.true_values,
        wrong=options.wrong_labels,
        seed=_seed(options.seed, name),
    )
    if not values.height:
        return found
    measured = values["value"].to_numpy()
    return replace(found, measured=(float(measured.min()), float(measured.max())))


def _by_cause(
    causes: pl.DataFrame, about: pl.DataFrame, options: Options
) -> tuple[CauseTuning, ...]:
    import polars as pl

    likely = causes.join(about, on="run_id", how="inner", suffix="_confirmed").sort("run_id")
    confirmed = sorted(set(about.filter(pl.col("bad"))["cause"].to_list()) - {""})
    return tuple(
        tune_cause(
            _one_cause(likely, about, cause), cause, options.costs, _seed(options.seed, cause)
        )
        for cause in confirmed
    )


def _counts(about: pl.DataFrame) -> tuple[int, int, int, int]:
    """Runs, cars, bad cars and good ones."""
    import polars as pl

    bad = pl.col("bad")
    cars, bad_cars, good_cars = (
        about.filter(kind)["vehicle"].n_unique() for kind in (pl.lit(value=True), bad, ~bad)
    )
    return about.height, cars, bad_cars, good_cars


def _together(
    alone: tuple[FigureTuning, ...],
    about: pl.DataFrame,
    values: pl.DataFrame,
    in_force: Limits,
    options: Options,
) -> tuple[tuple[FigureTuning, ...], Together | None]:
    """All figures at once: by cost, or by what good cars keep where bad ones are too few."""
    names = tuple(each.figure for each in alone if each.good)
    if not names:
        return alone, None
    table = fleet_table(about, values, names)
    sides = sides_of({each.figure: each.side for each in alone}, names)
    guard = GUARD if options.true_values else 0.0
    shown = np.stack([_shown(each, table) for each in alone if each.good], axis=1)
    problem = problem_of(
        table, sides, in_force, options.costs, guard, shown, keep=not options.trade_passes
    )
    wrong = options.wrong_labels
    found = tune_together(problem, options.seed, wrong)
    if found is None:
        few = tolerances_together(problem)
        return tuple(settle_few(each, few) if each.good else each for each in alone), None
    return tuple(settle(each, found, wrong) if each.good else each for each in alone), found


def _shown(each: FigureTuning, table: Table) -> Bools:
    """Whether the cause of each run is told by the figure."""
    told = {cause: area.told for cause, area in each.causes.items()}
    other = told.get(OTHER, False)
    return np.array([told.get(cause, other) for cause in table.cause.tolist()], dtype=bool)


def _seed(seed: int, name: str) -> int:
    """A seed of its own for each figure, so that none depends on which others are there."""
    return zlib.crc32(f"{seed} {name}".encode())


def _labelled(runs: pl.DataFrame, matched: Matched, families: tuple[str, ...]) -> pl.DataFrame:
    import polars as pl

    labels = pl.DataFrame(
        {
            "run_id": list(matched.by_run),
            "bad": [label.bad for label in matched.by_run.values()],
            "cause": [label.cause or "" for label in matched.by_run.values()],
        },
        schema={"run_id": pl.String, "bad": pl.Boolean, "cause": pl.String},
    )
    about = (
        runs.select(pl.col("id").alias("run_id"), "vehicle", "family", "heater", "ambient_degC")
        .with_columns(pl.col("family").fill_null(""))
        .join(labels, on="run_id", how="inner")
        .sort("run_id")
    )
    return about.filter(pl.col("family").is_in(list(families))) if families else about


def _one_cause(likely: pl.DataFrame, about: pl.DataFrame, cause: str) -> pl.DataFrame:
    """Probability of one cause in every labelled run; a run that does not name it gives it none."""
    import polars as pl

    named = likely.filter(pl.col("cause") == cause).select("run_id", "probability")
    judged = likely.select("run_id").unique()
    return (
        about.join(judged, on="run_id", how="semi")
        .join(named, on="run_id", how="left")
        .with_columns(pl.col("probability").fill_null(0.0))
        .sort("run_id")
    )


def _limits_file(
    found: tuple[tuple[FigureTuning, ...], Together | None],
    values: pl.DataFrame,
    about: pl.DataFrame,
    matched: Matched,
    in_force: Limits,
    options: Options,
) -> Limits:
    """The limits in force with the tuned ones in place."""
    figures = dict(in_force.figures)
    families = {name: dict(limits) for name, limits in in_force.families.items()}
    heaters_of = {name: dict(limits) for name, limits in in_force.heaters.items()}
    heaters = dict(zip(about["family"].to_list(), about["heater"].to_list(), strict=True))
    tuned, together = found
    for each in tuned:
        if each.way == "none":
            for group in _groups_opened(each, in_force, (figures, families), heaters):
                _open(each, group)
        if each.limit is None:
            continue
        if each.others:
            stands = figures.get(each.figure)
            figures[each.figure] = _replaced(each, stands, each.limit, _basis(each, each.interval))
        for family, own in each.families.items():
            before = limits_for(in_force, family, heaters[family]).get(each.figure)
            basis = _family_basis(_basis(each, own.interval), own)
            families.setdefault(family, {})[each.figure] = _replaced(each, before, own.limit, basis)
    dates = sorted(label.date for label in matched.by_run.values() if label.date)
    date = options.date or (dates[-1] if dates else UNDATED)
    sources = sorted({label.source for label in matched.by_run.values() if label.source})
    costs = options.costs
    share = "as labelled" if costs.bad_share is None else f"{costs.bad_share:g}"
    changed = any(each.limit is not None or each.way == "none" for each in tuned)
    done = "tuned on" if changed else "no limit changed by"
    basis = (
        f"{done} {counted(about.height, 'labelled run')} of "
        f"{counted(about['vehicle'].n_unique(), 'car')}; a missed "
        f"fault costs {costs.missed:g}, a needless repair {costs.needless:g}; share of bad cars "
        f"{share}, of good ones never claimed {costs.unclaimed:g}; meant for "
        f"{'true' if options.true_values else 'measured'} values; seed {options.seed}; "
        f"an undecided run costs {costs.again:g}; "
        f"{'passes traded by cost' if options.trade_passes else 'good cars keep their pass'}; "
        f"the rest from {in_force.version}"
    )
    basis += _joint_basis(together) if together is not None else ""
    fingerprint = _fingerprint(values, about, options)
    return Limits(
        version=options.version or f"tuned-{date}-{fingerprint[:8]}",
        author=options.author or ", ".join(sources) or "lukewarm tune",
        date=date,
        basis=basis,
        figures=figures,
        heaters=heaters_of,
        families={name: families[name] for name in sorted(families)},
        fingerprint=fingerprint,
    )


def _groups_opened(
    each: FigureTuning,
    in_force: Limits,
    kept: tuple[dict[str, Limit], dict[str, dict[str, Limit]]],
    heaters: Mapping[str, str],
) -> list[dict[str, Limit]]:
    """Where the tuned side of a limit in force is taken away: for the families that say so."""
    figures, families = kept
    groups = [figures] if each.others else []
    for family in sorted(set(heaters) - {"", *each.apart, *each.stays}):
        stands = limits_for(in_force, family, heaters[family]).get(each.figure)
        if stands is not None:
            own = families.setdefault(family, {})
            own[each.figure] = stands
            groups.append(own)
    return groups


def _open(each: FigureTuning, group: dict[str, Limit]) -> None:
    """Take the tuned side away; the other side stays."""
    stands = group.get(each.figure)
    if stands is not None:
        low = None if each.side == "low" else stands.low
        high = None if each.side == "high" else stands.high
        group[each.figure] = Limit(low, high, each.why, stands.harmless)


def _basis(each: FigureTuning, interval: tuple[float, float] | None) -> str:
    if each.interval is None or interval is None or each.in_run is None:
        return each.why
    return (
        f"{each.why}; {interval_said(interval, each.measured)}; on cars left "
        f"out it finds {100 * each.in_run.finds.value:.0f} % of the bad and fails "
        f"{100 * each.in_run.fails.value:.1f} % of the good"
    )


def _joint_basis(together: Together) -> str:
    """What the limits do to cars left out, all together."""
    found = together.tuned if together.taken else together.in_force
    return (
        f"; on cars left out, all figures together: {100 * found.good.passed.value:.0f} % of good "
        f"cars pass and {100 * found.good.failed.value:.0f} % fail, "
        f"{100 * found.bad.passed.value:.0f} % of bad cars pass and "
        f"{100 * found.bad.failed.value:.0f} % fail"
    )


def _family_basis(basis: str, own: FamilyLimit) -> str:
    return f"{basis}; this family by its {counted(own.cars, 'good car')} as far as that goes"


def _replaced(each: FigureTuning, stands: Limit | None, limit: float, basis: str) -> Limit:
    """The tuned side in place; the other side stays where it leaves room."""
    stands = stands or Limit(None, None, "")
    runs = [
        tuple(run_id[:RUN_DIGITS] for run_id in kind)
        for kind in (each.nearest.good, each.nearest.bad)
    ]
    if each.side == "low":
        other = stands.high if stands.high is not None and stands.high > limit else None
        return Limit(limit, other, basis, stands.harmless, *runs)
    other = stands.low if stands.low is not None and stands.low < limit else None
    return Limit(other, limit, basis, stands.harmless, *runs)


def _fingerprint(values: pl.DataFrame, about: pl.DataFrame, options: Options) -> str:
    """sha256 over everything the limits follow from."""
    digest = hashlib.sha256()
    for frame in (about, values.select("run_id", "figure", "value", "u", "random")):
        digest.update(frame.write_csv().encode())
    plain = replace(options, version="", author="", date="")
    digest.update(repr(sorted(_flat(asdict(plain)).items())).encode())
    return digest.hexdigest()


def _flat(told: Mapping[str, object], above: str = "") -> dict[str, str]:
    flat: dict[str, str] = {}
    for key, value in told.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{above}{key}.")
        else:
            flat[above + key] = repr(value)
    return flat
