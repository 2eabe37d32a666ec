from __future__ import annotations

import socket
import threading

import pytest

from dashboard.commands import record
from ingest.errors import LostPort, UnusableRun
from ingest.record.ports import port
from ingest.record.ports.modbus import RegisterBlock, blocks_of
from ingest.record.ports.port import FoundPort, list_ports, open_port, resolve
from ingest.setup.serial import PortTable, Register

THERE = (
    FoundPort("COM3", "Modem", None, None, None),
    FoundPort("COM5", "USB serial bridge", "1a86:7523", None, "A maker"),
    FoundPort("COM6", "USB serial bridge", "0403:6001", "A50285BI", "A maker"),
    FoundPort("COM7", "USB serial bridge", "0403:6001", "A50285BJ", "A maker"),
)


def table(**keys: object) -> PortTable:
    return PortTable.model_validate(keys)


@pytest.mark.parametrize(
    ("keys", "url"),
    [
        ({"url": "socket://pi:4000"}, "socket://pi:4000"),
        ({"usb": "1A86:7523"}, "COM5"),
        ({"serial_number": "a50285bj"}, "COM7"),
        ({"usb": "0403:6001", "serial_number": "A50285BI"}, "COM6"),
        ({"description": "modem"}, "COM3"),
    ],
)
def test_a_port_is_found_by_what_is_known_of_it(keys: dict[str, str], url: str) -> None:
    assert resolve(table(**keys), THERE) == url


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"usb": "ffff:0001"}, "no port with USB id ffff:0001"),
        ({"usb": "0403:6001"}, r"several ports with USB id 0403:6001 \(COM6, COM7\)"),
        ({"usb": "1a86:7523", "serial_number": "A50285BI"}, "no port with USB id"),
    ],
)
def test_none_or_several_are_said(keys: dict[str, str], said: str) -> None:
    with pytest.raises(LostPort, match=said):
        resolve(table(**keys), THERE)


def test_the_ports_of_this_computer(monkeypatch: pytest.MonkeyPatch) -> None:
    from serial.tools import list_ports as tools
    from serial.tools.list_ports_common import ListPortInfo

    info = ListPortInfo("/dev/ttyUSB0", skip_link_detection=True)
    info.vid, info.pid, info.serial_number = 0x0403, 0x6001, "A50285BI"
    info.description = "FT-like bridge"
    plain = ListPortInfo("/dev/ttyS0", skip_link_detection=True)
    monkeypatch.setattr(tools, "comports", lambda: [info, plain])
    found = list_ports()
    assert [each.url for each in found] == ["/dev/ttyS0", "/dev/ttyUSB0"]
    assert (found[1].usb, found[1].serial_number) == ("0403:6001", "A50285BI")
    assert (found[0].usb, found[0].description) == (None, "")


@pytest.mark.parametrize("there", [THERE, ()])
def test_ports_on_the_command_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], there: tuple[FoundPort]
) -> None:
    monkeypatch.setattr(port, "list_ports", lambda: list(there))
    record.ports()
    shown = capsys.readouterr()
    assert [line.split()[0] for line in shown.out.splitlines()] == [each.url for each in there]
    assert ("A50285BI" in shown.out) == bool(there)
    assert ("no serial port" in shown.err) == (not there)


def test_what_cannot_be_opened_now_may_be_later() -> None:
    with pytest.raises(LostPort, match="there is no port /dev/no-such-port"):
        open_port(table(), "/dev/no-such-port")
    with pytest.raises(LostPort, match=r"nothing listens at 127\.0\.0\.1:1"):
        open_port(table(), "socket://127.0.0.1:1")
    with pytest.raises(LostPort, match="no machine is called"):
        open_port(table(), "socket://logger.invalid:4000")
    with pytest.raises(UnusableRun, match="nonsense"):
        open_port(table(), "nonsense://x")


def test_a_port_is_opened_as_the_table_says() -> None:
    made = open_port(table(baud=9600, bytesize=7, parity="E", stopbits=2), "loop://")
    try:
        assert (made.baudrate, made.bytesize, made.parity, made.stopbits) == (9600, 7, "E", 2)
        port.write_line(made, "*CLS", "\r\n")
        assert made.read(6) == b"*CLS\r\n"
    finally:
        made.close()


def test_what_was_sent_before_the_port_was_open_is_kept() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        sent = threading.Event()

        def greet() -> None:
            peer, _ = server.accept()
            with peer:
                peer.sendall(b"1,2\n")
                sent.wait(10)

        thread = threading.Thread(target=greet)
        thread.start()
        made = open_port(table(), url)
        try:
            assert made.read(4) == b"1,2\n"
        finally:
            sent.set()
            made.close()
            thread.join()


def register(address: int, kind: str = "holding", type: str = "int16") -> Register:  # noqa: A002
    return Register.model_validate(
        {"column": f"{kind}{address}", "address": address, "kind": kind, "type": type}
    )


def test_registers_that_touch_are_read_together() -> None:
    registers = (
        register(3),
        register(0, type="float32"),
        register(2),
        register(0, "input"),
        register(9),
    )
    assert blocks_of(registers) == [
        RegisterBlock("holding", 0, 4, (1, 2, 0)),
        RegisterBlock("holding", 9, 1, (4,)),
        RegisterBlock("input", 0, 1, (3,)),
    ]


def test_no_request_is_longer_than_the_protocol_allows() -> None:
    # Modbus Application Protocol V1.1b3, section 6.3: quantity of registers 1 to 125
    blocks = blocks_of(tuple(register(at) for at in range(300)))
    assert [block.count for block in blocks] == [125, 125, 50]
    assert sorted(at for block in blocks for at in block.members) == list(range(300))
