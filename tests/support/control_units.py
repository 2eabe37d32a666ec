"""Made-up control units: what they answer, on python-can's virtual bus or in simulated time."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

import can
from can.interfaces.virtual import VirtualBus

REQUEST = 0x7DF
Frames = list[bytes]


def single(*message: int) -> bytes:
    """A message in one frame, filled up as some control units do."""
    return bytes((len(message), *message)).ljust(8, b"\xaa")


def bitmap(start: int, identifiers: Sequence[int]) -> tuple[int, ...]:
    """Which of the 32 identifiers after `start` are supported; the next bitmap where it is needed.

    The first identifier is the most significant bit (SAE J1979, PID 00).
    """
    bits = sum(1 << (32 - (each - start)) for each in identifiers if start < each <= start + 32)
    if any(each > start + 32 for each in identifiers):
        bits |= 1
    return tuple(bits.to_bytes(4, "big"))


@dataclass
class ControlUnit:
    """One control unit.

    `values` holds the data bytes of each identifier, or what answers in place of them; `says` is
    called with every identifier and the frames that go out.
    """

    answers_under: int
    values: dict[int, Callable[[], Sequence[int]]]
    instead: dict[int, Callable[[], Frames]] = field(default_factory=dict)
    is_awake: bool = True

    def answer(self, request: bytes) -> Frames:
        """The frames that answer a request."""
        if not self.is_awake or len(request) < 3 or request[0] != 2 or request[1] != 1:
            return []
        asked = request[2]
        if asked in (0x00, 0x20, 0x40):
            known = sorted({*self.values, *self.instead})
            if asked and not any(each > asked for each in known):
                return []
            return [single(0x41, asked, *bitmap(asked, known))]
        if asked in self.instead:
            return self.instead[asked]()
        if asked in self.values:
            return [single(0x41, asked, *self.values[asked]())]
        return []


class VirtualCar(threading.Thread):
    """Control units on python-can's virtual bus; keeps every frame that others send on it."""

    def __init__(self, channel: str, units: Sequence[ControlUnit]) -> None:
        super().__init__(daemon=True)
        self.seen: list[can.Message] = []
        self._units = units
        self._bus = VirtualBus(channel)
        self._stopping = threading.Event()

    def run(self) -> None:
        while not self._stopping.is_set():
            message = self._bus.recv(0.05)
            if message is None:
                continue
            self.seen.append(message)
            if message.arbitration_id != REQUEST or message.is_extended_id:
                continue
            for unit in self._units:
                for frame in unit.answer(bytes(message.data)):
                    self.send(unit.answers_under, frame)

    def send(self, identifier: int, frame: bytes) -> None:
        """Put a frame on the bus."""
        self._bus.send(can.Message(arbitration_id=identifier, is_extended_id=False, data=frame))

    def stop(self) -> None:
        self._stopping.set()
        self.join()
        self._bus.shutdown()


@contextmanager
def virtual_car(channel: str, *units: ControlUnit) -> Iterator[VirtualCar]:
    """A car on a virtual bus."""
    car = VirtualCar(channel, units)
    car.start()
    try:
        yield car
    finally:
        car.stop()


def is_reading_request(message: can.Message) -> bool:
    """Whether a frame asks all control units for one of the values of now, and nothing else.

    SAE J1979 service 01 in a single frame (ISO 15765-2) under 7DF (ISO 15765-4).
    """
    return (
        message.arbitration_id == REQUEST
        and not message.is_extended_id
        and not message.is_remote_frame
        and message.dlc == 8
        and tuple(message.data[:2]) == (0x02, 0x01)
        and message.data[2] in {0x00, 0x20, 0x40, 0x05, 0x0F, 0x46, 0x0C, 0x0D, 0x42}
        and set(message.data[3:]) == {0}
    )
