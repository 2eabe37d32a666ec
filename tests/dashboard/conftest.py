"""Fixtures of everything people meet."""

from __future__ import annotations

import pytest

from tests.support.screen import Screen


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Screen:
    """The command line."""
    return Screen(monkeypatch, capsys)
