"""Real peers: RFC 2217 by ser2net, Modbus RTU by pymodbus's server, instruments, terminals."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from ingest.load.load import load_run
from ingest.record.recorder import Recorder
from tests.support.loggers import (
    numbered_line,
    numbered_setup,
    outlet,
    recorded_numbers,
    recorder_on,
    wait_for,
    write_setup,
)
from tests.support.tools import program

if sys.platform != "win32":
    import termios
    import tty

HEAD = '[run]\nvehicle = "SC-900"\n[log]\n[channels.outlet]\ncolumn = "outlet"\nunit = "degC"\n'
MODBUS_SERVER = """
import sys
from pymodbus.server import StartSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice
StartSerialServer(
    SimDevice(17, simdata=(
        [SimData(0, values=False, datatype=DataType.BITS)],
        [SimData(0, values=False, datatype=DataType.BITS)],
        [SimData(107, values=[0x00EA, 0x41BB, 0x3333, 0xFFF6], datatype=DataType.REGISTERS)],
        [SimData(8, values=[0xFFFE], datatype=DataType.REGISTERS)],
    )),
    port=sys.argv[1], baudrate=19200,
)
"""


@contextmanager
def running(*command: str) -> Iterator[subprocess.Popen[bytes]]:
    """A program that is ended with the block."""
    process = subprocess.Popen(
        [program(command[0]), *command[1:]], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


@contextmanager
def linked_terminals(folder: Path) -> Iterator[tuple[str, str]]:
    """Two terminals of which each hears what is written to the other."""
    ends = folder / "one", folder / "other"
    with running("socat", *(f"pty,rawer,link={end}" for end in ends)):
        wait_for(lambda: all(end.exists() for end in ends))
        yield str(ends[0]), str(ends[1])


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return False
    return True


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # by pyserial itself
def test_rfc_2217_from_a_real_server(tmp_path: Path) -> None:
    port = free_port()
    with outlet("pty") as made:
        config = tmp_path / "ser2net.yaml"
        config.write_text(
            "%YAML 1.1\n---\nconnection: &logger\n"
            f"  accepter: telnet(rfc2217),tcp,127.0.0.1,{port}\n"
            f"  connector: serialdev,{made.url},9600n81,local\n"
            "  options:\n    kickolduser: true\n",
            encoding="utf-8",
        )
        with running("ser2net", "-d", "-n", "-c", str(config)):
            wait_for(lambda: answers(port))
            url = f"rfc2217://127.0.0.1:{port}?ign_set_control"  # a pseudo-terminal has no DTR
            with recorder_on(url, tmp_path, numbered_setup(serial="baud = 19200\n")) as recorder:
                wait_for(lambda: recorder.ports_state()[0].state == "open")
                wait_for(made.listened)
                assert speed_of(made.url) == termios.B19200  # the set-up's speed went through
                time.sleep(0.2)
                for number in range(300):
                    assert made.send(numbered_line(number))
                wait_for(lambda: recorder.counters.lines == 300)
    assert recorded_numbers(tmp_path / "run" / "log.csv") == list(range(300))
    assert recorder.counters.rejected == 0


def speed_of(terminal: str) -> int:
    file = os.open(terminal, os.O_RDWR | os.O_NOCTTY)
    try:
        return int(termios.tcgetattr(file)[4])
    finally:
        os.close(file)


def test_modbus_rtu_from_a_real_server(tmp_path: Path) -> None:
    setup = HEAD + (
        '[channels.ambient]\ncolumn = "ambient"\nunit = "degC"\n'
        '[channels.cabin]\ncolumn = "cabin"\nunit = "degC"\n'
        '[serial]\nformat = "modbus"\nunit = 17\nbaud = 19200\nperiod = 0.05\nregisters = [\n'
        '  { column = "outlet", address = 108, type = "float32" },\n'
        '  { column = "ambient", address = 107, scale = 0.1 },\n'
        '  { column = "cabin", address = 8, kind = "input", scale = 0.5, offset = 20.0 },\n'
        '  { column = "nowhere", address = 4000 },\n]\n'
    )
    with linked_terminals(tmp_path) as (mine, theirs):
        command = (sys.executable, "-c", MODBUS_SERVER, theirs)
        with running(*command) as server, recorder_on(mine, tmp_path, setup) as recorder:
            wait_for(lambda: server.poll() is not None or recorder.counters.rows >= 10)
            assert server.poll() is None, "the server went away"
            assert recorder.latest()["outlet"].text == "23.4"
    run = load_run(tmp_path / "run")
    assert set(run.series("outlet")[1]) == {23.4}
    assert set(run.series("ambient")[1]) == {23.4}
    assert set(run.series("cabin")[1]) == {19.0}
    assert recorder.counters.unanswered > 0  # the register that is not there


@contextmanager
def instrument(terminal: str, reply: Callable[[bytes], bytes | None]) -> Iterator[list[bytes]]:
    """An instrument on a terminal; gives what it was asked."""
    asked: list[bytes] = []
    file = os.open(terminal, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(file)
    stopping = threading.Event()

    def serve() -> None:
        os.set_blocking(file, False)
        pending = b""
        while not stopping.is_set():
            try:
                pending += os.read(file, 1000)
            except BlockingIOError:
                time.sleep(0.002)
            *questions, pending = pending.split(b"\n")
            for question in questions:
                asked.append(question)
                answer = reply(question)
                if answer is not None:
                    os.write(file, answer + b"\r\n")

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield asked
    finally:
        stopping.set()
        thread.join()
        os.close(file)


def test_an_instrument_that_answers_questions(tmp_path: Path) -> None:
    setup = HEAD + (
        '[channels.ambient]\ncolumn = "ambient"\nunit = "degC"\n'
        '[serial]\nformat = "query"\nperiod = 0.05\ntimeout = 1.0\non_open = ["*CLS"]\nquery = [\n'
        '  { ask = "MEAS:TEMP? (@101)", columns = ["outlet"] },\n'
        '  { ask = "READ?", columns = ["ambient", "battery"] },\n]\n'
    )
    count = [0]

    def reply(question: bytes) -> bytes | None:
        if question.startswith(b"MEAS"):
            count[0] += 1
            return None if count[0] == 3 else b"+2.34000000E+01"
        return b"-5.5,3.1" if question == b"READ?" else None

    with (
        linked_terminals(tmp_path) as (mine, theirs),
        instrument(theirs, reply) as asked,
        recorder_on(mine, tmp_path, setup) as recorder,
    ):
        wait_for(lambda: recorder.counters.rows >= 20)
    assert asked[:3] == [b"*CLS", b"MEAS:TEMP? (@101)", b"READ?"]
    assert recorder.counters.unanswered >= 1  # a busy machine may miss a further answer
    assert recorder.counters.rejected == 0
    run = load_run(tmp_path / "run")
    assert set(run.series("outlet")[1]) == {23.4}
    assert set(run.series("ambient")[1]) == {-5.5}


def test_a_terminal_whose_plug_is_pulled(tmp_path: Path) -> None:
    name = tmp_path / "logger"
    path = write_setup(tmp_path, numbered_setup())
    with outlet("pty") as first:
        name.symlink_to(first.url)
        recorder = Recorder.create(path, tmp_path / "run", (str(name),))
        recorder.start()
        wait_for(first.listened)
        first.send(b"".join(map(numbered_line, range(50))))
        wait_for(lambda: recorder.counters.lines == 50)
    wait_for(lambda: recorder.ports_state()[0].state == "waiting")
    name.unlink()
    time.sleep(0.3)
    with outlet("pty") as second:
        name.symlink_to(second.url)
        wait_for(second.listened)
        time.sleep(0.2)  # silence: the next line is a whole one
        second.send(b"".join(map(numbered_line, range(50, 100))))
        wait_for(lambda: recorder.counters.lines == 100)
        summary = recorder.stop()
    assert recorded_numbers(tmp_path / "run" / "log.csv") == list(range(100))
    assert [finding.fault for finding in summary.findings] == ["recording_gap"]


@pytest.mark.parametrize("rate", [10_000])
def test_no_line_is_lost_at_a_high_rate(tmp_path: Path, rate: int) -> None:
    seconds = 3
    with outlet("pty") as made, recorder_on(made.url, tmp_path) as recorder:
        wait_for(made.listened)
        start, number = time.monotonic(), 0
        while number < rate * seconds:
            due = min(int((time.monotonic() - start) * rate) + 1, rate * seconds)
            assert made.send(b"".join(map(numbered_line, range(number, due))))
            number = max(number, due)
            time.sleep(0.002)
        wait_for(lambda: recorder.counters.lines == rate * seconds)
    assert recorded_numbers(tmp_path / "run" / "log.csv") == list(range(rate * seconds))
