"""Modbus RTU devices: their registers, read in as few requests as they allow, once a period."""

from __future__ import annotations

import json
import logging
import math
import time
from typing import TYPE_CHECKING, Any, Final

from ingest.errors import LostPort, LukewarmError
from ingest.record.journal import monotonic_ns
from ingest.record.ports.port import reason_of, resolve
from ingest.record.ports.reader import PortReader
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.serial import PortTable, Register

LONGEST_BLOCK: Final = 125
"""Most registers in one request (Modbus Application Protocol V1.1b3, 6.3 and 6.4)."""


@dataclass(frozen=True)
class RegisterBlock:
    """Registers that stand side by side, read with one request."""

    kind: str
    address: int
    count: int
    members: tuple[int, ...]
    """Their places in `PortTable.registers`."""


def blocks_of(registers: tuple[Register, ...]) -> list[RegisterBlock]:
    """Put registers of one kind that follow each other without a hole into blocks.

    Holes are not read across: a device may refuse a request that touches an address it does not
    have.
    """
    order = sorted(
        range(len(registers)), key=lambda at: (registers[at].kind, registers[at].address)
    )
    blocks: list[RegisterBlock] = []
    for at in order:
        register = registers[at]
        last = blocks[-1] if blocks else None
        end = register.address + register.count
        if (
            last is not None
            and last.kind == register.kind
            and register.address <= last.address + last.count
            and end - last.address <= LONGEST_BLOCK
        ):
            count = max(last.count, end - last.address)
            blocks[-1] = RegisterBlock(last.kind, last.address, count, (*last.members, at))
        else:
            blocks.append(RegisterBlock(register.kind, register.address, register.count, (at,)))
    return blocks


class ModbusReader(PortReader):
    """Reads the registers of a port once a period."""

    def _once(self) -> str:
        try:
            self.url = resolve(self.table)
            self.claim()
        except LostPort as error:
            return str(error)
        client = _client(self.table, self.url)
        if not client.connect():
            return f"{self.url} cannot be opened"
        try:
            self.mark("opened", url=self.url)
            self._set("open", "")
            self.read(client)
        except LukewarmError:
            raise
        except Exception as error:  # see PortReader
            return reason_of(error)
        finally:
            client.close()
        return "stopped"

    def read(self, port: Any) -> None:
        """Ask the device until the recording stops; see `PortReader.read`."""
        blocks = blocks_of(self.table.registers)
        due = time.monotonic()
        while not self.is_stopping():
            words: dict[str, list[int]] = {}
            for block in blocks:
                words.update(self._read_block(port, block))
            if words:
                self.give(json.dumps(words).encode())
            due = max(due + self.table.period, time.monotonic() - self.table.period)
            self.pause(due - time.monotonic())

    def _read_block(self, client: Any, block: RegisterBlock) -> dict[str, list[int]]:
        """The words of a block by the place of their register; empty where it was not answered.

        Raises
        ------
        OSError
            Where the port is gone.
        """
        from pymodbus.exceptions import ModbusException

        read = {
            "holding": client.read_holding_registers,
            "input": client.read_input_registers,
        }[block.kind]
        try:
            answer = read(block.address, count=block.count, device_id=self.table.unit)
        except ModbusException as error:
            if not client.connected or not client.connect():
                raise OSError(reason_of(error)) from error
            self.mark("unanswered", reason=reason_of(error))
            return {}
        if answer.isError():
            self.mark("unanswered", reason=reason_of(Exception(str(answer))))
            return {}
        self.last_byte_ns = monotonic_ns()
        found = {}
        for at in block.members:
            register = self.table.registers[at]
            start = register.address - block.address
            found[str(at)] = answer.registers[start : start + register.count]
        return found


def _client(table: PortTable, url: str) -> Any:
    from pymodbus.client import ModbusSerialClient

    # Failed requests are counted and said by the recording itself.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    return ModbusSerialClient(
        url,
        baudrate=table.baud,
        bytesize=table.bytesize,
        parity=table.parity,
        stopbits=math.ceil(table.stopbits),
        timeout=table.timeout,
        retries=1,
    )
