"""Whether a filter names what a store has: a misspelled family finds no run and no reason."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.errors import Fault, WrongUse, did_you_mean
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

MAX_NAMED: Final = 8


def require_known(store: Store, only: Filter) -> None:
    """See that the store has what a filter asks for.

    Raises
    ------
    WrongUse
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
        raise WrongUse(faults)


def _unknown(name: str, wanted: str, there: list[str]) -> Fault:
    what = "figure" if name == "failed" else name
    listed = f"there: {', '.join(there[:MAX_NAMED])}" if there else "add runs first"
    return Fault(
        f"--{name}",
        repr(wanted),
        f"a {what} that the store has",
        did_you_mean(wanted, there, listed),
    )
