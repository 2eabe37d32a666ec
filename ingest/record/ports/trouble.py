"""What is wrong with a port, each fault in a sentence of its own, and one recorder a port.

A port is claimed with a lock of this user's machine, beside the system's own exclusive opening,
which sockets do not have.
"""

from __future__ import annotations

import errno
import hashlib
import os
import socket
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from ingest.errors import LostPort
from ingest.record.wire.count import PortCounters

if TYPE_CHECKING:
    from filelock import BaseFileLock

SILENT_S: Final = 4.0
"""An open port that has given nothing for so long is said to be silent."""

USUAL_SPEEDS: Final = (9600, 19200, 38400, 57600, 115200)
FEWEST_LINES: Final = 5
FEWEST_BYTES: Final = 200
UNREADABLE: Final = 0.5
"""Share of lines that are no text from which on the speed is doubted."""

NETWORK: Final = ("socket://", "rfc2217://")
SHARED: Final = ("loop://", "spy://", "alt://", "hwgrep://")


def claim(url: str) -> BaseFileLock | None:
    """Claim a port for this process; None for what cannot be claimed.

    Raises
    ------
    LostPort
        Where another recorder has it.
    """
    from filelock import FileLock

    if url.startswith(SHARED):
        return None
    name = url if url.startswith(NETWORK) else os.path.realpath(url)
    digest = hashlib.blake2b(name.encode(), digest_size=8).hexdigest()
    lock = FileLock(Path(tempfile.gettempdir()) / f"lukewarm-port-{digest}.lock", mode=0o666)
    try:
        lock.acquire(timeout=0)
    except TimeoutError as error:
        raise LostPort(f"{url} is in use by another recorder; end that one first") from error
    except OSError:
        return None  # no place for locks: the system's own exclusive opening is left
    return lock


def take_exclusively(port: Any, url: str) -> None:
    """Let nobody else open a serial device while it is open here, where the system can."""
    if os.name != "posix" or "://" in url or url.startswith("/dev/pts/"):
        return
    import fcntl
    import termios

    try:
        fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
    except (OSError, AttributeError):
        return


def why_not_open(url: str, error: BaseException) -> str:
    """Why a port cannot be opened, and what to do."""
    if url.startswith(NETWORK):
        return _why_no_connection(url, error)
    number = _number(error)
    text = str(error).lower()
    if number == errno.ENOENT or "filenotfounderror" in text:
        return f"there is no port {url}; `lukewarm ports` lists what is there{_near()}"
    if "exclusively lock" in text or number == errno.EBUSY or "access is denied" in text:
        return f"{url} is in use by another program; close that one"
    if number in (errno.EACCES, errno.EPERM):
        return f"there is no permission to open {url}{_group_of(url)}"
    if number in (errno.ENOTTY, errno.EINVAL, errno.EISDIR) or "could not configure" in text:
        return f"{url} is no serial port"
    return f"{url} cannot be opened: {' '.join(str(error).split())[:120]}"


def why_doubtful(
    url: str | None, baud: int, counters: PortCounters, open_s: float, silent_s: float
) -> str:
    """What is odd about a port that is open; empty where nothing is.

    Parameters
    ----------
    url, baud
        The port and its speed.
    counters
        What came over it.
    open_s, silent_s
        Since it was opened, and since the last byte, s.
    """
    url = url or ""
    if silent_s >= SILENT_S and open_s >= SILENT_S:
        if url.startswith(NETWORK):
            return (
                f"{url} is connected and silent for {silent_s:.0f} s: is the device at its other "
                "end switched on and set to send?"
            )
        return (
            f"{url} is open and silent for {silent_s:.0f} s: is the logger switched on, is this "
            "its port, does it wait for a command?"
        )
    bad = counters.garbage + counters.half_lines
    many = counters.lines >= FEWEST_LINES and bad > UNREADABLE * counters.lines
    endless = counters.bytes >= FEWEST_BYTES and counters.lines == 0
    if (many or endless) and not url.startswith(NETWORK):
        others = ", ".join(str(each) for each in USUAL_SPEEDS if each != baud)
        return (
            f"most of what comes from {url} cannot be read at {baud} baud: try `baud` = {others} "
            "in [serial]"
        )
    return ""


def _number(error: BaseException) -> int | None:
    """The system's error number, where it or what caused it has one."""
    for each in (error, error.__cause__, error.__context__):
        number = getattr(each, "errno", None)
        if isinstance(number, int):
            return number
    return None


def _why_no_connection(url: str, error: BaseException) -> str:
    place = urlsplit(url)
    where = f"{place.hostname}:{place.port}"
    causes = (error, error.__cause__, error.__context__)
    text = str(error).lower()
    if any(isinstance(each, socket.gaierror) for each in causes) or "name or service" in text:
        return f"no machine is called {place.hostname}; check the name or give its number"
    if any(isinstance(each, ConnectionRefusedError) for each in causes) or "refused" in text:
        return (
            f"nothing listens at {where}: is the serial server running, is the port number right?"
        )
    if any(isinstance(each, TimeoutError) for each in causes) or "timed out" in text:
        return f"{where} does not answer: is the machine on, and in the same network?"
    if "unreachable" in text or "no route" in text:
        return f"{where} cannot be reached: is this machine in the same network?"
    return f"{url} cannot be opened: {' '.join(str(error).split())[:120]}"


def _near() -> str:
    from serial.tools.list_ports import comports

    there = sorted(str(each.device) for each in comports())
    return f" ({', '.join(there[:4])})" if there else " (none now)"


def _group_of(url: str) -> str:
    if os.name != "posix":
        return ""
    import grp

    try:
        name = grp.getgrgid(Path(url).stat().st_gid).gr_name
    except (OSError, KeyError):
        return ""
    return f": it belongs to the group {name}; `sudo usermod -aG {name} $USER`, then log in again"
