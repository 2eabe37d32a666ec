"""Logs dropped on the page: kept in a temporary folder for a while, analyzed, never stored.

Files lie under names made here, not under the names they came with: those are text. A set-up's
``[log] file`` is the name a browser sent, so the run folder is laid out with exactly the names the
set-up uses, and only where these are plain file names.
"""

from __future__ import annotations

import base64
import binascii
import re
import secrets
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dashboard.plots.readings import Readings
from ingest.errors import Fault, LukewarmError, UnusableRun

if TYPE_CHECKING:
    from analysis.pipeline import Analysis
    from dashboard.web.source import Source

MAX_FILES: Final = 6
MAX_BYTES: Final = 64 * 2**20
"""Of all files of one upload together."""

MAX_SETUP: Final = 256 * 1024
"""Bytes of a run.toml."""

MAX_KEPT: Final = 12
"""Uploads kept; older ones are forgotten."""

SETUP_NAME: Final = "run.toml"

PLAIN_NAME: Final = re.compile(r"[\w][\w .,()+\-#%&=@\[\]]{0,119}", re.UNICODE)
RESERVED: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
"""Names that mean devices on Windows."""


@dataclass
class Upload:
    """Files of one visit.

    Parameters
    ----------
    folder
        Temporary run folder.
    log
        Name of the log in it, where there is no set-up yet.
    analysis
        What was made of it.
    """

    folder: tempfile.TemporaryDirectory[str]
    log: str | None = None
    analysis: Analysis | None = None
    document: dict[str, Any] | None = None
    readings: Readings | None = None


class Uploads:
    """The uploads of all visitors; a token says which is meant.

    Parameters
    ----------
    source
        Its limits hold for uploads too.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._held: OrderedDict[str, Upload] = OrderedDict()
        self._lock = threading.Lock()

    def receive(self, files: Mapping[str, bytes]) -> str:
        """Keep the files of one visit under a new token.

        Raises
        ------
        UnusableRun
            Where a name is no plain file name, or the files are not a log or a run folder's.
        """
        check_files(files)
        logs = [name for name in files if name != SETUP_NAME]
        if SETUP_NAME not in files and len(logs) != 1:
            raise UnusableRun(
                Fault(
                    f"{len(logs)} files without {SETUP_NAME}",
                    ", ".join(repr(name) for name in sorted(logs)[:4]),
                    f"one log, or the files of a run folder with its {SETUP_NAME}",
                    "drop them together",
                )
            )
        upload = Upload(
            tempfile.TemporaryDirectory(prefix="lukewarm-", ignore_cleanup_errors=True),
            None if SETUP_NAME in files else logs[0],
        )
        for name, data in files.items():
            (Path(upload.folder.name) / name).write_bytes(data)
        token = f"u-{secrets.token_hex(16)}"
        with self._lock:
            self._held[token] = upload
            while len(self._held) > MAX_KEPT:
                _, old = self._held.popitem(last=False)
                old.folder.cleanup()
        return token

    def draft(self, token: str) -> str | None:
        """A drafted set-up for a log that came alone; None where it has one or is not there.

        Raises
        ------
        UnusableRun
            Where the log cannot be read.
        """
        from ingest.draft.draft import draft_setup

        upload = self._held.get(token)
        if upload is None or upload.log is None:
            return None
        return draft_setup(Path(upload.folder.name) / upload.log).text

    def analyze(self, token: str, setup: str | None = None) -> None:
        """Analyze an upload with its own set-up or the one given.

        Raises
        ------
        UnusableRun
            Where the token is unknown or the data cannot be used.
        """
        from analysis.pipeline import judge_measured, measure
        from analysis.result import document
        from ingest.load.load import load_run

        upload = self._held.get(token)
        if upload is None:
            raise UnusableRun(
                Fault("upload", "nothing any more", "a recent upload", "drop the files again")
            )
        folder = Path(upload.folder.name)
        if setup is not None:
            if len(setup.encode("utf-8", "replace")) > MAX_SETUP:
                raise UnusableRun(_too_long(SETUP_NAME, MAX_SETUP))
            (folder / SETUP_NAME).write_text(setup, encoding="utf-8", errors="replace")
        try:
            run = load_run(folder)
        except LukewarmError as error:
            raise _without_folder(error, folder) from error
        run = run.with_(name=run.setup.log.file)
        analysis = judge_measured(measure(run), **self._source.judging())
        upload.document = document(analysis)
        upload.readings = Readings.of(run)
        upload.analysis = analysis

    def document(self, token: str) -> dict[str, Any] | None:
        """The result of an upload."""
        upload = self._held.get(token)
        return upload.document if upload else None

    def readings(self, token: str) -> Readings | None:
        """The readings of an upload."""
        upload = self._held.get(token)
        return upload.readings if upload else None

    def analysis(self, token: str) -> Analysis | None:
        """What was made of an upload."""
        upload = self._held.get(token)
        return upload.analysis if upload else None

    def close(self) -> None:
        """Remove everything."""
        with self._lock:
            for upload in self._held.values():
                upload.folder.cleanup()
            self._held.clear()


def decode(names: Sequence[str], contents: Sequence[str]) -> dict[str, bytes]:
    """Files as a browser's drop gives them: ``data:...;base64,...``.

    Raises
    ------
    UnusableRun
        Where a text is none of that kind or all are too long together.
    """
    if len(names) != len(contents) or sum(map(len, contents)) > MAX_BYTES * 4 // 3 + 4096:
        raise UnusableRun(_too_long("upload", MAX_BYTES))
    files = {}
    for name, text in zip(names, contents, strict=True):
        try:
            files[str(name)] = base64.b64decode(text.partition(",")[2], validate=True)
        except (binascii.Error, ValueError) as error:
            raise UnusableRun(
                Fault(repr(name)[:80], "no file", "a file as browsers send it", "try again")
            ) from error
    return files


def check_files(files: Mapping[str, bytes]) -> None:
    """Refuse too many or too large files and names that are not plain.

    Raises
    ------
    UnusableRun
        With one fault for each.
    """
    faults = []
    if not 1 <= len(files) <= MAX_FILES:
        faults.append(
            Fault("upload", f"{len(files)} files", f"1 to {MAX_FILES}", "drop one run at a time")
        )
    if sum(map(len, files.values())) > MAX_BYTES:
        faults.append(_too_long("upload", MAX_BYTES))
    if len(files.get(SETUP_NAME, b"")) > MAX_SETUP:
        faults.append(_too_long(SETUP_NAME, MAX_SETUP))
    for name, data in files.items():
        if not PLAIN_NAME.fullmatch(name) or RESERVED.fullmatch(name) or name.endswith((".", " ")):
            faults.append(
                Fault(repr(name)[:80], "a name with odd characters", "a plain file name", "rename")
            )
        elif data.startswith((b"PK\x03\x04", b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf")):
            faults.append(
                Fault(repr(name)[:80], "a packed file", "the log itself", "unpack it first")
            )
    if faults:
        raise UnusableRun(faults)


def _too_long(where: str, most: int) -> Fault:
    size = f"{most // 2**20} MiB" if most >= 2**20 else f"{most // 1024} KiB"
    return Fault(where, f"more than {size}", f"{size} or less", "use the command line for it")


def _without_folder(error: LukewarmError, folder: Path) -> UnusableRun:
    """The same faults without where the temporary folder lies."""
    if not isinstance(error, UnusableRun):
        return UnusableRun(Fault("upload", str(error), "a usable log", "check the files"))
    hidden = (str(folder.resolve()), str(folder))

    def plain(text: str) -> str:
        for path in hidden:
            text = text.replace(path + "/", "").replace(path + "\\", "").replace(path, "upload")
        return text

    return UnusableRun(
        Fault(plain(each.where), plain(each.found), plain(each.expected), plain(each.remedy))
        for each in error.faults
    )
