"""The command line itself: its version, an output that takes nothing, a recording of nothing."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.support.loggers import numbered_setup, write_setup
from tests.support.screen import Screen

ROOT = Path(__file__).parents[3]
RUN = ROOT / "sample_logs" / "SC-014-complaint"

FULL = """
import resource, sys
import lukewarm
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
lukewarm.main()
"""
"""A program no file of which may grow: to standard output the same as a full disk."""

CLOSED = """
import sys
import lukewarm
sys.stdout = None
lukewarm.main()
"""


def test_version(command: Screen) -> None:
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert command("--version") == 0
    assert command.out == f"lukewarm {told['project']['version']}\n"


def test_the_check_is_noted_by_what_the_screen_says(
    command: Screen, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(RUN, tmp_path / "Wagen für Mai")
    monkeypatch.chdir(tmp_path)
    assert command("analyze", "Wagen für Mai") == 0
    (line,) = (line for line in command.out.splitlines() if line.startswith("Note it with: "))
    typed = shlex.split(line.removeprefix("Note it with: ").replace("yes|no", "yes"))
    assert command(*typed[1:]) == 0
    assert "Likely causes now" in command.out


def test_the_ranking_is_that_of_the_same_good_cars(command: Screen, tmp_path: Path) -> None:
    run = shutil.copytree(RUN, tmp_path / "run")
    good = tmp_path / "good"
    for name in ("SC-001", "SC-002", "SC-003", "SC-004", "SC-005"):
        shutil.copytree(RUN.parent / f"{name}-baseline", good / name)
    assert command("analyze", run, "--baseline", good, "--json", "-") == 0
    first = json.loads(command.out)["causes"][0]
    assert command("checked", run, "--baseline", good) == 0
    (shown,) = (line for line in command.out.splitlines() if first["title"] in line)
    assert shown.startswith(f"{100 * first['probability']:3.0f} %  ")


@pytest.mark.parametrize("option", ["--baseline", "--limits"])
def test_who_asked_for_a_document_gets_one_though_nothing_can_be_judged(
    command: Screen, tmp_path: Path, option: str
) -> None:
    missing = str(tmp_path / "gone")
    assert command("analyze", str(RUN), option, missing, "--json", "-") == 1
    document = json.loads(command.out)
    assert document["run"]["name"] == RUN.name
    assert document["error"] == [command.err.removeprefix("error: ").strip()]
    file = tmp_path / "result.json"
    assert command("analyze", str(RUN), option, missing, "--json", str(file)) == 1
    assert not file.exists()


if sys.platform != "win32":  # which knows no such limit

    @pytest.mark.parametrize(
        "arguments",
        [("analyze", str(RUN)), ("analyze", str(RUN), "--json", "-"), ("--version",), ("--help",)],
        ids=lambda arguments: " ".join((arguments[0], *arguments[2:])),
    )
    def test_a_full_disk_behind_standard_output(tmp_path: Path, arguments: tuple[str, ...]) -> None:
        with (tmp_path / "out.txt").open("wb") as out:
            done = subprocess.run(
                [sys.executable, "-B", "-c", FULL, *arguments],
                cwd=ROOT,
                stdout=out,
                stderr=subprocess.PIPE,
                text=True,
            )
        assert done.stderr.startswith("error: output: File too large")
        assert done.stderr.count("\n") == 1
        assert done.returncode == 1


def test_a_closed_standard_output(tmp_path: Path) -> None:
    file = tmp_path / "result.json"
    done = subprocess.run(
        [sys.executable, "-c", CLOSED, "analyze", str(RUN), "--json", str(file)],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert file.stat().st_size > 0


def test_a_recording_of_nothing(command: Screen, tmp_path: Path) -> None:
    setup = write_setup(tmp_path, numbered_setup())
    port = "no-such-port" if os.name == "nt" else str(tmp_path / "no-such-port")
    arguments = ("record", port, "--setup", setup, "--seconds", "0.6")
    assert command(*arguments, "--out", tmp_path / "plain") == 1
    assert "error: no whole line arrived" in command.err
    assert command(*arguments, "--out", tmp_path / "led", "--plan", "none") == 1
    assert "error: no whole line arrived" in command.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("compare", "fleet", "--by", "colour"), "'colour' is not one of 'family'"),
        (("checked", str(RUN), "cable_adjustmnt", "--found", "yes"), "did you mean cable_adjust"),
        (("explain", "warm_up_tim"), "did you mean warm_up_time"),
        (("analyze", str(RUN), "--units", "xx"), "'xx' is not one of 'si', 'us'"),
        (("analyse", str(RUN)), "No such command"),
    ],
)
def test_wrong_use_is_said_in_plain_words_with_status_2(
    command: Screen, words: tuple[str, ...], said: str
) -> None:
    assert command(*words) == 2
    assert said in " ".join(command.err.replace("│", " ").split())
    assert "Value error" not in command.err
