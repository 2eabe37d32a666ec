"""Where a run's files are, kept inside its folder, and how they are read and written whole."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import shutil
import tempfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Final

from ingest.access import Access, create, make_folders
from ingest.errors import Fault, UnusableRun
from ingest.regular import check_regular, own_file
from ingest.run import Finding
from ingest.setup.model import Setup, read_setup
from ingest.values import dataclass

SETUP_NAME: Final = "run.toml"
JOURNAL: Final = "journal"
"""Folder that a recording has in its run folder."""

_PIECE: Final = 1 << 20
MAX_TEXT_BYTES: Final = 4 << 20
"""Of a text that somebody wrote: set-ups, limits, notes."""


@dataclass(frozen=True)
class Recording:
    """What a recording says of itself; its files are in order.

    Parameters
    ----------
    folder
        Where the files to load are; None where the run was not recorded here.
    findings
        Gaps, losses, clocks; times in log time.
    started
        Wall clock of its beginning.
    """

    folder: Path | None = None
    findings: tuple[Finding, ...] = ()
    started: datetime | None = None


NOT_RECORDED: Final = Recording()


@dataclass(frozen=True)
class RunFiles:
    """The files of one run.

    Parameters
    ----------
    setup
        The validated set-up.
    setup_path
        Its file.
    log
        The log.
    events
        The events file; None where the set-up names none.
    name
        Short name for screens.
    recording
        What is known of the recording that made them.
    corrections
        The sensors' corrections; None where the set-up names none.
    dbc
        What describes the messages of bus traffic; None where the set-up names none.
    """

    setup: Setup
    setup_path: Path
    log: Path
    events: Path | None
    name: str
    recording: Recording = NOT_RECORDED
    corrections: Path | None = None
    dbc: Path | None = None

    def raw(self) -> dict[str, Path]:
        """Every file by the name it has in the run folder."""
        files = {SETUP_NAME: self.setup_path, _key(self.setup.log.file, self.log): self.log}
        if self.events is not None and self.setup.events is not None:
            files[_key(self.setup.events.file, self.events)] = self.events
        named = _corrections_named(self.setup)
        if self.corrections is not None and named is not None:
            files[_key(named, self.corrections)] = self.corrections
        if self.dbc is not None and self.setup.log.dbc is not None:
            files[_key(self.setup.log.dbc, self.dbc)] = self.dbc
        return files


def _corrections_named(setup: Setup) -> str | None:
    return None if setup.sensors is None else setup.sensors.corrections


def _key(named: str, path: Path) -> str:
    """A file's name as run.toml writes it, with forward slashes; the log may be another one."""
    plain = PureWindowsPath(named).as_posix()
    return plain if PurePosixPath(plain).name == path.name else path.name


def find_files(
    place: Path, setup: Path | None = None, recording: Recording = NOT_RECORDED
) -> RunFiles:
    """Find and check the files of a run.

    Parameters
    ----------
    place
        A run folder, a run.toml, or a log (then `setup` is needed).
    setup
        A set-up to use instead of the folder's own.
    recording
        What is known of a folder that was recorded (`ingest.record.recover.prepare`).

    Raises
    ------
    UnusableRun
        Where a file is missing or lies outside the folder, with one fault for each.
    """
    if place.is_dir():
        folder, log = place, None
    elif place.suffix.lower() == ".toml" and setup is None:
        folder, log, setup = place.parent, None, place
    elif setup is not None:
        folder, log = place.parent, place
    elif place.exists():
        raise UnusableRun(
            Fault(
                str(place),
                "a log without a set-up",
                "a run folder, or a log with --setup run.toml",
                f"draft one with `lukewarm setup {place.name} --out run.toml`",
            )
        )
    else:
        raise UnusableRun(
            Fault(str(place), "nothing there", "a run folder or a log", "correct the path")
        )
    if log is not None:
        recording = NOT_RECORDED
    folder = recording.folder or folder
    setup_path = setup if setup is not None else own_file(folder, SETUP_NAME)
    settings = read_setup(setup_path)
    faults: list[Fault] = []
    if log is None:
        log = _inside(folder, settings.log.file, f"{setup_path.name} [log] file", faults)
    elif not log.is_file():
        faults.append(Fault(str(log), "no such file", "the log", "correct the path"))
    events = None
    if settings.events is not None:
        where = f"{setup_path.name} [events] file"
        events = _inside(folder, settings.events.file, where, faults)
    corrections = _corrections(folder, settings, setup_path.name, faults)
    dbc = None
    if settings.log.dbc is not None:
        dbc = _inside(folder, settings.log.dbc, f"{setup_path.name} [log] dbc", faults)
    if faults or log is None:
        raise UnusableRun(faults)
    name = log.stem if place == log else folder.resolve().name
    return RunFiles(settings, setup_path, log, events, name, recording, corrections, dbc)


def files_with_log(log: Path, setup: Path, adapt: Callable[[Setup], Setup]) -> RunFiles:
    """The files of a run whose log was made elsewhere; its events lie beside the set-up.

    Parameters
    ----------
    log
        The log.
    setup
        The run.toml.
    adapt
        Makes the set-up fit the log.

    Raises
    ------
    UnusableRun
        Where a file is missing or lies outside the set-up's folder.
    """
    settings = read_setup(setup)
    folder, faults, events = setup.parent, list[Fault](), None
    if settings.events is not None:
        events = _inside(folder, settings.events.file, f"{setup.name} [events] file", faults)
    corrections = _corrections(folder, settings, setup.name, faults)
    if faults:
        raise UnusableRun(faults)
    name = folder.resolve().name
    return RunFiles(adapt(settings), setup, log, events, name, corrections=corrections)


def _corrections(folder: Path, setup: Setup, file: str, faults: list[Fault]) -> Path | None:
    named = _corrections_named(setup)
    if named is None:
        return None
    return _inside(folder, named, f"{file} [sensors] corrections", faults)


def corrections_beside(setup: Setup, setup_path: Path) -> tuple[str, str] | None:
    """The sensors' corrections a set-up names, for a run folder that is still to be made.

    Returns
    -------
    tuple or None
        Their name in the folder and their text; None where the set-up names none.

    Raises
    ------
    UnusableRun
        Where the file is missing, lies outside the set-up's folder, or cannot be read.
    """
    named, faults = _corrections_named(setup), list[Fault]()
    found = _corrections(setup_path.parent, setup, setup_path.name, faults)
    if faults:
        raise UnusableRun(faults)
    if named is None or found is None:
        return None
    return PureWindowsPath(named).as_posix(), read_text(found)


def _inside(folder: Path, name: str, where: str, faults: list[Fault]) -> Path | None:
    """A file of the folder by the name run.toml gives it; a fault where it is not one."""
    windows = PureWindowsPath(name)
    outside = Fault(
        where,
        f"{name[:80]!r}, a path that leads out of the run folder",
        "a file in the run folder",
        "copy the file into the folder and write its name",
    )
    if windows.is_absolute() or windows.drive or windows.root or ".." in windows.parts:
        faults.append(outside)
        return None
    try:
        path = (folder / windows.as_posix()).resolve()
        if not path.is_relative_to(folder.resolve()):
            faults.append(outside)
            return None
        if path.is_file():
            return folder / windows.as_posix()
    # a name this system cannot have, or (before Python 3.13) links that lead to each other
    except (OSError, ValueError, RuntimeError):
        pass
    faults.append(
        Fault(where, f"no file {name[:80]!r}", "a file in the run folder", _nearby(folder))
    )
    return None


def _nearby(folder: Path) -> str:
    names = sorted(each.name for each in folder.iterdir() if each.is_file())
    others = [name for name in names if name != SETUP_NAME][:8]
    there = f" (there: {', '.join(others)})" if others else ""
    return f"add the file or correct its name{there}"


def run_folders(path: Path) -> list[Path]:
    """The run folders in a folder of run folders, sorted.

    Empty where `path` is itself a run folder, is a file, or holds none.
    """
    if not path.is_dir() or (path / SETUP_NAME).is_file():
        return []
    return sorted(each for each in path.iterdir() if (each / SETUP_NAME).is_file())


def file_sha256(path: Path) -> str:
    """Hex sha256 of a file, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb", buffering=0) as stream:
        while piece := stream.read(_PIECE):
            digest.update(piece)
    return digest.hexdigest()


def read_text(path: Path) -> str:
    """Text of a UTF-8 file.

    Raises
    ------
    UnusableRun
        Where it cannot be read.
    """
    check_regular(path, MAX_TEXT_BYTES, "a UTF-8 text file")
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8"
        raise UnusableRun(
            Fault(str(path), f"no readable text ({reason})", "a UTF-8 text file", "check the file")
        ) from error


def make_folder(folder: Path, access: Access | None = None) -> None:
    """Make a folder with those above it, where they are not there yet.

    Parameters
    ----------
    folder
        The folder.
    access
        Its permissions; as the umask has it where None.

    Raises
    ------
    UnusableRun
        Where it cannot be made.
    """
    try:
        if access is None:
            folder.mkdir(parents=True, exist_ok=True)
        else:
            make_folders(folder, access)
    except OSError as error:
        raise UnusableRun(
            Fault(
                str(folder),
                f"a place that cannot be written ({error.strerror or error})",
                "a folder, or a place for one",
                "correct the path",
            )
        ) from error


def write_text(path: Path, text: str, access: Access | None = None) -> None:
    """Write a UTF-8 text file as a whole or not at all; `access` as `write_whole` takes it.

    Raises
    ------
    UnusableRun
        Where it cannot be written.
    """
    write_whole(
        path, lambda target: target.write_text(text, encoding="utf-8", newline="\n"), access
    )


def write_whole(path: Path, write: Callable[[Path], object], access: Access | None = None) -> None:
    """Let `write` make a file beside `path`, then put it in its place in one step.

    A reader never sees half a file, and a failure leaves what was there before. A link stays and
    what it points to is replaced; a pipe or a device is written into.

    Parameters
    ----------
    path
        The file.
    write
        Writes it, given where; it must not put another file in that place.
    access
        Its permissions; as the umask has it where None.

    Raises
    ------
    UnusableRun
        Where it cannot be written.
    """
    if path.is_dir() or not path.name:
        raise UnusableRun(
            Fault(f"'{path}'", "a folder", "the name of a file", "add a file name to the path")
        )
    part: Path | None = None
    try:
        target = Path(os.path.realpath(path)) if path.is_symlink() else path
        if target.is_symlink():
            raise OSError(errno.ELOOP, os.strerror(errno.ELOOP))
        if target.exists() and not target.is_file():
            _write_into(target, write)
            return
        part = target.with_name(f".{target.stem}-{secrets.token_hex(4)}{target.suffix}")
        # says in the system's words what is wrong with the place
        if access is None:
            part.touch()
        else:
            os.close(create(part, os.O_WRONLY, access))
        write(part)
        part.replace(target)
    except OSError as error:
        raise UnusableRun(
            Fault(
                str(path),
                f"a place that cannot be written ({_reason(error, part, path)})",
                "a folder that exists and may be written to",
                "correct the path",
            )
        ) from error
    finally:
        if part is not None:
            with contextlib.suppress(OSError):  # the fault above is the one to report
                part.unlink(missing_ok=True)


def _write_into(target: Path, write: Callable[[Path], object]) -> None:
    """Write into a pipe or a device: made elsewhere first, as not all writers can do without."""
    with tempfile.TemporaryDirectory(prefix="lukewarm-") as folder:
        part = Path(folder) / f"part{target.suffix}"
        write(part)
        with part.open("rb") as source, target.open("wb") as sink:
            shutil.copyfileobj(source, sink)


def _reason(error: OSError, part: Path | None, path: Path) -> str:
    """Why, without the name of the half-made file, which says nothing to anybody."""
    told = error.strerror or str(error)
    return told if part is None else told.replace(str(part), str(path))
