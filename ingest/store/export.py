"""What a store holds as files for other programs: the catalog's tables and what they mean."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from sqlalchemy import select

from ingest.errors import Fault, WrongUse, did_you_mean
from ingest.export.tables import ENDINGS, Sheet, require_ending, write_package, write_table
from ingest.export.workbook import write_workbook
from ingest.store.catalog import ResultRow
from ingest.store.read import EVERY, Filter, figures, results, runs

if TYPE_CHECKING:
    from ingest.store.store import Store

TABLES: Final = ("fleet", "runs", "figures", "causes")

_RUN: Final = {
    "id": "sha256 over the names and contents of the run's raw files",
    "name": "name of the run folder",
    "vehicle": "which car",
    "family": "which cars it may be compared with",
    "heater": "layout of the heater",
    "purpose": "why the run was made",
    "plant": "where the car was built, as the set-up says",
    "operator": "who ran the test",
    "logger": "which logger",
    "started": "wall clock of time zero, UTC",
    "duration_s": "length of the log",
    "ambient_degC": "mean temperature of the outside air, else of the air that enters",
    "verdict": "of the whole run",
    "first_cause": "the likeliest cause",
    "first_probability": "its probability",
    "code_version": "version of the program that made the result",
    "definitions_version": "version of the figures' definitions",
    "limits_version": "limits, and good cars, the verdicts were given with",
}
_RUN_UNITS: Final = {"duration_s": "s", "ambient_degC": "°C"}
_FIGURE: Final = {
    "run_id": "the run",
    "figure": "name of the figure",
    "value": "its value; empty where it was not measured",
    "u": "standard uncertainty, k = 1",
    "random": "the part of it that averages down",
    "unit": "unit of value, uncertainty and limits",
    "verdict": "pass, fail, undecided or not measured",
    "low": "lower limit in force",
    "high": "upper limit in force",
}
_CAUSE: Final = {
    "run_id": "the run",
    "cause": "name of the cause",
    "probability": "its probability; a run's sum to 1",
    "next_check": "what to check for it",
}


def export(store: Store, out: Path, table: str | None = None, only: Filter = EVERY) -> None:
    """Write a store's tables; the name decides how.

    Parameters
    ----------
    store
        The store.
    out
        ``.csv`` or ``.parquet``: one table. ``.xlsx``: all of them, a sheet each. No ending: a new
        folder with a Frictionless Data Package.
    table
        Which table, of `TABLES`; for one file ``fleet`` where None, else all of them.
    only
        Runs wanted.

    Raises
    ------
    WrongUse
        Where the table or the ending is not known.
    UnusableRun
        Where the place cannot be written.
    """
    if table is not None and table not in TABLES:
        hint = did_you_mean(table, TABLES, "name one of these tables")
        raise WrongUse(Fault("--table", repr(table), ", ".join(TABLES), hint))
    suffix = out.suffix.lower()
    if suffix:
        require_ending(out, ENDINGS, ", or none for a data package")
    if suffix in {".csv", ".parquet"}:
        name = table or "fleet"
        write_table(sheets(store, (name,), only)[name], out)
        return
    wanted = sheets(store, (table,) if table else TABLES, only)
    if suffix == ".xlsx":
        write_workbook(wanted, out)
    else:
        write_package(wanted, out, "Runs of a lukewarm store")


def sheets(store: Store, names: tuple[str, ...], only: Filter = EVERY) -> dict[str, Sheet]:
    """The tables by name, with what their columns mean."""
    makers = {"fleet": _fleet, "runs": _runs, "figures": _figures, "causes": _causes}
    return {name: makers[name](store, only) for name in names}


def _runs(store: Store, only: Filter) -> Sheet:
    frame = runs(store, only).join(
        results(store, only), left_on="id", right_on="run_id", how="left"
    )
    return Sheet(frame, "One row a run", _RUN, _RUN_UNITS, key=("id",))


def _figures(store: Store, only: Filter) -> Sheet:
    return Sheet(
        figures(store, only=only),
        "One row a run and figure",
        _FIGURE,
        key=("run_id", "figure"),
        refers={"run_id": ("runs", "id")},
        of_row=("value", "u", "random", "low", "high"),
    )


def _fleet(store: Store, only: Filter) -> Sheet:
    """Runs with a pair of columns for each figure: its value and its standard uncertainty."""
    import polars as pl

    long = figures(store, only=only)
    names = long["figure"].unique(maintain_order=True).to_list()
    units = dict(long.select("figure", "unit").unique().iter_rows())
    wide = long.group_by("run_id").agg(
        expression
        for name in names
        for expression in (
            pl.col("value").filter(pl.col("figure") == name).first().alias(name),
            pl.col("u").filter(pl.col("figure") == name).first().alias(f"{name}_u"),
        )
    )
    frame = runs(store, only).join(wide, left_on="id", right_on="run_id", how="left")
    meaning = _RUN | {f"{name}_u": f"standard uncertainty of {name}" for name in names}
    return Sheet(
        frame,
        "One row a run with its figures",
        meaning | {name: f"the figure {name}" for name in names},
        _RUN_UNITS | {column: units[name] for name in names for column in (name, f"{name}_u")},
        key=("id",),
    )


def _causes(store: Store, only: Filter) -> Sheet:
    import polars as pl

    wanted = runs(store, only)["id"].to_list()
    chosen = None if only == EVERY else set(wanted)
    columns: dict[str, list[object]] = {name: [] for name in _CAUSE}
    with store.engine.connect() as connection:
        query = select(ResultRow.run_id, ResultRow.document).order_by(ResultRow.run_id)
        for run_id, document in connection.execution_options(stream_results=True).execute(query):
            if chosen is not None and run_id not in chosen:
                continue
            for cause in document.get("causes", ()):
                columns["run_id"].append(run_id)
                for name in ("cause", "probability", "next_check"):
                    columns[name].append(cause[name])
    schema = {name: pl.Float64 if name == "probability" else pl.String for name in _CAUSE}
    return Sheet(
        pl.DataFrame(columns, schema=schema),
        "One row a run and possible cause",
        _CAUSE,
        key=("run_id", "cause"),
        refers={"run_id": ("runs", "id")},
    )
