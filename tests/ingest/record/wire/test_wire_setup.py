from __future__ import annotations

from pathlib import Path

import pytest

from ingest.errors import UnusableRun
from ingest.record.wire.derivation import Derivation, make_derivation, open_derivation
from ingest.setup.model import parse_setup
from ingest.setup.serial import SerialTable, read_serial, with_ports

HEAD = '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\n'
CHANNEL = '[channels.outlet]\ncolumn = "outlet"\nunit = "degC"\n'


def serial(text: str) -> SerialTable:
    return read_serial(parse_setup(HEAD + CHANNEL + text))


def derivation(text: str, head: str = HEAD, channel: str = CHANNEL) -> Derivation:
    setup = parse_setup(head + channel + text)
    return make_derivation(setup, read_serial(setup))


def faults(text: str, head: str = HEAD, channel: str = CHANNEL) -> str:
    with pytest.raises(UnusableRun) as caught:
        derivation(text, head, channel)
    return str(caught.value)


def test_without_a_serial_table_it_is_one_port_of_csv_lines() -> None:
    (port,) = serial("").port
    assert (port.format, port.baud, port.checksum, port.events) == ("csv", 115200, "none", "!")


def test_what_ports_share_stands_once() -> None:
    table = serial(
        '[serial]\nbaud = 9600\n[[serial.port]]\nurl = "COM5"\n'
        '[[serial.port]]\nusb = "1a86:7523"\nbaud = 19200\n'
    )
    assert [(port.baud, port.label) for port in table.port] == [
        (9600, "COM5"),
        (19200, "1a86:7523"),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[serial]\nbaud = -1\n", r"\[serial\] baud: found -1"),
        ("[serial]\nboud = 9600\n", r"boud: found a key that means nothing here"),
        ('[serial]\nformat = "query"\n', "needs query"),
        ('[serial]\nformat = "modbus"\n', "needs registers"),
        ('[serial]\ncolumns = ["a", "b", "a"]\n', "twice: a"),
        ('[serial]\nencoding = "utf-16"\n', "plain letters"),
        ('[serial]\nencoding = "nonsense"\n', "character encoding"),
        ("[serial]\nstopbits = 3\n", "1, 1.5 or 2"),
        ("[serial]\nport = 3\n", r"tables written \[\[serial.port\]\]"),
        ('[[serial.port]]\nurl = "a"\n[[serial.port]]\nbaud = 0\n', "number 2"),
        ('[serial]\nusb = "12"\n', "usb"),
    ],
)
def test_mistakes_are_named(text: str, said: str) -> None:
    with pytest.raises(UnusableRun, match=said):
        serial(text)


def test_ports_of_the_command_line_find_their_places() -> None:
    table = serial('[[serial.port]]\nname = "logger"\n[[serial.port]]\nname = "gauge"\n')
    made = with_ports(table, ("COM5", "gauge=1A86:7523"))
    assert [(port.url, port.usb) for port in made.port] == [("COM5", None), (None, "1A86:7523")]
    (only,) = with_ports(serial(""), ("serial:A50285BI",)).port
    assert only.serial_number == "A50285BI"
    (url,) = with_ports(serial(""), ("rfc2217://pi:2000?logging=debug",)).port
    assert url.url == "rfc2217://pi:2000?logging=debug"


def test_a_port_too_many_or_none_is_said() -> None:
    with pytest.raises(UnusableRun, match="more ports than"):
        with_ports(serial(""), ("COM1", "COM2"))
    with pytest.raises(UnusableRun, match="lukewarm ports"):
        with_ports(serial(""), ())


def test_one_logger_of_csv_lines_is_kept_as_received() -> None:
    made = derivation('[serial]\ncolumns = ["t", "outlet"]\n')
    assert made.as_received
    assert not made.host_time
    assert made.header == "t,outlet"


@pytest.mark.parametrize(
    "text",
    [
        '[serial]\ntime = "host"\ncolumns = ["outlet"]\n',
        '[serial]\nformat = "json"\n',
        '[serial]\nformat = "query"\nquery = [{ ask = "READ?", columns = ["outlet"] }]\n',
        '[serial]\nformat = "modbus"\nregisters = [{ column = "outlet", address = 0 }]\n',
    ],
)
def test_everything_else_is_put_together_by_column(text: str) -> None:
    made = derivation(text)
    assert not made.as_received
    assert made.host_time
    assert made.columns == ("host_s", "outlet")


def test_columns_of_several_ports() -> None:
    made = derivation(
        '[channels.vacuum_source]\ncolumn = "gauge_vacuum"\nunit = "kPa"\nreference = "vacuum"\n'
        '[[serial.port]]\nurl = "a"\n'
        '[[serial.port]]\nurl = "b"\nprefix = "gauge_"\ncolumns = ["vacuum", "battery"]\n'
    )
    assert made.columns == ("host_s", "outlet", "gauge_vacuum", "gauge_battery")
    assert made.first_column == (1, 2)
    assert made.port_columns == (("outlet",), ("vacuum", "battery"))


def test_what_cannot_go_together_is_said() -> None:
    two = '[[serial.port]]\nurl = "a"\n[[serial.port]]\nurl = "b"\ncolumns = ["p"]\n'
    timed = HEAD + 'time = { column = "t", unit = "s" }\n'
    assert "several ports" in faults(two, timed)
    assert "no columns" in faults(two.replace('"p"', '"outlet"'))
    assert "prefix" in faults(
        '[[serial.port]]\nurl = "a"\ncolumns = ["outlet"]\n'
        '[[serial.port]]\nurl = "b"\ncolumns = ["outlet"]\n'
    )
    assert "one of the columns of the line: t, oulet" in faults(
        '[serial]\ncolumns = ["t", "oulet"]\n'
    )
    numbered = '[channels.outlet]\ncolumn = 2\nunit = "degC"\n'
    assert "a column's name" in faults(two, HEAD, numbered)
    long = HEAD + 'layout = "long"\nname = "a"\nvalue = "b"\n'
    assert "layout" in faults(two, long)


def test_the_run_folders_setup_is_the_technicians_own_completed(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(
        '# winter campaign\n[run]\nvehicle = "SC-014"  # white\n[log]\nencoding = "utf-16"\n'
        'time = { column = "t", unit = "s" }\n[channels.outlet]\ncolumn = "outlet"\nunit = "degC"\n'
        "[events]\nfile = 'old.csv'\noffset = 2.5\n",
        encoding="utf-8",
    )
    made, text = open_derivation(path, ("COM5",))
    assert "# winter campaign" in text
    assert "# white" in text
    assert "utf-16" not in text
    setup = parse_setup(text)
    assert (setup.log.file, setup.events.file if setup.events else "") == ("log.csv", "events.csv")
    assert setup.events is not None
    assert setup.events.offset == 2.5
    assert read_serial(setup).port[0].url == "COM5"
    assert made.setup == setup


def test_a_hosts_clock_is_written_into_the_setup(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(
        '[run]\nvehicle = "SC-014"\n[log]\ndelimiter = ";"\n'
        '[channels.outlet]\ncolumn = "outlet"\nunit = "degC"\n[serial]\nformat = "json"\n',
        encoding="utf-8",
    )
    made, text = open_derivation(path, ("COM5",))
    log = parse_setup(text).log
    assert log.time is not None
    assert (log.time.column, log.time.unit, log.delimiter) == ("host_s", "s", ",")
    again = parse_setup(text)
    assert make_derivation(again, read_serial(again)) == made


def test_text_that_is_no_toml_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("[run\n", encoding="utf-8")
    with pytest.raises(UnusableRun, match="not TOML"):
        open_derivation(path, ("COM5",))
