"""The command line as a shell runs it."""

from __future__ import annotations

import sys

import pytest

import lukewarm


class Screen:
    """Runs a command as a shell would and keeps what it says."""

    def __init__(self, patch: pytest.MonkeyPatch, capture: pytest.CaptureFixture[str]) -> None:
        self.patch = patch
        self.capture = capture
        self.out = self.err = ""

    def __call__(self, *arguments: object) -> int:
        self.capture.readouterr()
        with self.patch.context() as patch:
            patch.setattr(sys, "argv", ["lukewarm", *map(str, arguments)])
            with pytest.raises(SystemExit) as ended:
                lukewarm.main()
        self.out, self.err = self.capture.readouterr()
        return int(ended.value.code or 0)
