"""Run folders that lie elsewhere, on any URL that fsspec reads: ``s3://``, ``file://``, ``zip://``.

Never more than one run is fetched at a time, of it only the files it names, and they are gone again
when it is done. Of an archive on object storage only the parts that hold them are read.
"""

from __future__ import annotations

import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, Final

from ingest.errors import Fault, UnusableRun
from ingest.files import JOURNAL, SETUP_NAME
from ingest.values import dataclass

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem

BESIDE: Final = ("checks.csv",)
"""What a run folder holds that its run.toml does not name: the check sheet."""

EXTRA: Final = "pip install 'lukewarm[remote]'"


@dataclass(frozen=True, slots=True)
class RemoteRun:
    """A run folder, or a log, on a URL.

    Parameters
    ----------
    url
        As fsspec reads it, chained ones (``zip://SC-014::s3://logs/2026.zip``) too.
    """

    url: str

    @property
    def name(self) -> str:
        """The folder's name."""
        return PurePosixPath(self.url.partition("::")[0]).name or "run"

    @property
    def path(self) -> Path:
        """A path with the same last parts, after which files made from the run are named."""
        return Path(self.url.partition("::")[0].partition("://")[2])

    def __str__(self) -> str:
        return self.url


Place = Path | RemoteRun
"""Where a run lies."""


def place_of(text: str) -> Place:
    """The place a text names."""
    return RemoteRun(text) if is_url(text) else Path(text)


def is_url(text: str) -> bool:
    """Whether a text is a URL and not a path of this machine."""
    return "://" in text


def remote_runs(url: str) -> list[RemoteRun]:
    """Run folders meant by a URL: a pattern is expanded, a folder of runs gives its runs.

    Raises
    ------
    UnusableRun
        Where nothing on this machine reads such a URL, or it cannot be listed.
    """
    files, path = _opened(url)
    head, chain, rest = url.partition("::")
    scheme = head.partition("://")[0]
    try:
        if files.isfile(f"{path}/{SETUP_NAME}"):
            return [RemoteRun(url)]
        marked = any(mark in path for mark in "*?[")
        found = files.glob(f"{path}/{SETUP_NAME}" if marked else f"{path}/*/{SETUP_NAME}")
    except Exception as error:  # every file system has errors of its own
        raise _unreadable(url, error) from error
    folders = sorted(str(PurePosixPath(each).parent) for each in found)
    return [RemoteRun(f"{scheme}://{each}{chain}{rest}") for each in folders] or [RemoteRun(url)]


@contextmanager
def at_hand(place: Place, setup: Path | None = None) -> Iterator[Path]:
    """A run's files on this machine while they are needed.

    Parameters
    ----------
    place
        Where the run lies; a path is given as it is.
    setup
        The run.toml of a log without a folder, on this machine.

    Raises
    ------
    UnusableRun
        Where they cannot be fetched.
    """
    if isinstance(place, Path):
        yield place
        return
    with tempfile.TemporaryDirectory(prefix="lukewarm-") as folder:
        local = Path(folder) / place.name
        files, path = _opened(place.url)
        try:
            _fetch(files, path, local, setup)
        except Exception as error:  # every file system has errors of its own
            raise _unreadable(place.url, error) from error
        yield local


def _opened(url: str) -> tuple[AbstractFileSystem, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise UnusableRun(Fault(url, "a URL, and no package `fsspec`", "it", EXTRA)) from error
    try:
        files, path = url_to_fs(url)
    except ImportError as error:
        raise UnusableRun(
            Fault(url, f"a URL nothing here reads ({error})", "the package that does", EXTRA)
        ) from error
    except Exception as error:  # an archive is opened at once, and may not be there
        raise _unreadable(url, error) from error
    return files, str(path).rstrip("/")


def _fetch(files: AbstractFileSystem, path: str, local: Path, setup: Path | None) -> None:
    if setup is not None and not files.isfile(f"{path}/{SETUP_NAME}") and files.isfile(path):
        files.get_file(path, str(local))
        return
    local.mkdir()
    files.get_file(f"{path}/{SETUP_NAME}", str(local / SETUP_NAME))
    for name in _named(setup or local / SETUP_NAME):
        # what is missing or leads out of the folder is said by who looks for it
        if files.isfile(f"{path}/{name}"):
            (local / name).parent.mkdir(parents=True, exist_ok=True)
            files.get_file(f"{path}/{name}", str(local / name))
    if files.isdir(f"{path}/{JOURNAL}"):  # of a recording
        files.get(f"{path}/{JOURNAL}/", f"{local / JOURNAL}/", recursive=True)


def _named(setup: Path) -> list[str]:
    """Files that a set-up names, inside its folder; none where it cannot be read."""
    try:
        told: dict[str, Any] = tomllib.loads(setup.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return []
    tables = [told.get(table) for table in ("log", "events")]
    names = [each.get("file") for each in tables if isinstance(each, dict)]
    plain = [name.replace("\\", "/") for name in names if isinstance(name, str)]
    inside = [
        name
        for name in plain
        if not PurePosixPath(name).is_absolute()
        and ".." not in PurePosixPath(name).parts
        and ":" not in name
    ]
    return [*inside, *BESIDE]


def _unreadable(url: str, error: Exception) -> UnusableRun:
    told = (str(error).splitlines() or [""])[0]
    return UnusableRun(
        Fault(
            url,
            f"nothing that can be read ({type(error).__name__}: {told})",
            "a run folder",
            "check the URL and what its service wants to know of you",
        )
    )
