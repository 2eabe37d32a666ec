"""A board that stops under an open page: said, locked, and healed when it is back."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from playwright.sync_api import Browser

from dashboard.board.app import create_app
from dashboard.board.server import Serving, address_of, bind, make_server
from dashboard.web.folder_source import FolderSource
from dashboard.web.service import Board
from tests.browser.visits import PATIENCE_MS

pytestmark = pytest.mark.browser


class Running:
    """A board on a port of its own that can be stopped, and started there again."""

    def __init__(self, source: FolderSource, port: int = 0) -> None:
        serving = Serving(port=port)
        self.server: Any = make_server(create_app(Board(source)).server, serving)
        bind(self.server, serving)
        self.address = address_of(self.server, serving).rstrip("/")
        self.thread = threading.Thread(target=self.server.serve, daemon=True)
        self.thread.start()

    def stop(self) -> None:
        self.server.stop()
        self.thread.join(30.0)


def test_a_board_that_stops_is_said_and_heals(browser: Browser, few: FolderSource) -> None:
    running = Running(few)
    context = browser.new_context(viewport={"width": 390, "height": 844})
    context.set_default_timeout(PATIENCE_MS)
    try:
        page = context.new_page()
        page.goto(running.address)
        page.wait_for_selector("table.runs")
        port = int(running.address.rsplit(":", 1)[1])
        running.stop()
        page.wait_for_selector("#board-gone[role=alert]")
        assert page.is_disabled("#choose-family")
        running = Running(few, port)
        page.wait_for_selector("#board-gone", state="detached")
        page.click("summary >> text=Choose, search and order")
        page.wait_for_selector("#choose-family:enabled")
        page.select_option("#choose-family", "Plover")
        page.wait_for_url("**/?family=Plover")
        page.wait_for_selector("table.runs")
    finally:
        context.close()
        running.stop()


def test_a_run_that_is_not_there_says_so(browser: Browser, board: str) -> None:
    context = browser.new_context()
    try:
        page = context.new_page()
        answer = page.goto(f"{board}/car?run={'0' * 64}")
        assert answer is not None
        assert answer.status == 404
        page.wait_for_selector("text=There is no such run here.")
    finally:
        context.close()
