"""Whether a filter names what a store has: a misspelled family finds no run and no reason."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.errors import Fault, UnusableRun
from ingest.store.catalog import FigureRow, ResultRow, RunRow
from ingest.store.read import Filter

if TYPE_CHECKING:
    from ingest.store.store import Store

COLUMNS: Final = {
    "family": RunRow.family,
    "vehicle": RunRow.vehicle,
    "purpose": RunRow.purpose,
    "plant": RunRow.plant,
    "cause": ResultRow.first_cause,
    "failed": FigureRow.figure,
}

MOST_NAMED: Final = 8


def require_known(store: Store, only: Filter) -> None:
    """See that the store has what a filter asks for.

    Raises
    ------
    UnusableRun
        With a fault for each word that the store does not have, and the nearest it has.
    """
    faults = []
    with Session(store.engine) as session:
        for name, column in COLUMNS.items():
            wanted = getattr(only, name)
            if wanted is None:
                continue
            found = session.scalars(select(column).distinct().where(column.is_not(None)))
            there = sorted(str(each) for each in found)
            if wanted not in there:
                faults.append(_unknown(name, wanted, there))
    if faults:
        raise UnusableRun(faults)


def _unknown(name: str, wanted: str, there: list[str]) -> Fault:
    near = difflib.get_close_matches(wanted, there, n=1)
    what = "figure" if name == "failed" else name
    remedy = f"did you mean {near[0]}?" if near else f"there: {', '.join(there[:MOST_NAMED])}"
    return Fault(
        f"--{name}", repr(wanted), f"a {what} that the store has",
        remedy if there else "add runs first",
    )  # fmt: skip
