"""Probabilities of causes out of a store's results."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from sqlalchemy import select

from ingest.store.catalog import ResultRow

if TYPE_CHECKING:
    from collections.abc import Collection

    import polars as pl

    from ingest.store.store import Store

AT_ONCE: Final = 500
"""Runs asked for in one query; databases take a limited number of values."""


def cause_probabilities(store: Store, run_ids: Collection[str]) -> pl.DataFrame:
    """Probability of every cause in the results of some runs.

    Returns
    -------
    DataFrame
        ``run_id, cause, probability``, in order of the ids.
    """
    import polars as pl

    wanted = sorted(set(run_ids))
    rows: list[tuple[str, str, float]] = []
    with store.engine.connect() as connection:
        for start in range(0, len(wanted), AT_ONCE):
            part = wanted[start : start + AT_ONCE]
            query = (
                select(ResultRow.run_id, ResultRow.document["causes"])
                .where(ResultRow.run_id.in_(part))
                .order_by(ResultRow.run_id)
            )
            rows += [
                (run_id, cause["cause"], float(cause["probability"]))
                for run_id, causes in connection.execute(query)
                for cause in causes or ()
            ]
    schema = {"run_id": pl.String, "cause": pl.String, "probability": pl.Float64}
    return pl.DataFrame(rows, schema=schema, orient="row")
