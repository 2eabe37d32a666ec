"""What a shell completes: names of figures, causes, checks, and a store's families."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]


def completed(words: str, folder: Path) -> list[str]:
    """As bash asks: the words so far, the last of them incomplete."""
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; sys.argv[0] = 'lukewarm'; import lukewarm; lukewarm.main()",
        ],
        cwd=folder,
        env=os.environ
        | {
            "PYTHONPATH": str(ROOT),
            "_LUKEWARM_COMPLETE": "complete_bash",
            "COMP_WORDS": words,
            "COMP_CWORD": str(len(words.split()) - 1),
        },
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    return done.stdout.split()


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("lukewarm explain dead_travel", ["dead_travel_cold", "dead_travel_hot"]),
        ("lukewarm explain thermostat_t", ["thermostat_test"]),
        ("lukewarm checked RUN cable", ["cable_adjustment"]),
        ("lukewarm compare fleet --figure warm", ["warm_up_time"]),
        ("lukewarm store list fleet --cause hoses", ["hoses_reversed"]),
        ("lukewarm compare nowhere --family P", []),
    ],
)
def test_names_are_completed(tmp_path: Path, words: str, found: list[str]) -> None:
    assert completed(words, tmp_path) == found


def test_families_are_those_of_the_store_named(tmp_path: Path) -> None:
    run = ROOT / "sample_logs" / "SC-001-baseline"
    subprocess.run(
        [
            sys.executable,
            str(ROOT / "lukewarm.py"),
            "store",
            "add",
            str(tmp_path / "fleet"),
            str(run),
        ],
        check=True,
        capture_output=True,
    )
    assert completed("lukewarm compare fleet --family P", tmp_path) == ["Plover"]
