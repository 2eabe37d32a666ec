"""Logs dropped on the page: kept in a temporary folder for a while, analyzed, never stored.

Files lie under names made here, not under the names they came with: those are text. A set-up's
``[log] file`` is the name a browser sent, so the run folder is laid out with exactly the names the
set-up uses, and only where these are plain file names.
"""

from __future__ import annotations

import base64
import binascii
import pickle
import re
import secrets
import tempfile
import threading
from collections import Counter, OrderedDict
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from dashboard.web import workshop
from dashboard.web.workshop import Workshop
from ingest.access import SAYINGS, make_folders, write
from ingest.check_sheet import Checked, note_check, read_sheet
from ingest.errors import Fault, UnusableRun
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.pipeline import Analysis
    from dashboard.plots.readings import Readings
    from dashboard.web.source import Source

MAX_FILES: Final = 6
MAX_BYTES: Final = 64 * 2**20
"""Of all files of one upload together."""

MAX_SETUP: Final = 256 * 1024
"""Bytes of a run.toml."""

MAX_KEPT_EACH: Final = 12
"""Uploads of one visitor that are kept; older ones are forgotten."""

MAX_KEPT: Final = 96
MAX_KEPT_BYTES: Final = 2 * 2**30
"""Of all visitors; beyond it, of who holds most the oldest goes."""

MAX_WORKING_EACH: Final = 3
MAX_WORKING: Final = 6
"""Uploads worked on or waiting for it at a time."""

MAX_LOADED: Final = 2
"""Results held in memory."""

SETUP_NAME: Final = "run.toml"

PRIVATE: Final = SAYINGS["private"]
PLAIN_NAME: Final = re.compile(r"[\w][\w .,()+\-#%&=@\[\]]{0,119}", re.UNICODE)
RESERVED: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
"""Names that mean devices on Windows."""

UNKNOWN_PACKING: Final = (b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf")
"""How archives begin that nobody unpacks here; gzip and zip are unpacked where they are worked on,
within bounds."""

DESCRIBES: Final = ".dbc"
"""Ending of what may lie beside a log without a set-up: it describes the log's bus."""

Made = TypeVar("Made")


@dataclass(frozen=True)
class Visitor:
    """Who sent something: an address, and the session where there are sessions."""

    address: str = ""
    session: str = ""


@dataclass
class Upload:
    """Files of one visit.

    Parameters
    ----------
    place
        Temporary folder; the run folder and what was made of it lie in it.
    size
        Of its files, bytes.
    visitor
        Who sent them.
    log
        Name of the log in it, where there is no set-up yet.
    """

    place: tempfile.TemporaryDirectory[str]
    size: int
    visitor: Visitor
    log: str | None = None

    @property
    def folder(self) -> Path:
        """The run folder."""
        return Path(self.place.name) / "run"

    @property
    def result(self) -> Path:
        """What was made of it."""
        return Path(self.place.name) / "result"


class Uploads:
    """The uploads of all visitors; a token says which is meant.

    Parameters
    ----------
    source
        Its limits hold for uploads too.
    works
        Where they are worked on; one of their own where None.
    """

    def __init__(self, source: Source, works: Workshop | None = None) -> None:
        self._source = source
        self._workshop = works or Workshop()
        self._held: OrderedDict[str, Upload] = OrderedDict()
        self._working: Counter[Visitor] = Counter()
        self._lock = threading.Lock()
        self._loaded = lru_cache(maxsize=MAX_LOADED)(_load)

    def warm(self) -> None:
        """Make ready for the first upload."""
        self._workshop.warm()

    def receive(self, files: Mapping[str, bytes], visitor: Visitor | None = None) -> str:
        """Keep the files of one visit under a new token.

        Raises
        ------
        UnusableRun
            Where a name is no plain file name, or the files are not a log or a run folder's.
        """
        visitor = visitor or Visitor()
        check_files(files)
        logs = [
            name for name in files if name != SETUP_NAME and not name.lower().endswith(DESCRIBES)
        ]
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
            sum(map(len, files.values())),
            visitor,
            None if SETUP_NAME in files else logs[0],
        )
        make_folders(upload.folder, PRIVATE)
        for name, data in files.items():
            write(upload.folder / name, data, PRIVATE)
        token = f"u-{secrets.token_hex(16)}"
        with self._lock:
            self._held[token] = upload
            self._make_room(visitor)
        return token

    def _make_room(self, visitor: Visitor) -> None:
        """Forget old uploads: a visitor's own first, then of who holds most."""
        own = [token for token, each in self._held.items() if each.visitor == visitor]
        for token in own[: max(0, len(own) - MAX_KEPT_EACH)]:
            self._drop(token)
        while len(self._held) > MAX_KEPT or self._size() > MAX_KEPT_BYTES:
            addresses = Counter(each.visitor.address for each in self._held.values())
            most = addresses.most_common(1)[0][0]
            there = [each.visitor for each in self._held.values() if each.visitor.address == most]
            whose = Counter(there).most_common(1)[0][0]
            self._drop(next(token for token, each in self._held.items() if each.visitor == whose))

    def _size(self) -> int:
        return sum(each.size for each in self._held.values())

    def _drop(self, token: str) -> None:
        self._held.pop(token).place.cleanup()

    def forget(self, token: str) -> None:
        """Remove an upload of which nothing came."""
        with self._lock:
            if token in self._held:
                self._drop(token)

    def draft(self, token: str) -> str | None:
        """A drafted set-up for a log that came alone; None where it has one or is not there.

        Raises
        ------
        UnusableRun
            Where the log cannot be read.
        """
        upload = self._held.get(token)
        if upload is None or upload.log is None:
            return None
        return self._work(upload, workshop.draft, upload.folder / upload.log)

    def analyze(self, token: str, setup: str | None = None) -> None:
        """Analyze an upload with its own set-up or the one given.

        Raises
        ------
        UnusableRun
            Where the token is unknown or the data cannot be used.
        """
        upload = self._held.get(token)
        if upload is None:
            raise UnusableRun(
                Fault("upload", "nothing any more", "a recent upload", "drop the files again")
            )
        if setup is not None:
            text = setup.encode("utf-8", "replace")
            if len(text) > MAX_SETUP:
                raise UnusableRun(_too_long(SETUP_NAME, MAX_SETUP))
            write(upload.folder / SETUP_NAME, text, PRIVATE)
        judging = self._source.judging()
        self._work(upload, workshop.analyze, upload.folder, upload.result, judging)

    def sheet(self, token: str) -> list[Checked]:
        """Lines of an upload's check sheet, oldest first."""
        upload = self._held.get(token)
        return read_sheet(upload.folder) if upload is not None else []

    def note(self, token: str, check: str, remark: str, *, found: bool) -> None:
        """Note a check on an upload's sheet and analyze it again.

        Raises
        ------
        UnusableRun
            As `analyze` does, and where the sheet cannot be written.
        """
        upload = self._held.get(token)
        if upload is not None:
            now = datetime.now().astimezone()
            note_check(upload.folder, check, remark, now, found=found)
        self.analyze(token)

    def _work(self, upload: Upload, task: Callable[..., Made], *given: Any) -> Made:
        """Have a task done, where not too many are under way."""
        whose = upload.visitor
        with self._lock:
            own, all_there = self._working[whose], self._working.total()
            if own >= MAX_WORKING_EACH or all_there >= MAX_WORKING:
                raise UnusableRun(
                    Fault(
                        "upload",
                        f"{own if own >= MAX_WORKING_EACH else all_there} logs being worked on",
                        "one at a time",
                        "wait a moment, then drop it again",
                    )
                )
            self._working[whose] += 1
        try:
            return self._workshop.run(task, *given, mib=upload.size / 2**20)
        except UnusableRun as error:
            raise _without_folder(error, upload.folder) from error
        finally:
            with self._lock:
                self._working[whose] -= 1
                if not self._working[whose]:
                    del self._working[whose]

    def _made(self, token: str) -> Any:
        upload = self._held.get(token)
        if upload is None or not upload.result.is_file():
            return None, None, None
        return self._loaded(upload.result, upload.result.stat().st_mtime_ns)

    def document(self, token: str) -> dict[str, Any] | None:
        """The result of an upload."""
        return self._made(token)[0]  # type: ignore[no-any-return]  # as `workshop.analyze` wrote it

    def readings(self, token: str) -> Readings | None:
        """The readings of an upload."""
        return self._made(token)[1]  # type: ignore[no-any-return]

    def analysis(self, token: str) -> Analysis | None:
        """What was made of an upload."""
        return self._made(token)[2]  # type: ignore[no-any-return]

    def close(self) -> None:
        """Remove everything."""
        self._workshop.close()
        with self._lock:
            for token in list(self._held):
                self._drop(token)


def _load(path: Path, written: int) -> Any:
    """What `workshop.analyze` wrote; `written` tells one from the next under the same name."""
    del written
    return pickle.loads(path.read_bytes())  # noqa: S301 - of a process of ours, in our own folder


def decode(names: Sequence[str], contents: Sequence[str]) -> dict[str, bytes]:
    """Files as a browser's drop gives them: ``data:...;base64,...``.

    Raises
    ------
    UnusableRun
        Where they are none of that kind or all are too long together.
    """
    if not _texts(names) or not _texts(contents) or len(names) != len(contents):
        raise UnusableRun(_no_file("upload"))
    if sum(map(len, contents)) > MAX_BYTES * 4 // 3 + 4096:
        raise UnusableRun(_too_long("upload", MAX_BYTES))
    files = {}
    for name, text in zip(names, contents, strict=True):
        try:
            files[name] = base64.b64decode(text.partition(",")[2], validate=True)
        except (binascii.Error, ValueError) as error:
            raise UnusableRun(_no_file(repr(name)[:80])) from error
    return files


def _texts(found: object) -> bool:
    return isinstance(found, list | tuple) and all(isinstance(each, str) for each in found)


def _no_file(where: str) -> Fault:
    return Fault(where, "no file", "a file as browsers send it", "try again")


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
        elif data.startswith(UNKNOWN_PACKING):
            faults.append(
                Fault(
                    repr(name)[:80],
                    "a packed file of another kind",
                    "the log itself, or one in .gz or .zip",
                    "unpack it first",
                )
            )
    if faults:
        raise UnusableRun(faults)


def _too_long(where: str, most: int) -> Fault:
    size = f"{most // 2**20} MiB" if most >= 2**20 else f"{most // 1024} KiB"
    return Fault(where, f"more than {size}", f"{size} or less", "use the command line for it")


def _without_folder(error: UnusableRun, folder: Path) -> UnusableRun:
    """The same faults without where the temporary folder lies."""
    hidden = (str(folder.resolve()), str(folder))

    def plain(text: str) -> str:
        for path in hidden:
            text = text.replace(path + "/", "").replace(path + "\\", "").replace(path, "upload")
        return text

    return UnusableRun(
        Fault(plain(each.where), plain(each.found), plain(each.expected), plain(each.remedy))
        for each in error.faults
    )
