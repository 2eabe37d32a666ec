"""The reader that a port's format needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest.record.ports.reader import PortReader, Take

if TYPE_CHECKING:
    from ingest.setup.serial import PortTable


def make_reader(index: int, table: PortTable, take: Take) -> PortReader:
    """The reader that a port's format needs."""
    if table.format == "query":
        from ingest.record.ports.query import QueryReader

        return QueryReader(index, table, take)
    if table.format == "modbus":
        from ingest.record.ports.modbus import ModbusReader

        return ModbusReader(index, table, take)
    if table.format == "can":
        from ingest.record.ports.can_reader import BusReader

        return BusReader(index, table, take)
    return PortReader(index, table, take)
