"""Serial ports: which there are, which one is meant, and how it is opened.

Whatever `serial.serial_for_url` takes is a port: ``COM5``, ``/dev/ttyUSB0``,
``socket://host:port``, ``rfc2217://host:port``, ``loop://``.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

from ingest.errors import Fault, LostPort, UnusableRun
from ingest.record.ports.trouble import take_exclusively, why_not_open
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.serial import PortTable

READ_WAIT_S: Final = 0.2
"""Longest wait for a byte before a reader looks whether it is to stop."""


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A port of this computer."""

    url: str
    description: str
    usb: str | None
    serial_number: str | None
    maker: str | None


def list_ports() -> list[FoundPort]:
    """The ports of this computer, in the order of their names."""
    from serial.tools.list_ports import comports

    return sorted((_found(each) for each in comports()), key=lambda each: each.url)


def _found(info: Any) -> FoundPort:
    known = info.vid is not None and info.pid is not None
    description = "" if info.description in (None, "n/a") else str(info.description)
    return FoundPort(
        str(info.device),
        description,
        f"{info.vid:04x}:{info.pid:04x}" if known else None,
        info.serial_number,
        info.manufacturer,
    )


def resolve(table: PortTable, there: Iterable[FoundPort] | None = None) -> str:
    """The URL of the port that a table means.

    A port is looked for by USB id, serial number and description each time it is opened: after a
    plug was pulled it may come back under another name.

    Parameters
    ----------
    table
        What is known of it.
    there
        The ports there are; those of this computer where not given.

    Raises
    ------
    LostPort
        Where there is none, or more than one that it may be.
    """
    if table.url is not None:
        return table.url
    there = list_ports() if there is None else list(there)
    found = [port for port in there if _fits(table, port)]
    wanted = {
        "USB id": table.usb,
        "serial number": table.serial_number,
        "description": table.description,
    }
    said = ", ".join(f"{what} {asked}" for what, asked in wanted.items() if asked)
    if len(found) == 1:
        return found[0].url
    if not found:
        raise LostPort(f"no port with {said}; `lukewarm ports` lists what is there")
    names = ", ".join(port.url for port in found)
    raise LostPort(f"several ports with {said} ({names}); give the serial number or the name")


def _fits(table: PortTable, port: FoundPort) -> bool:
    """Whether a port is what a table asks for."""
    exactly = ((table.usb, port.usb), (table.serial_number, port.serial_number))
    return all(
        asked is None or asked.lower() == (own or "").lower() for asked, own in exactly
    ) and ((table.description or "").lower() in port.description.lower())


def open_port(table: PortTable, url: str) -> Any:
    """Open a port with a table's settings.

    Parameters
    ----------
    table
        Its settings.
    url
        Where it is.

    Returns
    -------
    serial.SerialBase
        The open port.

    Raises
    ------
    LostPort
        Where it cannot be opened; that may pass.
    UnusableRun
        Where nothing could ever be opened under this URL.
    """
    port = _unopened(url)
    try:
        port.baudrate = table.baud
        port.bytesize = table.bytesize
        port.parity = table.parity
        port.stopbits = table.stopbits
        port.rtscts = table.flow == "rtscts"
        port.xonxoff = table.flow == "xonxoff"
        port.dsrdtr = table.flow == "dsrdtr"
        port.timeout = table.timeout if table.format == "query" else READ_WAIT_S
        if not url.startswith("rfc2217://"):  # which knows no such thing
            port.write_timeout = table.timeout
        if hasattr(port, "exclusive") and os.name == "posix":
            port.exclusive = True
        _open_without_loss(port)
    except (OSError, ValueError, NotImplementedError) as error:
        raise LostPort(why_not_open(url, error)) from error
    take_exclusively(port, url)
    return port


def _open_without_loss(port: Any) -> None:
    """Open a port and keep what waits there: it was sent to be recorded.

    pyserial empties the input when it opens; on POSIX by the second of these names, else by the
    first. Windows' own driver is emptied all the same.
    """
    names = [each for each in ("reset_input_buffer", "_reset_input_buffer") if hasattr(port, each)]
    for name in names:
        setattr(port, name, lambda: None)
    try:
        port.open()
    finally:
        for name in names:
            delattr(port, name)


def _unopened(url: str) -> Any:
    import serial

    try:
        return serial.serial_for_url(url, do_not_open=True)
    except (ValueError, ImportError) as error:
        raise UnusableRun(
            Fault(
                f"port {url!r}",
                f"no port ({error})",
                "a port such as COM5, /dev/ttyUSB0 or socket://127.0.0.1:4000",
                "correct it; `lukewarm ports` lists what is there",
            )
        ) from error


def check_url(url: str) -> None:
    """Refuse what can never be a port.

    Raises
    ------
    UnusableRun
        Where its scheme or its options are unknown.
    """
    _unopened(url)


def reason_of(error: BaseException) -> str:
    """What an error of a port says, in one short line."""
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 160 else text[:157] + "..."


def write_line(port: Any, text: str, end: str) -> None:
    """Send a line.

    Raises
    ------
    OSError
        Where it cannot be sent.
    """
    port.write((text + end).encode("ascii", errors="replace"))
    port.flush()
