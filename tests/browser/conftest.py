"""A real browser for the tests of this folder.

Nothing is skipped: where Chromium or the accessibility rules are missing, the tests fail and say
what to install. Who has neither deselects them: ``pytest -m "not browser"``.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from dashboard.web.folder_source import FolderSource
from tests.support.board_runs import few_samples, served

ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    place = os.environ.get("CHROMIUM") or shutil.which("chromium")
    if not place:
        pytest.fail("no Chromium: install it, or deselect with -m 'not browser'")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=place, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def axe() -> str:
    place = os.environ.get("LUKEWARM_TEST_AXE", "")
    if not Path(place).is_file():
        pytest.fail("LUKEWARM_TEST_AXE must name axe.min.js (npm install axe-core)")
    return Path(place).read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def few() -> FolderSource:
    return few_samples()


@pytest.fixture(scope="session")
def board(few: FolderSource) -> Iterator[str]:
    with served(few) as address:
        yield address
