"""The audit of the packages: it says so where it cannot ask, and fails where something is found."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
NOWHERE = "http://127.0.0.1:9"
"""The discard port (RFC 863), where nobody listens."""


def audit(python: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [ROOT / ".ci" / "audit"],
        env=os.environ | {"PYTHON": python} | environment,
        capture_output=True,
        text=True,
        check=False,
    )


def test_an_audit_without_a_network_says_so() -> None:
    pytest.importorskip("pip_audit")
    there = {"HTTPS_PROXY": NOWHERE, "HTTP_PROXY": NOWHERE, "NO_PROXY": "", "AUDIT_TIMEOUT": "1"}
    lower = {name.lower(): value for name, value in there.items()}
    done = audit(sys.executable, **there, **lower)
    assert done.returncode == 0, done.stdout
    assert "could not be reached" in done.stdout


@pytest.mark.parametrize(
    ("said", "status", "fails"),
    [
        ("No known vulnerabilities found", 0, False),
        ("Found 2 known vulnerabilities in 1 package", 1, True),
        ("Found 1 known vulnerability in 1 package", 1, True),
        ("ERROR: no connection", 1, False),
    ],
)
def test_what_is_found_is_a_failure(tmp_path: Path, said: str, status: int, *, fails: bool) -> None:
    stand_in = tmp_path / "python"
    stand_in.write_text(f"#!/bin/sh\necho '{said}'\nexit {status}\n")
    stand_in.chmod(stand_in.stat().st_mode | stat.S_IXUSR)
    assert (audit(str(stand_in)).returncode != 0) is fails
