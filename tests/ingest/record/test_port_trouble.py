"""Each fault of a port has a sentence of its own; a port has one recorder.

Error numbers are POSIX's (IEEE Std 1003.1, errno.h); ``.invalid`` is never a machine (RFC 2606).
"""

from __future__ import annotations

import errno
import sys
import time
from pathlib import Path

import pytest

from ingest.errors import LostPort, UnusableRun
from ingest.record.ports.trouble import claim, why_doubtful, why_not_open
from ingest.record.recorder import Recorder
from ingest.record.wire.count import PortCounters
from tests.support.loggers import (
    numbered_line,
    outlet,
    recorder_on,
    wait_for,
)
from tests.support.tools import run_lukewarm

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize(
    ("number", "part"),
    [
        (errno.ENOENT, "there is no port"),
        (errno.EBUSY, "in use by another program"),
        (errno.EACCES, "no permission"),
        (errno.ENOTTY, "no serial port"),
        (errno.EIO, "cannot be opened"),
    ],
)
def test_every_refusal_of_the_system_has_its_sentence(number: int, part: str) -> None:
    assert part in why_not_open("/dev/ttyX7", OSError(number, "as the system says"))


@pytest.mark.skipif(sys.platform == "win32", reason="groups are POSIX's")
def test_who_has_no_permission_is_told_which_group(tmp_path: Path) -> None:
    import grp

    device = tmp_path / "tty"
    device.touch()
    group = grp.getgrgid(device.stat().st_gid).gr_name
    said = why_not_open(str(device), PermissionError(errno.EACCES, "Permission denied"))
    assert f"usermod -aG {group} " in said


@pytest.mark.parametrize(
    ("error", "part"),
    [
        (ConnectionRefusedError(), "nothing listens at pi:4000"),
        (TimeoutError("timed out"), "pi:4000 does not answer"),
        (OSError(errno.ENETUNREACH, "Network is unreachable"), "cannot be reached"),
    ],
)
def test_every_refusal_of_the_network_has_its_sentence(error: OSError, part: str) -> None:
    assert part in why_not_open("socket://pi:4000", error)


def test_silence_is_said_and_tells_a_network_port_from_a_plug() -> None:
    nothing = PortCounters()
    assert why_doubtful("socket://pi:4000", 9600, nothing, 3.0, 3.0) == ""
    assert "connected and silent" in why_doubtful("socket://pi:4000", 9600, nothing, 4.5, 4.5)
    assert "open and silent" in why_doubtful("COM5", 9600, nothing, 4.5, 4.5)


def test_a_wrong_speed_is_told_with_those_to_try() -> None:
    noise = PortCounters(bytes=900, lines=9, garbage=8)
    said = why_doubtful("COM5", 115200, noise, 3.0, 0.1)
    assert "cannot be read at 115200 baud" in said
    assert "9600, 19200, 38400, 57600" in said
    assert "115200," not in said
    endless = PortCounters(bytes=900)
    assert "cannot be read" in why_doubtful("COM5", 9600, endless, 3.0, 0.1)
    good = PortCounters(bytes=900, lines=90, garbage=8, rows=82)
    assert why_doubtful("COM5", 9600, good, 3.0, 0.1) == ""


def test_a_port_is_claimed_once() -> None:
    first = claim("socket://127.0.0.1:65001")
    assert first is not None
    with pytest.raises(LostPort, match="another recorder"):
        claim("socket://127.0.0.1:65001")
    first.release()
    again = claim("socket://127.0.0.1:65001")
    assert again is not None
    again.release()
    assert claim("loop://") is None


@pytest.mark.parametrize("to", ["socket://127.0.0.1:0", "pty"])
def test_a_second_recorder_on_one_port_is_refused(tmp_path: Path, to: str) -> None:
    if to == "pty" and sys.platform == "win32":
        pytest.skip("no pseudo-terminals")
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    with outlet(to) as made:
        one = recorder_on(made.url, tmp_path / "a")
        one.start()
        try:
            wait_for(made.listened)
            two = recorder_on(made.url, tmp_path / "b")
            with pytest.raises(UnusableRun, match="recorder that has it already"):
                two.start()
        finally:
            one.stop()
        two = Recorder.resume(tmp_path / "b" / "run")
        two.start()
        wait_for(made.listened)
        two.stop()


def test_another_process_is_refused_too(tmp_path: Path) -> None:
    with outlet() as made:
        one = recorder_on(made.url, tmp_path)
        one.start()
        try:
            done = run_lukewarm(
                "record", made.url, "--setup", "setup.toml", "--out", "second", "--seconds", "3",
                folder=tmp_path,
            )  # fmt: skip
        finally:
            one.stop()
    assert done.returncode == 1
    assert "recorder that has it already" in done.stderr


def test_a_silent_port_is_in_the_state_of_a_recording(tmp_path: Path) -> None:
    with outlet() as made:
        recorder = recorder_on(made.url, tmp_path)
        recorder.start()
        try:
            wait_for(made.listened)
            wait_for(lambda: "silent" in recorder.ports_state()[0].reason)
            wait_for(lambda: any("silent" in each.text for each in recorder.messages()))
            made.send(numbered_line(1))
            wait_for(lambda: recorder.ports_state()[0].reason == "")
        finally:
            recorder.stop()


@pytest.mark.parametrize(
    "line",
    [
        b"5,1,2\n",
        b'5,"1,2,3,4,5,6,7,8,9,10,11,12"\n',
        b'5,"1",2,3,4,5,6,7,8,9,10,11,12,13\n',
        b'5,"1,2,3\n',
    ],
)
def test_no_line_with_other_columns_gets_into_the_log(tmp_path: Path, line: bytes) -> None:
    with outlet() as made:
        recorder = recorder_on(made.url, tmp_path)
        recorder.start()
        try:
            wait_for(made.listened)
            time.sleep(0.2)
            made.send(b"".join([*map(numbered_line, range(5)), line, numbered_line(6)]))
            wait_for(lambda: recorder.counters.lines >= 7)
        finally:
            recorder.stop()
    assert recorder.counters.changed_columns == 1
    assert recorder.counters.rows == 6


def test_without_names_given_the_first_readings_settle_the_columns(tmp_path: Path) -> None:
    setup = (
        '[run]\nvehicle = "SC-900"\n[log]\ntime = { column = "t", unit = "s" }\n'
        '[channels.outlet]\ncolumn = "out"\nunit = "degC"\n'
    )
    with outlet() as made:
        recorder = recorder_on(made.url, tmp_path, setup)
        recorder.start()
        try:
            wait_for(made.listened)
            time.sleep(0.2)
            made.send(b"logger,v2\nmade for,tests\nt,out,air\n0.1,20.0,-5.0\n0.2,20.1,-5.0\n")
            made.send(b"0.3,20.20.4,20.3,-5.0,1\n0.5,20.4,-5.0\n")
            wait_for(lambda: recorder.counters.lines >= 7)
        finally:
            recorder.stop()
    log = (tmp_path / "run" / "log.csv").read_text(encoding="utf-8")
    assert log.splitlines()[2:] == ["t,out,air", "0.1,20.0,-5.0", "0.2,20.1,-5.0", "0.5,20.4,-5.0"]
    assert recorder.counters.changed_columns == 1
