"""The file in which a store keeps what judges its runs; the store does not look into it.

Beside the settings, so that it goes with the folder: ``decision`` counts the changes, ``limits`` is
the text of a limits file, ``good_cars`` are cars from elsewhere and ``from`` names where; null
where the default limits or the store's own good cars hold.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

from ingest.access import Access
from ingest.errors import Fault, UnusableRun
from ingest.files import read_text, write_whole
from ingest.store.open import SETTINGS

if TYPE_CHECKING:
    from ingest.store.store import Store

DECISION: Final = "judging.json"
"""In the store's folder."""


def read_decision(store: Store) -> dict[str, Any]:
    """What was decided last, and the first decision where nothing ever was.

    Raises
    ------
    UnusableRun
        Where the file cannot be read.
    """
    path = store.folder / DECISION
    told: dict[str, Any] = {"decision": 1, "limits": None, "from": "", "good_cars": None}
    if not path.is_file():
        return dict(told)
    try:
        found = json.loads(read_text(path))
    except ValueError:
        found = None
    if not isinstance(found, dict) or not isinstance(found.get("decision"), int):
        raise UnusableRun(
            Fault(
                str(path),
                "no decision that can be read",
                "the file as it was written",
                "remove it: the default limits and the store's own good cars then judge",
            )
        )
    return {**told, **found}


def write_decision(store: Store, told: dict[str, Any]) -> None:
    """Keep a decision in the place of the one before."""
    text = json.dumps(told, ensure_ascii=False, indent=1) + "\n"
    write_whole(
        store.folder / DECISION,
        lambda to: to.write_bytes(text.encode("utf-8")),
        Access.of(store.folder / SETTINGS),
    )
