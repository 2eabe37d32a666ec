"""Every page in a real browser: wide and narrow, quiet, reachable, readable by machines."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page

from dashboard.pages import all_pages
from dashboard.web.folder_source import FolderSource
from tests.browser.visits import WIDTHS, Visit, visit
from tests.support.board_runs import id_of, served

pytestmark = pytest.mark.browser

BAD = ("serious", "critical")


MISSING = "/nowhere"


def paths(few: FolderSource) -> list[str]:
    """Every page, in the states that look different."""
    before, after = id_of(few, "SC-014-complaint"), id_of(few, "SC-014-after-repair")
    return [
        *(page.path for page in all_pages()),
        "/?units=us&figure=vacuum_decay",
        f"/car?run={after}&before={before}&units=us",
        f"/car?run={before}&from=5&to=9",
        "/limits?units=us",
        MISSING,
    ]


WALK = """() => {
  window.walked = new Set();
  document.addEventListener('focusin', (event) => walked.add(event.target.dataset.walk));
  return [...document.querySelectorAll(
      'a[href], button, input, select, textarea, summary, [tabindex="0"]')]
    .filter((each) => each.checkVisibility() && !each.disabled && each.tabIndex >= 0)
    .map((each, place) => { each.dataset.walk = place; return each.outerHTML.slice(0, 100); })}"""
"""Everything on a page that can be acted on, numbered; where the focus comes is kept."""


class Tour:
    """What was seen of every page, each opened once."""

    def __init__(self, visitor: Visit, paths: list[str], axe: str, width: int) -> None:
        self.wrong: list[tuple[object, ...]] = []
        self.missed: list[tuple[str, str]] = []
        self.fewest = 1000
        for path in paths:
            page = visitor.open(path)
            if path == MISSING:
                # a page there is not is an error to the browser's console, and rightly so
                assert len(visitor.complaints) == 1
                assert "404" in visitor.complaints.pop()
            across = page.evaluate("document.documentElement.scrollWidth")
            self.wrong += [(path, f"{across} px wide")] if across > width else []
            page.evaluate(f"(() => {{ {axe} }})()")
            self.wrong += [
                (path, each["id"], [node["html"][:200] for node in each["nodes"]])
                for each in page.evaluate("axe.run().then((told) => told.violations)")
                if each["impact"]
            ]
            if path != MISSING:
                self._walk(page, path)
            self.wrong += [(path, each) for each in (*visitor.complaints, *visitor.elsewhere)]
            visitor.complaints.clear()
            visitor.elsewhere.clear()

    def _walk(self, page: Page, path: str) -> None:
        actions: list[str] = page.evaluate(WALK)
        self.fewest = min(self.fewest, len(actions))
        for _ in range(len(actions) + 5):
            page.keyboard.press("Tab")
        reached = set(page.evaluate("[...walked]"))
        self.missed += [
            (path, html) for place, html in enumerate(actions) if str(place) not in reached
        ]


@pytest.fixture(scope="module", params=[(390, "light"), (1366, "dark")], ids=["390", "1366"])
def tour(
    request: pytest.FixtureRequest, browser: Browser, board: str, few: FolderSource, axe: str
) -> Tour:
    width, scheme = request.param
    # one window for all, as a visitor has: a new one would compile the scripts for every page
    with visit(browser, board, width) as visitor:
        visitor.page.emulate_media(color_scheme=scheme)
        return Tour(visitor, paths(few), axe, width)


def test_every_page_is_quiet_fits_and_reads_well(tour: Tour) -> None:
    assert tour.wrong == []


def test_every_action_is_reached_by_keyboard(tour: Tour) -> None:
    assert tour.missed == []
    assert tour.fewest > 5


@pytest.fixture(scope="module")
def guarded(few: FolderSource) -> Iterator[str]:
    with served(few, password="lamplighter") as address:  # noqa: S106 - of this test alone
        yield address


@pytest.mark.parametrize("width", WIDTHS)
def test_the_password_lets_in_and_nothing_else_does(
    browser: Browser, guarded: str, axe: str, width: int
) -> None:
    with visit(browser, guarded, width) as visitor:
        page = visitor.page
        page.goto(f"{guarded}/limits?units=us")
        assert page.url.startswith(f"{guarded}/login")
        page.evaluate(f"(() => {{ {axe} }})()")
        found = page.evaluate("axe.run().then((told) => told.violations)")
        assert [each["id"] for each in found if each["impact"] in BAD] == []
        page.keyboard.type("not it, surely")
        page.keyboard.press("Enter")
        page.wait_for_selector("[role=alert]")
        # the refusal is an error to the browser's console, and rightly so
        visitor.complaints.clear()
        page.fill("#password", "lamplighter")
        page.keyboard.press("Enter")
        page.wait_for_url("**/limits?units=us")
        page.wait_for_selector("h1 >> text=What is asked")
        cookie = page.context.cookies()[0]
        assert cookie["httpOnly"]
        assert cookie["sameSite"] == "Strict"
        visitor.settle()
        page.click("text=Log out")
        page.goto(guarded)
        assert page.url == f"{guarded}/login"


def test_print_leaves_out_what_paper_cannot_use(browser: Browser, board: str) -> None:
    with visit(browser, board) as visitor:
        page = visitor.open("/")
        page.emulate_media(media="print")
        assert not page.is_visible("nav[aria-label=Pages]")
        assert not page.is_visible("#choose-figure")
        assert page.is_visible("table.runs")


MAX_SENT = 700_000
"""Bytes on the first visit: four seconds on a line of 1.6 Mbit/s, the plots with it."""


@pytest.mark.parametrize("path", ["/", "/car", "/limits", "/tuning", "/drop"])
def test_a_page_is_light(browser: Browser, board: str, path: str) -> None:
    with visit(browser, board) as visitor:
        wire = visitor.page.context.new_cdp_session(visitor.page)
        wire.send("Network.enable")
        sent: list[float] = []
        wire.on("Network.loadingFinished", lambda event: sent.append(event["encodedDataLength"]))
        visitor.open(path)
    assert len(sent) > 10
    assert sum(sent) < MAX_SENT
