"""A visit to a page of the board that keeps an eye on everything the browser complains of."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from playwright.sync_api import Browser, Page

WIDTHS = (390, 1366)
PATIENCE_MS = 60_000.0
"""A machine under load must not fail a test for being slow."""


class Visit:
    """A page with what went wrong on it.

    Parameters
    ----------
    page
        Playwright's page.
    address
        The board's.
    """

    def __init__(self, page: Page, address: str) -> None:
        self.page = page
        self.address = address
        self.complaints: list[str] = []
        self.elsewhere: list[str] = []
        page.on("console", self._said)
        page.on("pageerror", lambda error: self.complaints.append(f"error: {error}"))
        page.on("request", self._asked)

    def _said(self, message) -> None:  # type: ignore[no-untyped-def]
        if message.type in ("error", "warning"):
            self.complaints.append(f"{message.type}: {message.text}")

    def _asked(self, request) -> None:  # type: ignore[no-untyped-def]
        if not request.url.startswith((f"{self.address}/", "data:", "blob:")):
            self.elsewhere.append(request.url)

    def open(self, path: str) -> Page:
        """Go to a path and wait until its results stand there."""
        self.page.goto(self.address + path)
        self.page.wait_for_selector("h1")
        self.settle()
        return self.page

    def settle(self) -> None:
        """Wait until no callback is under way and every graph is drawn.

        The answer that stands there before the scripts do is gone once the page itself has it.
        """
        self.page.wait_for_load_state("networkidle")
        self.page.wait_for_function("() => !document.getElementById('first')")
        self.page.wait_for_function(
            "() => !document.querySelector('[data-dash-is-loading=true], ._dash-loading') &&"
            " [...document.querySelectorAll('.dash-graph')]"
            ".every((graph) => graph.querySelector('.main-svg'))"
        )

    def check(self) -> None:
        """Nothing was complained of, nothing asked of another host."""
        assert self.complaints == []
        assert self.elsewhere == []


@contextlib.contextmanager
def visit(browser: Browser, address: str, width: int = 1366) -> Iterator[Visit]:
    """A fresh visitor's window; what went wrong is checked at the end."""
    context = browser.new_context(viewport={"width": width, "height": 800})
    context.set_default_timeout(PATIENCE_MS)
    try:
        visitor = Visit(context.new_page(), address)
        yield visitor
        visitor.check()
    finally:
        context.close()
