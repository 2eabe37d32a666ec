"""What the page of one car is about: the run, its result, and the earlier runs of the car."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from dashboard.text.shown import clean
from dashboard.web import address
from dashboard.web.service import UPLOAD_ID
from ingest.values import dataclass

if TYPE_CHECKING:
    from dashboard.web.service import Board

NONE: Final = "none"
"""In the address: nothing is compared, where something would be without a word."""
MAX_LISTED: Final = 3000
"""Runs to choose from, the newest; older ones are found in the fleet."""
MAX_CHOICE: Final = 200
"""Runs from which on they are searched for instead of being listed."""
NOTHING: Final = {NONE: "nothing"}


def car_options(board: Board, run_id: str) -> dict[str, str]:
    """Runs to choose from, by id, cars in order; the run shown is always among them."""
    runs = board.source.runs()
    if runs.height > MAX_CHOICE:
        # nobody reads a list of five hundred: the car's own runs, and a field to find others
        cars = runs.filter(pl.col("id") == run_id)["vehicle"]
        runs = runs.filter(pl.col("vehicle").is_in(cars.implode()))
    else:
        runs = in_order(runs)
    options = {row["id"]: run_label(row) for row in runs.iter_rows(named=True)}
    if run_id not in options and board.document(run_id):
        told = "the log just dropped" if UPLOAD_ID.fullmatch(run_id) else "an older run"
        options = {run_id: told} | options
    elif run_id and run_id not in options:
        options = {run_id: "no such run: choose one"} | options
    return options


def run_label(row: Mapping[str, Any]) -> str:
    """A run in a list: car, purpose, day, verdict."""
    started = row["started"]
    told = (row["vehicle"], row["purpose"], f"{started:%Y-%m-%d}" if started else row["name"],
            row["verdict"])  # fmt: skip
    return ", ".join(clean(part) for part in told if part)


@dataclass(frozen=True)
class Shown:
    """What is shown.

    Parameters
    ----------
    board
        Where it comes from.
    run, before
        Ids; `before` is empty where nothing is compared.
    beside
        Another car or run to lay over it, as somebody wrote it.
    previous, following
        Ids of the runs around it in the list; empty at its ends.
    units
        ``si`` or ``us``.
    from_s, to_s
        Stretch of the run in the picture.
    document
        The result; None where the run does not exist.
    earlier
        Earlier runs of the same car, by id.
    usual
        The one it is compared with where nothing else is asked for.
    """

    board: Board
    run: str
    before: str
    beside: str
    previous: str
    following: str
    units: str
    from_s: float | None
    to_s: float | None
    document: Mapping[str, Any] | None
    earlier: Mapping[str, str]
    usual: str

    @classmethod
    def of(cls, board: Board, state: Mapping[str, str]) -> Shown:
        """From the state of the page."""
        document = board.document(state["run"])
        vehicle = (document or {}).get("run", {}).get("vehicle")
        runs = board.source.runs()
        same = runs.filter((pl.col("vehicle") == (vehicle or "")) & (pl.col("id") != state["run"]))
        same = _earlier(same, document)
        earlier = NOTHING | {row["id"]: run_label(row) for row in same.iter_rows(named=True)}
        about = (document or {}).get("run", {})
        # what a repair changed is what a run after it is for
        repaired = about.get("purpose") == "after-repair" and same.height > 0
        usual = _complaint(same) if repaired else NONE
        asked = state["before"] or usual
        before = asked if asked in same["id"] else ""
        first, last = (address.number(state[key]) for key in ("from", "to"))
        if first is None or last is None or first >= last:
            first = last = None
        else:
            first, last = 60.0 * first, 60.0 * last
        return cls(
            board, state["run"], before, state["beside"], *_around(runs, state["run"]),
            state["units"], first, last, document, earlier, usual,
        )  # fmt: skip


def in_order(runs: pl.DataFrame) -> pl.DataFrame:
    """Runs as they are listed: by car, each car's newest first."""
    return runs.head(MAX_LISTED).sort("vehicle", maintain_order=True)


def _around(runs: pl.DataFrame, run_id: str) -> tuple[str, str]:
    """Ids of the runs before and after one in the list."""
    ids = in_order(runs)["id"].to_list()
    if run_id not in ids:
        return "", ""
    at = ids.index(run_id)
    return (ids[at - 1] if at else ""), (ids[at + 1] if at + 1 < len(ids) else "")


def _earlier(same: pl.DataFrame, document: Mapping[str, Any] | None) -> pl.DataFrame:
    """Of a car's other runs those that are known to be from before this one.

    Where a date is missing, only the purpose can say so: a complaint comes before its repair.
    """
    about = (document or {}).get("run", {})
    repaired = about.get("purpose") == "after-repair"
    undated = (pl.col("purpose") == "complaint") & pl.lit(repaired)
    started = about.get("started")
    if not started:
        return same.filter(undated)
    moment = datetime.fromisoformat(started)
    moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    known = pl.col("started").is_not_null()
    return same.filter((known & (pl.col("started") < moment)) | (~known & undated))


def _complaint(same: pl.DataFrame) -> str:
    """The newest complaint among earlier runs, else the newest of them."""
    complaints = same.filter(pl.col("purpose") == "complaint")
    return str((complaints if complaints.height else same)["id"][0])
