"""Programs that some tests need and not every machine has."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TypeVar

import pytest

T = TypeVar("T")


ROOT = Path(__file__).parents[2]


def run_lukewarm(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """The command line in a process of its own, from a folder and without an environment."""
    return subprocess.run(
        [sys.executable, "-m", "lukewarm", *arguments],
        cwd=folder, capture_output=True, text=True, timeout=120,
        env={"PYTHONPATH": str(ROOT), "PATH": ""}, check=False,
    )  # fmt: skip


def needed(found: T | None, what: str) -> T:
    """What was found; without it the test is skipped, on the test server it fails (`CI` is set)."""
    if found is None:
        if os.environ.get("CI"):
            pytest.fail(f"{what} is not installed")
        pytest.skip(f"{what} is not installed")
    return found


def program(*names: str) -> str:
    """Path of a program by one of its names, also where administrators' programs are."""
    path = os.pathsep.join([os.environ["PATH"], "/usr/sbin"])
    found = (shutil.which(name, path=path) for name in names)
    return needed(next(filter(None, found), None), names[0])
