"""Result documents of many runs as rows of tables: runs, figures, causes, findings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import polars as pl

ABOUT: Final = ("name", "vehicle", "family", "heater", "purpose", "started")
"""Keys of a document's ``run`` that stand in every row; `name` is called ``run`` there."""


NUMBER: Final = "number"
"""Column that joins the tables of `frames`; names of run folders need not differ."""


def frames(documents: Sequence[Mapping[str, Any]], first: int = 1) -> dict[str, pl.DataFrame]:
    """All tables of a batch of results, joined by a column ``number``.

    Parameters
    ----------
    documents
        Results, or entries with ``error``.
    first
        Number of the first one.

    Returns
    -------
    dict
        Tables ``runs, figures, causes, findings``, each with ``number`` before its own columns. An
        entry with ``error`` has its row in ``runs`` alone.
    """
    import polars as pl

    def numbered(frame: Callable[[Iterable[Mapping[str, Any]]], pl.DataFrame]) -> pl.DataFrame:
        parts = [
            frame([document]).select(pl.lit(number, pl.Int64).alias(NUMBER), pl.all())
            for number, document in enumerate(documents, start=first)
        ]
        return pl.concat(parts)

    figures = numbered(figures_frame)
    return {
        "runs": numbered(runs_frame),
        "figures": figures.filter(pl.col("error").is_null()).drop("error"),
        "causes": numbered(causes_frame),
        "findings": numbered(findings_frame),
    }


def runs_frame(documents: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """One row a run.

    Returns
    -------
    DataFrame
        ``run, vehicle, family, heater, purpose, started, duration_s, run_verdict, first_cause,
        first_probability, next_check, limits_version, definitions, error``.
    """
    import polars as pl

    schema = {
        **dict.fromkeys(("run", *ABOUT[1:]), pl.String), "duration_s": pl.Float64,
        "run_verdict": pl.String, "first_cause": pl.String, "first_probability": pl.Float64,
        "next_check": pl.String, "limits_version": pl.String, "definitions": pl.String,
        "error": pl.String,
    }  # fmt: skip
    rows: list[dict[str, Any]] = []
    for document in documents:
        if "error" in document:
            rows.append(_about(document) | {"error": "\n".join(document["error"])})
            continue
        cause: Mapping[str, Any] = next(iter(document["causes"]), {})
        rows.append(
            _about(document)
            | {
                "duration_s": document["run"]["duration_s"],
                "run_verdict": document["verdict"],
                "first_cause": cause.get("cause"),
                "first_probability": cause.get("probability"),
                "next_check": (document["next_check"] or {}).get("check"),
                "limits_version": document["limits"]["version"],
                "definitions": document["definitions"],
            }
        )
    return pl.DataFrame(rows, schema=schema, orient="row")


def findings_frame(documents: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """One row a finding; a run without any, and one with ``error``, has none.

    Returns
    -------
    DataFrame
        ``run, vehicle, family, heater, purpose, started, channel, fault, from_s, to_s`` (s from
        engine start), ``detail``.
    """
    import polars as pl

    schema = {
        **dict.fromkeys(("run", *ABOUT[1:], "channel", "fault"), pl.String),
        "from_s": pl.Float64, "to_s": pl.Float64, "detail": pl.String,
    }  # fmt: skip
    rows = [
        _about(document) | dict(finding)
        for document in documents
        for finding in document.get("quality", ())
    ]
    return pl.DataFrame(rows, schema=schema, orient="row")


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
