"""Whether a name leads to a file that ends: no pipe, no device, no link out of a run folder."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Final

from ingest.errors import Fault, UnusableRun

NO_FILE: Final = "no readable file (a folder, a pipe or a device)"


def own_file(folder: Path, name: str) -> Path:
    """A file that a run folder holds under a fixed name, whether it is there or not.

    Raises
    ------
    UnusableRun
        Where something else has that name: a folder, a pipe, a device, or a link that leads out of
        the folder or nowhere.
    """
    path = folder / name
    found = None
    try:
        if path.is_symlink() and not path.resolve().is_relative_to(folder.resolve()):
            found = "a link that leads out of the run folder"
        elif os.path.lexists(path) and not path.is_file():
            found = "a link that leads nowhere" if path.is_symlink() else NO_FILE
    except (OSError, RuntimeError):  # the latter before Python 3.13, for links in a circle
        found = "a link that leads nowhere"
    if found is None:
        return path
    raise UnusableRun(
        Fault(str(path), found, "a file in the run folder", "put the file itself there")
    )


def check_regular(path: Path, most: int, expected: str) -> None:
    """Refuse what would never end, or hold more than a text that somebody wrote.

    Parameters
    ----------
    path
        The file; one that is not there is left to whoever opens it.
    most
        Bytes.
    expected
        What it should be.

    Raises
    ------
    UnusableRun
        Where it is a pipe or a device, or larger.
    """
    try:
        kind = path.stat()
    except OSError:
        return
    found = None
    if not stat.S_ISREG(kind.st_mode) and not stat.S_ISDIR(kind.st_mode):
        found = NO_FILE
    elif kind.st_size > most:
        found = f"a file of {kind.st_size / 2**20:.1f} MiB"
    if found is not None:
        raise UnusableRun(Fault(str(path), found, expected, "check the file"))
