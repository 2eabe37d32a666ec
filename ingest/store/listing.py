"""What a store can be rebuilt from: beside the raw files, for each run a list of them.

``runs/ab/abcdef….json`` holds the name of the run and the sha256 of each of its files by name. Its
own name is the run's id, which is made of just that: a list that was altered is known as such.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from ingest.access import Access
from ingest.errors import Fault, UnusableRun
from ingest.files import make_folder, write_whole
from ingest.store.open import SETTINGS
from ingest.values import dataclass

LISTS: Final = "runs"
"""Folder of a store."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A run as its list knows it.

    Parameters
    ----------
    run_id
        The run.
    name
        The folder it came from.
    files
        The sha256 of its raw files by their names in the run folder.
    """

    run_id: str
    name: str
    files: Mapping[str, str]


def list_path(folder: Path, run_id: str) -> Path:
    """Where the list of a run lies."""
    return folder / LISTS / run_id[:2] / f"{run_id}.json"


def write_list(folder: Path, listed: Listed) -> None:
    """Write a run's list as a whole; one that is there is left alone."""
    path = list_path(folder, listed.run_id)
    if path.is_file():
        return
    told = {"name": listed.name, "files": dict(sorted(listed.files.items()))}
    text = json.dumps(told, ensure_ascii=False, indent=1) + "\n"
    access = Access.of(folder / SETTINGS)
    make_folder(path.parent, access)
    write_whole(path, lambda to: to.write_text(text, encoding="utf-8", errors="replace"), access)


def lists(folder: Path) -> Iterator[Path]:
    """All lists of a store, in the order of their names."""
    return iter(sorted((folder / LISTS).glob("*/*.json")))


def read_list(path: Path) -> Listed:
    """Read a run's list.

    Raises
    ------
    UnusableRun
        Where it is no longer what was written.
    """
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        files = {str(name): str(sha256) for name, sha256 in told["files"].items()}
        return Listed(path.stem, str(told["name"]), files)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise UnusableRun(
            Fault(str(path), "no readable list", "what lukewarm wrote", "add its run again")
        ) from error
