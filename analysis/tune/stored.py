"""Tuning over a store."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.causes.stored import cause_probabilities
from analysis.limits import Limits, default_limits
from analysis.tune.change import Changed, changes
from analysis.tune.labels import match, parse_labels
from analysis.tune.tuning import Options, Tuning, tune
from ingest.errors import Fault, UnusableRun, WrongUse, did_you_mean
from ingest.store.read import figures, runs

if TYPE_CHECKING:
    from ingest.store.store import Store


def tune_store(
    store: Store,
    labels: str,
    file: str = "labels.csv",
    against: Limits | None = None,
    options: Options | None = None,
) -> tuple[Tuning, list[Changed]]:
    """Tune limits on a store's runs and say what they would change there.

    Parameters
    ----------
    store
        The store.
    labels
        Text of the labels file.
    file
        Its name, for messages.
    against
        The limits in force; None compares with those each run was judged with, and the tuned
        limits then replace the default ones.
    options
        How to tune.

    Raises
    ------
    WrongUse
        Where the store has no such family.
    UnusableRun
        Where the labels are wrong, or none belongs to a run of the store.
    """
    from analysis.causes.knowledge import knowledge

    told = parse_labels(labels, tuple(dict.fromkeys(row.name for row in knowledge().cause)), file)
    fleet = runs(store)
    matched = match(told, fleet)
    options = options or Options()
    known = set(fleet["family"].drop_nulls().to_list())
    missing = [family for family in options.families if family not in known]
    if missing:
        there = f"a family of the store: {', '.join(sorted(known))}"
        raise WrongUse(
            Fault("--families", repr(name), there, did_you_mean(name, known, "correct the name"))
            for name in missing
        )
    if not matched.by_run:
        raise UnusableRun(
            Fault(
                file,
                "no label of a run or car of this store",
                f"runs of {store.folder}",
                "compare the names with `lukewarm store list`",
            )
        )
    measured = figures(store)
    causes = cause_probabilities(store, matched.by_run)
    tuned = tune(fleet, measured, causes, matched, against or default_limits(), options)
    return tuned, changes(fleet, measured, tuned.limits, matched, against)
