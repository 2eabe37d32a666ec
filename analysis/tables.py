"""Result documents of many runs as rows of two tables: figures and causes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import polars as pl

ABOUT: Final = ("name", "vehicle", "family", "heater", "purpose", "started")
"""Keys of a document's ``run`` that stand in every row; `name` is called ``run`` there."""


def figures_frame(documents: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """One row a run and figure.

    Parameters
    ----------
    documents
        Results as `analysis.result.document` makes them, or entries with ``error``: such a run has
        one row that says what is wrong with it, and no figure.

    Returns
    -------
    DataFrame
        ``run, vehicle, family, heater, purpose, started`` (ISO 8601), ``run_verdict, figure, value,
        unit, u`` (standard uncertainty), ``verdict, low, high`` (limits), ``from_s, to_s`` (the
        readings behind it, s from engine start), ``note, error``.
    """
    import polars as pl

    texts = ("run", *ABOUT[1:], "run_verdict", "figure")
    schema = {
        **dict.fromkeys(texts, pl.String), "value": pl.Float64, "unit": pl.String, "u": pl.Float64,
        "verdict": pl.String, "low": pl.Float64, "high": pl.Float64, "from_s": pl.Float64,
        "to_s": pl.Float64, "note": pl.String, "error": pl.String,
    }  # fmt: skip
    rows: list[dict[str, Any]] = []
    for document in documents:
        about = _about(document)
        if "error" in document:
            rows.append(about | {"error": "\n".join(document["error"])})
            continue
        about["run_verdict"] = document["verdict"]
        for name, figure in document["figures"].items():
            limit, window = figure["limit"] or {}, figure["window"] or (None, None)
            rows.append(
                about
                | {key: figure[key] for key in ("value", "unit", "u", "verdict", "note")}
                | {"figure": name, "low": limit.get("low"), "high": limit.get("high")}
                | {"from_s": window[0], "to_s": window[1]}
            )
    return pl.DataFrame(rows, schema=schema, orient="row")


def causes_frame(documents: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """One row a run and cause, the likeliest of each run first; runs with ``error`` have none.

    Returns
    -------
    DataFrame
        ``run, vehicle, family, heater, purpose, started, run_verdict, rank`` (1 is the likeliest),
        ``cause, title, probability``.
    """
    import polars as pl

    schema = {
        **dict.fromkeys(("run", *ABOUT[1:], "run_verdict"), pl.String), "rank": pl.Int64,
        "cause": pl.String, "title": pl.String, "probability": pl.Float64,
    }  # fmt: skip
    rows = [
        _about(document)
        | {"run_verdict": document["verdict"], "rank": rank}
        | {key: cause[key] for key in ("cause", "title", "probability")}
        for document in documents
        if "error" not in document
        for rank, cause in enumerate(document["causes"], start=1)
    ]
    return pl.DataFrame(rows, schema=schema, orient="row")


def _about(document: Mapping[str, Any]) -> dict[str, Any]:
    run = document["run"]
    return {"run": run.get("name")} | {key: run.get(key) for key in ABOUT[1:]}
