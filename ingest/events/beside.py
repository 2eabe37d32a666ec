"""Finds the events file that lies beside a log."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

USUAL_NAME: Final = "events.csv"
_HEADER_WITHIN: Final = 4096
"""Bytes in which the header of an events file stands."""


def events_beside(log: Path) -> Path | None:
    """The events file in a log's folder; None where there is none, or where several may be it.

    It is called ``events.csv`` in any case, or else it is the only ``events*.csv`` whose first
    line names a control and a position.

    Parameters
    ----------
    log
        The log, which is itself never taken for its events.
    """
    try:
        named = [
            each
            for each in sorted(log.parent.iterdir())
            if re.fullmatch(r"events.*\.csv", each.name.lower())
            and each.name != log.name
            and each.is_file()
        ]
        usual = [each for each in named if each.name.lower() == USUAL_NAME]
        found = usual or [each for each in named if _holds_events(each)]
    except OSError:  # a folder that may not be listed
        return None
    return found[0] if len(found) == 1 else None


def _holds_events(path: Path) -> bool:
    with path.open("rb") as stream:
        start = stream.read(_HEADER_WITHIN)
    # without its zero bytes UTF-16 reads like plain text, which is enough for these words
    text = start.replace(b"\0", b"").decode("utf-8", errors="replace").strip()
    words = set(re.findall(r"[a-z]+", text.lower().split("\n", 1)[0]))
    return {"control", "position"} <= words
