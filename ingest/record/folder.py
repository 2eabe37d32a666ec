"""The folder a recording goes into: made, found again, and held against a second recorder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ingest.access import make_folders, usual
from ingest.errors import Fault, UnusableRun
from ingest.files import SETUP_NAME, corrections_beside, read_text, write_text
from ingest.record.journal import FOLDER
from ingest.record.ports.can_port import check_bus
from ingest.record.ports.port import check_url
from ingest.record.recover import folder_derivation
from ingest.record.wire.derivation import (
    Derivation,
    complete_setup,
    make_derivation,
    open_derivation,
)
from ingest.sensors.corrections import parse_corrections
from ingest.setup.serial import SerialTable, read_serial, with_ports

if TYPE_CHECKING:
    from filelock import BaseFileLock


def new_folder(setup_path: Path, folder: Path, ports: tuple[str, ...]) -> Derivation:
    """Make a run folder to record into.

    Raises
    ------
    UnusableRun
        Where the set-up is no set-up for recording, the sensors' corrections it names cannot be
        used, or something is there already.
    """
    derivation, text = open_derivation(setup_path, ports)
    _check_urls(derivation)
    corrections = corrections_beside(derivation.setup, setup_path)
    if corrections is not None:
        parse_corrections(corrections[1], corrections[0])
    names = {SETUP_NAME} if corrections is None else {SETUP_NAME, corrections[0].split("/")[0]}
    if folder.exists() and not _holds_nothing_but(names, folder, setup_path):
        raise UnusableRun(
            Fault(
                str(folder),
                "something there already",
                "a new folder",
                "give another name, or go on in this one with --resume",
            )
        )
    try:
        make_folders(folder / FOLDER)
        if corrections is not None:
            make_folders((folder / corrections[0]).parent)
    except OSError as error:
        raise UnusableRun(cannot_write(folder, error)) from error
    if corrections is not None:
        write_text(folder / corrections[0], corrections[1], usual())
    write_text(folder / SETUP_NAME, text, usual())
    return derivation


def known_folder(folder: Path, ports: tuple[str, ...]) -> Derivation:
    """A run folder to go on in; ports given here are written into its run.toml.

    Raises
    ------
    UnusableRun
        Where it is no recorded run.
    """
    if not (folder / FOLDER).is_dir():
        raise UnusableRun(
            Fault(
                str(folder),
                "no recording",
                "a run folder that was recorded",
                "correct the path, or begin a new one with --out",
            )
        )
    derivation = folder_derivation(folder)
    if ports:
        table = with_ports(read_serial(derivation.setup), ports)
        derivation = make_derivation(derivation.setup, SerialTable(port=table.port))
        write_text(
            folder / SETUP_NAME, complete_setup(read_text(folder / SETUP_NAME), derivation), usual()
        )
    _check_urls(derivation)
    return derivation


def hold(lock: BaseFileLock, folder: Path) -> None:
    """Take a run folder's lock.

    Raises
    ------
    UnusableRun
        Where another process records into it, or it cannot be written.
    """
    try:
        lock.acquire(timeout=0)
    except TimeoutError as error:
        raise UnusableRun(
            Fault(
                str(folder),
                "a recording that goes on in another process",
                "a run folder nobody records into",
                "end that one first",
            )
        ) from error
    except OSError as error:
        raise UnusableRun(cannot_write(folder, error)) from error


def cannot_write(folder: Path, error: OSError) -> Fault:
    """The fault of a folder that takes nothing more."""
    return Fault(
        str(folder),
        f"a folder that cannot be written ({error.strerror or error})",
        "a folder with room to record",
        "make room or give another place; what was recorded is kept in its journal",
    )


def _holds_nothing_but(names: set[str], folder: Path, setup_path: Path) -> bool:
    """Whether a folder is empty, or was prepared with the set-up and what that names."""
    if not folder.is_dir():
        return False
    own = folder / SETUP_NAME
    prepared = own.exists() and own.samefile(setup_path)
    return all(prepared and each.name in names for each in folder.iterdir())


def _check_urls(derivation: Derivation) -> None:
    faults: list[Fault] = []
    for port in derivation.ports:
        try:
            if port.url is not None:
                (check_bus if port.format == "can" else check_url)(port.url)
        except UnusableRun as error:
            faults += error.faults
    if faults:
        raise UnusableRun(faults)
