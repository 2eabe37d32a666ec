"""A car's own bus as a port, through python-can, which is an extra (``can``).

Whatever interface python-can knows is a port: ``can:socketcan:can0``, ``can:pcan:PCAN_USBBUS1``,
``can:slcan:COM5``. What is sent on it are the reading requests of `ingest.bus.frames`, and
nothing else: `ReadingBus` has no other way to send.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any, Final

from ingest.bus.frames import ANSWER_IDS, REQUEST_ID, request
from ingest.errors import Fault, LostPort, UnusableRun
from ingest.record.ports.port import reason_of
from ingest.setup.serial import BUS_SCHEME

if TYPE_CHECKING:
    from types import ModuleType

    from ingest.setup.serial import PortTable

FILTER_MASK: Final = 0x7F8
"""7E8 to 7EF differ in their last three bits."""
MOST_WAITING: Final = 100_000
"""Frames passed over at a time; a bus that never falls silent must not hold up a round."""
BUS_OFF: Final = 0x40
"""Class of an error frame that says so (Linux, linux/can/error.h)."""


class BusOff(OSError):  # noqa: N818 - a state of the bus, named as ISO 11898-1 does
    """The controller has left the bus after too many errors (ISO 11898-1)."""


class ReadingBus:
    """A bus that is asked for values of now, and never sent anything else.

    Parameters
    ----------
    bus
        Of python-can.
    """

    def __init__(self, bus: Any) -> None:
        self._bus = bus

    def ask(self, value: int) -> None:
        """Ask all control units for a value.

        Raises
        ------
        ValueError
            Where it is none that may be asked.
        BusOff
            Where the controller has left the bus.
        Exception
            Whatever else the interface throws where it is gone.
        """
        from can import Message

        frame = request(value)
        self._look_at_state()
        self._bus.send(
            Message(arbitration_id=REQUEST_ID, is_extended_id=False, data=frame), timeout=1.0
        )

    def hear(self, longest_s: float) -> tuple[int, bytes] | None:
        """The next frame that a control unit answers with: its identifier and its data.

        Gives None where none came in time, or what came was no answer.

        Raises
        ------
        BusOff
            Where the controller has left the bus.
        Exception
            Whatever else the interface throws where it is gone.
        """
        message = self._bus.recv(longest_s)
        if message is None:
            self._look_at_state()
            return None
        return _answer(message)

    def skip_waiting(self) -> None:
        """Pass over what came unasked: others may ask on the same bus; raises as `hear` does."""
        for _ in range(MOST_WAITING):
            message = self._bus.recv(0)
            if message is None:
                return
            _answer(message)

    def close(self) -> None:
        """Leave the bus."""
        self._bus.shutdown()

    def _look_at_state(self) -> None:
        from can import BusState

        try:
            state = self._bus.state
        except NotImplementedError:  # an interface that does not say
            return
        if state is BusState.ERROR:
            raise BusOff("bus off")


def _answer(message: Any) -> tuple[int, bytes] | None:
    """A control unit's frame; None for any other."""
    if message.is_error_frame:
        if message.arbitration_id & BUS_OFF:
            raise BusOff("bus off")
        return None
    if message.is_extended_id or message.is_remote_frame:
        return None
    if message.arbitration_id not in ANSWER_IDS:
        return None
    return int(message.arbitration_id), bytes(message.data)


def check_bus(url: str) -> None:
    """Refuse what can never be a bus of this computer.

    Raises
    ------
    UnusableRun
        Where python-can is not installed, or knows no such interface.
    """
    _place(url)


def open_bus(table: PortTable, url: str) -> ReadingBus:
    """Join a bus.

    Raises
    ------
    LostPort
        Where it cannot be joined; that may pass.
    UnusableRun
        Where it never could be.
    """
    can, interface, channel = _place(url)
    try:
        bus = can.Bus(
            interface=interface,
            channel=int(channel) if channel.isdecimal() else channel,
            bitrate=table.bitrate,
            can_filters=[{"can_id": ANSWER_IDS.start, "can_mask": FILTER_MASK, "extended": False}],
            ignore_config=True,
        )
    except can.CanInterfaceNotImplementedError as error:
        raise UnusableRun(
            Fault(
                f"port {url!r}",
                f"an interface that cannot be used here ({reason_of(error)})",
                "an interface whose driver is installed",
                "install the driver of the adapter, or name another interface",
            )
        ) from error
    except Exception as error:  # every interface throws what it likes
        raise LostPort(f"{url} cannot be opened: {reason_of(error)}") from error
    return ReadingBus(bus)


def _place(url: str) -> tuple[ModuleType, str, str]:
    """python-can, and the interface and channel that a URL names."""
    try:
        import can
    except ImportError as error:
        raise UnusableRun(
            Fault(
                f"port {url!r}",
                "a car's bus, for which python-can is not installed",
                "the extra can",
                "`pip install lukewarm[can]`",
            )
        ) from error
    logging.getLogger("can").setLevel(logging.CRITICAL)  # the recording says it itself
    interface, _, channel = url.removeprefix(BUS_SCHEME).partition(":")
    if interface not in can.VALID_INTERFACES or not channel:
        known = ", ".join(sorted(can.VALID_INTERFACES))
        raise UnusableRun(
            Fault(
                f"port {url!r}",
                "no bus",
                f"{BUS_SCHEME}INTERFACE:CHANNEL with one of {known}",
                "correct it; for example can:socketcan:can0",
            )
        )
    return can, interface, channel
