"""One real browser for all tests of a process: Playwright runs one at a time, and no second one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib.resources import files
from typing import TYPE_CHECKING

import pytest

from tests.support.tools import needed, program

if TYPE_CHECKING:
    from playwright.sync_api import Browser

ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium: the one that CHROMIUM names, else the one on the PATH."""
    place = os.environ.get("CHROMIUM") or program("chromium", "chromium-browser")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=place, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """The script of the accessibility rules."""
    try:
        script = files("axe_playwright_python") / "axe.min.js"
    except ModuleNotFoundError:
        script = None
    return needed(script, "axe-playwright-python (with the dev extra)").read_text(encoding="utf-8")
