"""What is typed stands there letter for letter, however fast, and whatever arrives meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from dashboard.pages.live import NOTE_FIELD
from dashboard.web.folder_source import FolderSource
from tests.browser.test_live_page import Drive
from tests.browser.visits import visit
from tests.support.board_runs import id_of

pytestmark = pytest.mark.browser

KEY_MS = 20.0
"""From letter to letter: quicker than anybody types for long (common practice, no source)."""

SLOW_PHONE = 6
"""How many times slower than this machine the page's scripts run."""

FIELDS = "input[type=text], input:not([type]), textarea"
WORDS = "abcdefghij klmn 0123456"
NUMBER = "12.3456789012345"


def slowed(page: Page) -> None:
    """Let the page's scripts run as on a slow phone."""
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": SLOW_PHONE})


def fields(page: Page) -> list[tuple[str, str]]:
    """Every field one can type in, by its id, with something for it; what is folded is opened."""
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    found: list[str] = page.eval_on_selector_all(
        FIELDS, "(all) => all.filter((each) => each.checkVisibility()).map((each) => each.id)"
    )
    numbers = ("choose-limit", "choose-ratio", "choose-share", "choose-from", "choose-to")
    return [(each, NUMBER if each in numbers else WORDS) for each in found]


def typed(page: Page, field: str, text: str) -> str:
    """What stands in a field after somebody typed over it."""
    page.focus(f"#{field}")
    page.evaluate(f"document.getElementById('{field}').select()")
    page.keyboard.type(text, delay=KEY_MS)
    return page.input_value(f"#{field}")


@pytest.fixture(scope="module")
def paths(few: FolderSource) -> dict[str, int]:
    """Pages with text fields, and how many."""
    run = id_of(few, "SC-014-complaint")
    return {"/": 1, f"/car?run={run}": 8, "/tuning?figure=dead_travel_cold": 3}


def test_no_letter_is_lost_in_any_field(
    browser: Browser, board: str, paths: dict[str, int]
) -> None:
    wrong = []
    for path, count in paths.items():
        with visit(browser, board) as visitor:
            page = visitor.open(path)
            slowed(page)
            found = fields(page)
            assert len(found) == count, path
            wrong += [
                (path, field, told)
                for field, text in found
                if (told := typed(page, field, text)) != text
            ]
    assert wrong == []


def test_a_search_is_kept_in_the_address(browser: Browser, board: str) -> None:
    with visit(browser, board) as visitor:
        page = visitor.open("/")
        slowed(page)
        typed(page, "choose-text", "sc-014")
        page.keyboard.press("Enter")
        # the answer to the first comes while the second is being typed
        page.keyboard.type(" and more of it", delay=KEY_MS)
        page.wait_for_url("**/?text=sc-014")
        page.wait_for_function(
            "() => document.querySelectorAll('table.runs tbody tr').length === 2"
        )
        assert page.input_value("#choose-text") == "sc-014 and more of it"
        page.keyboard.press("Enter")
        page.wait_for_url("**/?text=sc-014+and+more+of+it")
        page.go_back()
        page.wait_for_function("() => document.getElementById('choose-text').value === 'sc-014'")
        page.wait_for_selector("table.runs")


def test_what_is_being_written_stays_when_the_page_changes_around_it(
    browser: Browser, board: str, few: FolderSource
) -> None:
    before, after = id_of(few, "SC-014-complaint"), id_of(few, "SC-014-after-repair")
    with visit(browser, board) as visitor:
        page = visitor.open(f"/car?run={after}")
        fields(page)
        slowed(page)
        typed(page, "choose-beside", "SC-001")
        page.keyboard.press("Enter")
        page.keyboard.type("-baseline", delay=KEY_MS)
        page.wait_for_selector("#car-beside .main-svg")
        assert page.input_value("#choose-beside") == "SC-001-baseline"
        assert page.evaluate("document.activeElement.id") == "choose-beside"
        for field, text in (("choose-order", "A-77"), ("choose-remark", "cable set right")):
            typed(page, field, text)
        # another part appears above what was written
        page.select_option("select[name=before]", before)
        typed(page, "choose-done", WORDS)
        page.wait_for_selector("#car-before-after .main-svg")
        told = {name: page.input_value(f"#choose-{name}") for name in ("order", "remark", "done")}
        assert told == {"order": "A-77", "remark": "cable set right", "done": WORDS}
        # a remark belongs to its run: another run begins with none
        page.click("a.same-page >> text=run >> nth=0")
        page.wait_for_function("() => document.getElementById('choose-remark').value === ''")


def test_a_link_sets_the_fields_to_what_it_shows(browser: Browser, board: str) -> None:
    with visit(browser, board) as visitor:
        page = visitor.open("/?text=sc-014")
        page.click("table.by-cause a >> nth=0")
        page.wait_for_url("**cause=*")
        page.wait_for_function(
            "() => document.getElementById('choose-cause').value ==="
            " new URLSearchParams(window.location.search).get('cause')"
        )
        visitor.settle()


def test_a_drafted_set_up_is_written_in(browser: Browser, board: str, tmp_path: Path) -> None:
    log = tmp_path / "morning.csv"
    rows = [f"{each},{20.0 + 0.05 * each:.2f},-5.0" for each in range(600)]
    log.write_text("Time (s),Floor outlet (degC),Outside air (degC)\n" + "\n".join(rows), "utf-8")
    with visit(browser, board) as visitor:
        page = visitor.open("/drop")
        page.set_input_files(".drop input[type=file]", [str(log)])
        page.wait_for_selector("#drop-draft:not([hidden])")
        slowed(page)
        assert typed(page, "drop-setup", WORDS) == WORDS
        page.click("#drop-analyze")
        page.wait_for_selector("[role=alert] >> text=Not yet usable")
        assert page.input_value("#drop-setup") == WORDS


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[Drive]:
    with Drive(tmp_path) as found:
        yield found


def test_a_note_is_typed_while_the_numbers_move(browser: Browser, drive: Drive) -> None:
    with visit(browser, drive.page.url.rstrip("/"), 390) as visitor:
        page = visitor.page
        page.goto(drive.page.url)
        page.wait_for_selector(".live-number")
        slowed(page)
        field = NOTE_FIELD["id"]
        assert typed(page, field, WORDS) == WORDS
        page.keyboard.press("Enter")
        page.wait_for_selector(f"#live-said >> text=Noted: note {WORDS}")
        page.wait_for_function(f"() => document.getElementById('{field}').value === ''")
