"""Many runs by several processes: the same documents, files and lines as from one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from dashboard.commands.progress import counted, rate_and_end
from tests.support.run_folders import write_run
from tests.support.screen import Screen

ROOT = Path(__file__).parents[3]
SAMPLES = sorted((ROOT / "sample_logs").glob("SC-0*"))[:4]


def test_analyze_says_the_same_whoever_works(command: Screen, tmp_path: Path) -> None:
    broken = write_run(tmp_path / "broken", setup="[run]\n")
    places = [*SAMPLES[:2], broken, *SAMPLES[2:]]
    assert command("analyze", *places, "--json", "-") == 1
    here, faults = command.out, command.err
    assert command("analyze", *places, "--json", "-", "--jobs", 2) == 1
    assert command.out == here
    assert command.err == faults
    assert [each["run"]["name"] for each in json.loads(here)] == [place.name for place in places]
    assert command("analyze", *places, "--units", "us") == 1
    shown = command.out
    assert command("analyze", *places, "--units", "us", "--jobs", 2) == 1
    assert command.out == shown


def test_a_pipe_for_a_set_up_is_named_and_the_others_go_on(command: Screen, tmp_path: Path) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("needs named pipes")
    place = tmp_path / "stuck"
    place.mkdir()
    os.mkfifo(place / "run.toml")  # a file that never gives anything
    asked = ["analyze", SAMPLES[0], place, "--json", "-", "--jobs", 2, "--time-limit", 20]
    assert command(*asked) == 1
    good, stuck = json.loads(command.out)
    assert "figures" in good
    assert stuck["run"]["name"] == "stuck"
    assert "no readable file" in stuck["error"][0]


def test_convert_writes_the_same_files(command: Screen, tmp_path: Path) -> None:
    for jobs in (1, 2):
        assert command("convert", *SAMPLES, "--out", tmp_path / str(jobs), "--jobs", jobs) == 0
    one, two = (sorted((tmp_path / each).iterdir()) for each in "12")
    assert [path.name for path in one] == [path.name for path in two]
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]


def test_store_add_goes_on_where_it_ended(command: Screen, tmp_path: Path) -> None:
    store = tmp_path / "fleet"
    assert command("store", "add", store, *SAMPLES[:2], "--jobs", 2) == 0
    assert command("store", "add", store, *SAMPLES, "--jobs", 2) == 0
    assert command.out.startswith("2 added, 2 there already")
    assert command("compare", store, "--jobs", 2) in (0, 1)
    assert "analyzes no run: one process does it" in command.err


def test_without_dask_one_line_says_what_to_install() -> None:
    code = (
        "import sys; sys.modules['distributed'] = None\n"
        "sys.argv = ['lukewarm', 'analyze', sys.argv[1], '--cluster', 'tcp://127.0.0.1:1']\n"
        "import lukewarm; lukewarm.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(SAMPLES[0])], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 1
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert "pip install 'lukewarm[cluster]'" in line


def test_a_log_nobody_watches_has_rate_and_end(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("dashboard.commands.progress.LINE_EVERY_S", 0.0)
    assert list(counted(range(6), 6, "adding")) == list(range(6))
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 5
    assert lines[0].startswith("adding: 1 of 6, ")
    assert all("done about" in line for line in lines)


def test_rate_and_end_by_hand() -> None:
    """100 of 1000 in 50 s: 2 a second, 900 left, 450 s more."""
    assert rate_and_end(100, 1000, 50.0, 0.0).startswith("2.0 a second, done about ")
    assert rate_and_end(10, 1000, 50.0, 0.0).startswith("5.0 s each, ")
    import time

    end = time.strftime("%H:%M:%S", time.localtime(450.0))
    assert rate_and_end(100, 1000, 50.0, 0.0).endswith(end)
