"""Check sheets of stored runs: what hands and eyes found, beside the files that never change.

``checks/ab/abcdef…/checks.csv`` is the sheet of a run as a run folder holds it. It is no part of
the run's id: a run does not become another one because somebody looked under the dash.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Final

from ingest.access import Access
from ingest.check_sheet import FILE, Checked, Outcome, add_lines, note_check, read_sheet
from ingest.files import make_folder
from ingest.store.open import SETTINGS

SHEETS: Final = "checks"
"""Folder of a store."""


def sheet_folder(store: Path, run_id: str) -> Path:
    """Where the sheet of a run lies."""
    return store / SHEETS / run_id[:2] / run_id


def sheet_of(store: Path, run_id: str) -> list[Checked]:
    """All lines of a run's sheet, oldest first; none where there is no sheet.

    Raises
    ------
    UnusableRun
        Where it cannot be read.
    """
    return read_sheet(sheet_folder(store, run_id))


def note_stored(
    store: Path, run_id: str, check: str, remark: str, now: datetime, *, found: Outcome
) -> None:
    """Add a line to a run's sheet; its result follows when it is worked out again.

    Raises
    ------
    UnusableRun
        Where the sheet there cannot be read, or cannot be written.
    """
    note_check(_made(store, run_id), check, remark, now, found=found)


def news(store: Path, run_id: str, folder: Path) -> list[Checked]:
    """Lines of a run folder's sheet that the store does not have.

    Raises
    ------
    UnusableRun
        Where either sheet cannot be read.
    """
    if not (folder / FILE).is_file():
        return []
    known = set(sheet_of(store, run_id))
    return [line for line in read_sheet(folder) if line not in known]


def take_in(store: Path, run_id: str, folder: Path) -> bool:
    """Bring in what a run folder's sheet has and the store's has not; whether there was anything.

    Raises
    ------
    UnusableRun
        Where either sheet cannot be read, or the store's cannot be written.
    """
    found = news(store, run_id, folder)
    if found:
        add_lines(_made(store, run_id), found)
    return bool(found)


def _made(store: Path, run_id: str) -> Path:
    folder = sheet_folder(store, run_id)
    access = Access.of(store / SETTINGS)
    make_folder(folder.parent, access)
    make_folder(folder, access)
    return folder
