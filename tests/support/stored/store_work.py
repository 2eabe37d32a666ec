"""Work for the processes of a pool; they import it by name."""

from __future__ import annotations

import os

from ingest.run import Run
from ingest.store.rows import Outcome
from tests.support.stored.stores import outcome_of

DEADLY = "SC-666"
FAULTY = "SC-500"


def die_on_deadly(run: Run) -> Outcome:
    """End the process as a kill or lack of memory would; stumble over another car."""
    vehicle = run.setup.run.vehicle
    if vehicle == DEADLY:
        os._exit(9)
    if vehicle == FAULTY:
        msg = "no such luck"
        raise ZeroDivisionError(msg)
    return outcome_of(run)
