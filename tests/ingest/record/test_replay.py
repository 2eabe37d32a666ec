from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
import time
from itertools import cycle
from pathlib import Path

import numpy as np
import pytest

from analysis.pipeline import analyze
from analysis.result import document
from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.record.recorder import Recorder
from ingest.record.replay import Script, play, read_script
from ingest.record.replay_port import open_outlet
from tests.support.loggers import outlet, wait_for

ROOT = Path(__file__).parents[3]
SAMPLES = ROOT / "sample_logs"
DIALECTS = (
    "SC-014-complaint",  # lines above the names, a row of units, millivolts
    "SC-022-complaint",  # one reading a row, everything quoted
    "SC-003-baseline",  # UTF-16, tabs, hh:mm:ss
    "SC-046-complaint",  # Windows characters, date and time apart, decimal commas
    "SC-075-complaint",  # no names, epoch ms, a delimiter after the last cell
    "SC-028-complaint",  # dates with AM and PM
)


def record_replay(source: Path, folder: Path, to: str) -> None:
    """Play a run as fast as it goes and record it."""
    with outlet(to) as made:
        script = read_script(source)
        with Recorder.create(source / "run.toml", folder, (made.url,)) as recorder:
            heard = play(script, made, 0)
            wait_for(lambda: recorder.counters.lines >= len(script.lines) - 3)  # blank lines
            assert heard == len(script.lines)


@pytest.mark.parametrize(
    ("name", "to"), list(zip(DIALECTS, cycle(["pty", "socket://127.0.0.1:0"]), strict=False))
)
def test_a_replay_recorded_is_the_run(tmp_path: Path, name: str, to: str) -> None:
    folder = tmp_path / name
    record_replay(SAMPLES / name, folder, to)
    first, again = load_run(SAMPLES / name), load_run(folder)
    assert again.readings.equals(first.readings)
    assert again.controls.equals(first.controls)
    assert again.engine_start_s == first.engine_start_s


def test_figures_of_a_replay_are_the_same_to_the_last_digit(tmp_path: Path) -> None:
    source = SAMPLES / "SC-014-complaint"
    record_replay(source, tmp_path / source.name, "socket://127.0.0.1:0")
    first, again = (
        document(analyze(load_run(place))) for place in (source, tmp_path / source.name)
    )
    assert json.dumps(again["figures"]) == json.dumps(first["figures"])
    assert again["causes"] == first["causes"]


def test_lines_are_due_at_their_own_time(tmp_path: Path) -> None:
    (tmp_path / "run.toml").write_text(
        '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'
        '[channels.outlet]\ncolumn = "outlet"\nunit = "degC"\n[events]\nfile = "events.csv"\n',
        encoding="utf-8",
    )
    (tmp_path / "log.csv").write_text(
        "logger 7\nt,outlet\n5,1\n6,2\n6.5,3\nrubbish\n1000,4\n", encoding="utf-8"
    )
    (tmp_path / "events.csv").write_text(
        "time,control,position\n6.2,blower,2\n0,temp_lever,100\n2000,note,the end\n",
        encoding="utf-8",
    )
    script = read_script(tmp_path)
    pairs = list(zip(script.lines, script.due.tolist(), strict=True))
    assert pairs == [
        (b"logger 7\r\n", 0.0),
        (b"t,outlet\r\n", 0.0),
        (b"5,1\r\n", 0.0),
        (b"!@0!temp_lever,100\r\n", 1.0),
        (b"6,2\r\n", 1.0),
        (b"!@6.2!blower,2\r\n", 1.5),
        (b"6.5,3\r\n", 1.5),
        (b"rubbish\r\n", 1.5),
        (b"1000,4\r\n", 61.5),  # a gap is not waited for in full
        (b"!@2000!note,the end\r\n", 61.5),
    ]


def script_of(seconds: float, rate: float) -> Script:
    due = np.arange(0.0, seconds, 1 / rate)
    return Script(tuple(f"{at:.3f}\n".encode() for at in due), due)


def test_real_time_and_faster() -> None:
    script = script_of(4.0, 50)
    with outlet() as made:
        heard: list[bytes] = []

        def listen() -> None:
            host, _, port = made.url.removeprefix("socket://").partition(":")
            with socket.create_connection((host, int(port))) as ear:
                while piece := ear.recv(4096):
                    heard.append(piece)

        thread = threading.Thread(target=listen)
        thread.start()
        start = time.monotonic()
        told: list[float] = []
        assert play(script, made, speed=4.0, progress=told.append) == len(script.lines)
        took = time.monotonic() - start
        thread.join()
    assert b"".join(heard) == b"".join(script.lines)
    assert took >= 1.0  # a quarter of the script's time; a busy machine may take longer
    assert told == sorted(told)


def test_in_real_time_it_goes_on_unheard_as_a_logger_does() -> None:
    script = script_of(3.0, 100)
    with outlet() as made:
        thread = threading.Thread(target=play, args=(script, made, 2.0))
        thread.start()
        host, _, port = made.url.removeprefix("socket://").partition(":")
        with socket.create_connection((host, int(port))) as ear:
            first = ear.recv(100)
        time.sleep(0.8)
        with socket.create_connection((host, int(port))) as ear:
            second = ear.recv(100)
        thread.join()
    assert first.startswith(b"0.000")
    assert 0.5 < float(second.split()[0]) < 3.0


@pytest.mark.parametrize("to", ["tcp://x:1", "socket://x", "socket://127.0.0.1:99999", "nowhere"])
def test_no_outlet(to: str) -> None:
    with pytest.raises(UnusableRun, match=r"--to"):
        open_outlet(to)


def test_a_place_that_is_taken() -> None:
    with outlet() as made, pytest.raises(UnusableRun, match="free port"):
        open_outlet(made.url)


def test_both_ends_on_the_command_line(tmp_path: Path) -> None:
    source = SAMPLES / "SC-028-complaint"
    command = [sys.executable, "-c", "import lukewarm; lukewarm.main()"]
    player = subprocess.Popen(
        [*command, "replay", str(source), "--speed", "0", "--to", "socket://127.0.0.1:0"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert player.stdout is not None
    url = player.stdout.readline().split()[2]
    folder = tmp_path / "run"
    recorded = subprocess.run(
        [*command, "record", url, "--setup", str(source / "run.toml"), "--out", str(folder),
         "--until-silent", "1"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
    )  # fmt: skip
    _, said = player.communicate(timeout=20)
    assert recorded.returncode == 0, recorded.stderr
    assert "caution: On the road a second person operates the laptop" in recorded.stderr
    assert f"the run is in {folder}" in recorded.stdout
    assert "of them heard" in said
    assert load_run(folder).readings.equals(load_run(source).readings)


def test_record_says_how_it_is_called(tmp_path: Path) -> None:
    command = [sys.executable, "-c", "import lukewarm; lukewarm.main()", "record", "COM5"]
    done = subprocess.run(
        [*command, "--out", str(tmp_path)], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 2
    assert "--setup" in done.stderr
