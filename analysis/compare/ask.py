"""A question to a store: only what the answer needs is read from the catalog."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from analysis.compare.answer import Answer, Question, answer
from analysis.compare.weather import GOOD
from analysis.figures import KEY_FIGURE
from ingest.store.read import Filter, figures, runs

if TYPE_CHECKING:
    from ingest.store.store import Store


def ask(store: Store, question: Question) -> tuple[Answer, pl.DataFrame]:
    """Answer a question.

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
            Filter(vehicle=question.car),
            *(Filter(family=family, purpose=GOOD) for family in families.sort()),
        ]
        parts = [figures(store, names, only) for only in wanted]
        found = pl.concat(parts).unique(["run_id", "figure"], maintain_order=True)
    else:
        found = figures(store, names, Filter(family=question.family))
    return answer(every, found, question), every
