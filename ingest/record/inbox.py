"""Events that other programs leave in a run folder's ``inbox`` while it is recorded.

A file holds one JSON object, ``{"control": "temp_lever", "position": "100", "host_s": 12.3}``
(``host_s`` may be left out), and is written under another ending first and then renamed to
``.json``, so that half a file is never read.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from ingest.json_text import parse_json

FOLDER: Final = "inbox"
LARGEST: Final = 4096


class Inbox:
    """The inbox of a run folder.

    Parameters
    ----------
    folder
        The run folder.
    """

    def __init__(self, folder: Path) -> None:
        self._place = folder / FOLDER

    def empty(
        self, note: Callable[[str, str, float | None], None], say: Callable[[str], None]
    ) -> None:
        """Take every event out, oldest first.

        Parameters
        ----------
        note
            Takes control, position and time; raises ValueError for what is no event.
        say
            Takes a sentence about a file that holds none.
        """
        try:
            files = sorted(self._place.glob("*.json"), key=lambda each: each.stat().st_mtime_ns)
        except OSError:  # taken away by its writer
            return
        for path in files:
            try:
                found = self._read(path)
                note(*found)
            except ValueError as error:
                say(f"{path.name} in the inbox holds no event: {error}")
            except OSError:
                continue
            path.unlink(missing_ok=True)

    def _read(self, path: Path) -> tuple[str, str, float | None]:
        if path.stat().st_size > LARGEST:
            raise ValueError("it is too large")
        found = parse_json(path.read_text(encoding="utf-8"))
        try:
            when = found.get("host_s")
            return (
                str(found["control"]),
                str(found["position"]),
                None if when is None else float(when),
            )
        except (AttributeError, KeyError, TypeError) as error:
            raise ValueError("it lacks control or position") from error
