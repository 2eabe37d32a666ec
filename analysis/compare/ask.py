"""A question to a store: only what the answer needs is read from the catalog."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from analysis.compare.answer import Answer, Question, answer
from analysis.compare.by_cause import CAUSE
from analysis.compare.weather import GOOD
from analysis.figures import KEY_FIGURE
from ingest.store.read import EVERY, Filter, figures, runs

if TYPE_CHECKING:
    from ingest.store.store import Store


def ask(store: Store, question: Question, only: Filter = EVERY) -> tuple[Answer, pl.DataFrame]:
    """Answer a question.

    Parameters
    ----------
    store, question
        Whom is asked what.
    only
        Runs that count beside what the question says; a car's good cars always do.

    Returns
    -------
    Answer
        The answer.
    DataFrame
        The store's runs, for `Answer.sheets`.

    Raises
    ------
    UnusableRun
        See `analysis.compare.answer.answer`.
    """
    every = runs(store)
    names = question.figures or ((KEY_FIGURE,) if question.over_time else None)
    if question.car is not None and question.by is None:
        families = every.filter(pl.col("vehicle") == question.car)["family"].unique().drop_nulls()
        wanted = [
            replace(only, vehicle=question.car),
            *(Filter(family=family, purpose=GOOD) for family in families.sort()),
        ]
        parts = [figures(store, names, each) for each in wanted]
        found = pl.concat(parts).unique(["run_id", "figure"], maintain_order=True)
        return answer(every, found, question), every
    counted = every if only == EVERY else runs(store, only)
    if question.by == CAUSE:
        return answer(counted, pl.DataFrame(), question), every
    found = figures(store, names, replace(only, family=question.family))
    return answer(counted, found, question), every
