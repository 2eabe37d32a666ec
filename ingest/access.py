"""Who may read what lukewarm keeps: its owner alone, whatever the umask, unless somebody says else.

A store or a recording shows where cars were and who drove them. ``LUKEWARM_FILES`` says ``group``
or ``everyone`` where others are to read along; in a store that is there, new files are as its
store.toml is, so that one ``chmod`` is heeded by all who use it.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from ingest.values import dataclass

SAID: Final = "LUKEWARM_FILES"


@dataclass(frozen=True)
class Access:
    """Permissions of files, and the same for the folders they lie in.

    Parameters
    ----------
    files
        Mode of a file: read and write bits.
    """

    files: int

    @property
    def folders(self) -> int:
        """Mode of a folder: whoever reads may also enter."""
        return self.files | (self.files & 0o444) >> 2

    @classmethod
    def of(cls, path: Path) -> Access:
        """As a file that is there; the owner can always read and write."""
        return cls(0o600 | path.stat().st_mode & 0o066)


SAYINGS: Final = {
    "private": Access(0o600),
    "group": Access(0o660),
    "everyone": Access(0o664),
}


def usual() -> Access:
    """What the environment says; its owner's alone where it says nothing, or nothing known."""
    return SAYINGS.get(os.environ.get(SAID, ""), SAYINGS["private"])


def create(path: Path, flags: int, access: Access | None = None) -> int:
    """Open a file, made with these permissions where it is not there; gives its descriptor.

    Raises
    ------
    OSError
        Where it cannot be opened.
    """
    access = access or usual()
    there = path.exists()
    descriptor = os.open(path, flags | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o600)
    if not there and access.files != 0o600 and os.name == "posix":
        os.fchmod(descriptor, access.files)
    return descriptor


def write(path: Path, data: bytes, access: Access | None = None) -> None:
    """Write a file, made with these permissions where it is not there.

    Raises
    ------
    OSError
        Where it cannot be written.
    """
    with os.fdopen(create(path, os.O_WRONLY | os.O_TRUNC, access), "wb") as file:
        file.write(data)


def make_folder(folder: Path, access: Access | None = None) -> None:
    """Make a folder, with these permissions where it is not there yet.

    Raises
    ------
    OSError
        Where it cannot be made.
    """
    access = access or usual()
    there = folder.exists()
    folder.mkdir(mode=0o700, exist_ok=True)
    if not there and access.files != 0o600:
        # what the system adds of itself, such as the group's own bit, stays
        folder.chmod(folder.stat().st_mode & 0o7000 | access.folders)


def make_folders(folder: Path, access: Access | None = None) -> None:
    """Make a folder with those above it, with these permissions where they are not there yet.

    Raises
    ------
    OSError
        Where it cannot be made.
    """
    for each in reversed([each for each in folder.parents if not each.exists()]):
        make_folder(each, access)
    make_folder(folder, access)
