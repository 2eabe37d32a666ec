"""The board in use: by keyboard, by address, by zoom, by dropping logs."""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page
from playwright.sync_api import TimeoutError as WaitedInVain

from dashboard.web.folder_source import FolderSource
from tests.browser.visits import Visit, visit
from tests.support.board_runs import (
    SAMPLES,
    SPIKE,
    SPIKE_S,
    MadeSource,
    id_of,
    long_readings,
    made_document,
    served,
)

pytestmark = pytest.mark.browser

LONG = "a" * 64

PERSON_MS = 90.0
"""From letter to letter: a fast typist (common practice, no source)."""


def focused(page: Page) -> dict[str, Any]:
    """What has the focus, and whether one can see that it has."""
    found: dict[str, Any] = page.evaluate(
        """() => { const at = document.activeElement; const box = at.getBoundingClientRect();
        return { id: at.id, name: at.getAttribute('name'), text: (at.innerText || '').trim(),
          href: at.getAttribute('href'), seen: box.width > 1 && box.height > 1,
          ring: getComputedStyle(at).outlineStyle !== 'none' ||
                getComputedStyle(at).boxShadow !== 'none' }; }"""
    )
    return found


def tab_to(page: Page, wanted: str, most: int = 60) -> list[dict[str, Any]]:
    """Press Tab until what has the focus is the wanted link or field; all stops on the way."""
    stops = []
    for _ in range(most):
        page.keyboard.press("Tab")
        stops.append(focused(page))
        if wanted in (stops[-1]["href"], stops[-1]["name"], stops[-1]["text"]):
            return stops
    pytest.fail(f"{wanted} is not reached by keyboard: {[stop['text'] for stop in stops]}")


def test_the_board_is_walked_by_keyboard_alone(browser: Browser, board: str) -> None:
    with visit(browser, board) as visitor:
        page = visitor.open("/")
        page.keyboard.press("Tab")
        assert focused(page)["text"] == "Skip to the page"
        stops = tab_to(page, "figure")
        assert [stop for stop in stops if not stop["ring"]] == []
        page.keyboard.type("coolant plateau")
        page.wait_for_url("**/?figure=coolant_plateau")
        page.wait_for_selector("h2 >> text=coolant plateau")
        visitor.settle()
        stops = tab_to(page, "SC-014")
        assert [stop for stop in stops if stop["seen"] and not stop["ring"]] == []
        page.keyboard.press("Enter")
        page.wait_for_selector("h1 >> text=SC-014")
        visitor.settle()
        tab_to(page, "from")
        page.keyboard.type("5")
        tab_to(page, "to", 1)
        page.keyboard.type("9")
        page.keyboard.press("Enter")
        page.wait_for_url("**&from=5&to=9")
        page.wait_for_function(
            "() => document.querySelector('#car-picture .js-plotly-plot')"
            "?._fullLayout?.xaxis?.range[1] === 9"
        )


def test_the_address_holds_the_state(browser: Browser, board: str) -> None:
    with visit(browser, board) as visitor:
        page = visitor.open("/")
        page.select_option("[name=verdict]", "fail")
        page.wait_for_url("**/?verdict=fail")
        page.select_option("select[name=units]", "us")
        page.wait_for_url("**/?verdict=fail&units=us")
        page.wait_for_selector("table.runs >> text=°F >> nth=0")
        shown = page.inner_text("table.runs")
        assert shown.count("fail") == 1
        with visit(browser, board) as colleague:
            there = colleague.open("/?verdict=fail&units=us")
            assert there.inner_text("table.runs") == shown
            assert there.input_value("[name=verdict]") == "fail"
        page.go_back()
        page.wait_for_url("**/?verdict=fail")
        page.wait_for_function(
            "() => !document.querySelector('table.runs').innerText.includes('°F')"
        )
        assert page.input_value("select[name=units]") == "si"
        page.go_back()
        page.wait_for_function(
            "() => document.querySelectorAll('table.runs tbody tr').length === 7"
        )
        assert page.input_value("[name=verdict]") == "any"


def test_a_mark_leads_to_its_car(browser: Browser, board: str) -> None:
    with visit(browser, board) as visitor:
        page = visitor.open("/?units=us&verdict=fail")
        page.locator("#fleet-picture .point").first.click(force=True)
        page.wait_for_url("**/car?run=*&units=us")
        page.wait_for_selector("h1 >> text=SC-014")
        visitor.settle()


def test_another_run_empties_what_belonged_to_the_last(
    browser: Browser, board: str, few: FolderSource
) -> None:
    before, after = id_of(few, "SC-014-complaint"), id_of(few, "SC-014-after-repair")
    with visit(browser, board) as visitor:
        page = visitor.open(f"/car?run={after}")
        page.select_option("select[name=before]", before)
        page.wait_for_selector("#car-before-after .main-svg")
        assert "Repaired" in page.inner_text("#car-answer")
        page.select_option("select[name=run]", id_of(few, "SC-001-baseline"))
        page.wait_for_selector("h1 >> text=SC-001")
        assert "before" not in page.url
        visitor.settle()


@pytest.fixture(scope="module")
def long_board() -> Iterator[str]:
    source = MadeSource({LONG: made_document("SC-090")}, {LONG: long_readings()})
    with served(source) as address:
        yield address


ZOOM = (
    "(range) => window.Plotly.relayout("
    "document.querySelector('#car-picture .js-plotly-plot'), {'xaxis.range': range})"
)
ALL_SHOWN = "() => document.querySelector('#car-picture-note').innerText.startsWith('All ')"


def drawn_outlet(page: Page) -> dict[str, float]:
    """Highest drawn reading of the outlet and how many points are drawn."""
    told: dict[str, float] = page.evaluate(
        """() => { const graph = document.querySelector('#car-picture .js-plotly-plot');
          const told = Array.from(graph.calcdata[0], (each) => each.y).filter(Number.isFinite);
          return { highest: Math.max(...told), points: told.length }; }"""
    )
    return told


def test_a_million_rows_open_and_zoom_to_real_extremes(browser: Browser, long_board: str) -> None:
    with visit(browser, long_board) as visitor:
        page = visitor.open(f"/car?run={LONG}")
        first = drawn_outlet(page)
        assert first["highest"] == SPIKE
        assert first["points"] < 2000
        assert "Thinned for display: 1,000,000 readings" in page.inner_text("#car-picture-note")
        minute = SPIKE_S / 60.0
        # the component listens a moment after the picture is drawn
        page.wait_for_function(
            "() => document.querySelector('#car-picture .js-plotly-plot')"
            "._ev?._events?.plotly_relayout"
        )
        closer = [minute - 0.5, minute + 0.5]
        for _ in range(10):  # a person whose first drag came while the picture was made drags again
            page.evaluate(ZOOM, closer)
            with contextlib.suppress(WaitedInVain):
                page.wait_for_function(ALL_SHOWN, timeout=6000)
                break
        assert drawn_outlet(page)["highest"] == SPIKE
        assert drawn_outlet(page)["points"] == pytest.approx(602, abs=4)
        assert "from=1166" in page.url
        assert page.input_value("[name=from]") == "1166"


def drop(visitor: Visit, files: list[Path]) -> Page:
    page = visitor.open("/drop")
    page.set_input_files(".drop input[type=file]", [str(path) for path in files])
    return page


def test_a_dropped_run_folder_is_analyzed(browser: Browser, board: str) -> None:
    with visit(browser, board) as visitor:
        folder = SAMPLES / "SC-017-complaint"
        page = drop(visitor, sorted(folder.iterdir()))
        page.wait_for_url("**/car?run=u-*")
        page.wait_for_selector("h1 >> text=SC-017")
        visitor.settle()
        assert "thermostat" in page.inner_text(".causes")
        assert "dropped" in page.inner_text("#car-content")


def test_a_log_alone_gets_a_draft_to_complete(browser: Browser, board: str, tmp_path: Path) -> None:
    log = tmp_path / "morning.csv"
    rows = [f"{each},{20.0 + 0.05 * each:.2f},-5.0" for each in range(600)]
    log.write_text("Time (s),Floor outlet (degC),Outside air (degC)\n" + "\n".join(rows), "utf-8")
    with visit(browser, board) as visitor:
        page = drop(visitor, [log])
        page.wait_for_selector("#drop-draft:not([hidden])")
        draft = page.input_value("#drop-setup")
        assert 'file = "morning.csv"' in draft
        page.fill("#drop-setup", "\n".join(
            line if not line.startswith("vehicle") else 'vehicle = "SC-200"'
            for line in draft.splitlines()
        ))  # fmt: skip
        page.click("#drop-analyze")
        page.wait_for_url("**/car?run=u-*")
        page.wait_for_selector("h1 >> text=SC-200")
        visitor.settle()


def test_what_cannot_be_used_is_said(browser: Browser, board: str, tmp_path: Path) -> None:
    packed = tmp_path / "log.csv"
    packed.write_bytes(b"PK\x03\x04" + b"0" * 100)
    with visit(browser, board) as visitor:
        page = drop(visitor, [packed])
        page.wait_for_selector("[role=alert]")
        assert "a damaged archive" in page.inner_text("[role=alert]")


MARKUP = '<img src=x onerror="window.owned=1"><script>window.owned=1</script>'


def test_names_are_text_and_nothing_else(browser: Browser) -> None:
    told = made_document(MARKUP, MARKUP, name=MARKUP)
    told["figures"]["steady_outlet_rise"]["note"] = MARKUP
    told["causes"] = [
        {"cause": MARKUP, "probability": 0.9, "evidence": [MARKUP], "next_check": None}
    ]
    told["next_check"] = {"title": MARKUP, "how": MARKUP, "caution": MARKUP, "minutes": 5}
    told["quality"] = [{"channel": MARKUP, "fault": MARKUP, "detail": MARKUP}]
    frame = long_readings(5000).frame.with_columns(outlet_defrost_degC=1.0)
    hostile = frame.rename({"cabin_degC": f"{MARKUP}_degC"})
    from dashboard.plots.readings import Readings

    source = MadeSource({LONG: told}, {LONG: Readings(hostile)})
    source.unusable = {MARKUP: [MARKUP]}
    source.title = MARKUP
    with served(source) as address:
        for path in ("/", f"/car?run={LONG}", "/limits", f"/?text={MARKUP}&family={MARKUP}"):
            with visit(browser, address) as visitor:
                page = visitor.open(path)
                page.hover(".nsewdrag", force=True) if "car" in path else None
                assert page.evaluate("window.owned") is None, path
                assert page.locator("img[src=x]").count() == 0, path


def test_a_check_is_noted_by_keyboard_and_the_ranking_follows(
    browser: Browser, tmp_path: Path
) -> None:
    shutil.copytree(SAMPLES / "SC-014-complaint", tmp_path / "SC-014-complaint")
    source = FolderSource.read([tmp_path / "SC-014-complaint"], "one car")
    with served(source) as address, visit(browser, address) as visitor:
        page = visitor.open("/car")
        first = page.inner_text(".reply")
        tab_to(page, "Note what a check found")
        page.keyboard.press("Enter")
        tab_to(page, "remark")
        page.keyboard.type("set right already", delay=PERSON_MS)
        tab_to(page, "Found nothing")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=set right already")
        visitor.settle()
        assert "found nothing" in page.inner_text("#car-content")
        assert page.inner_text(".reply") != first


def test_the_report_and_the_files_are_reached_by_keyboard(browser: Browser, board: str) -> None:
    with visit(browser, board) as visitor:
        page = visitor.open("/car")
        stops = tab_to(page, "Report and files")
        assert [stop for stop in stops if stop["seen"] and not stop["ring"]] == []
        page.keyboard.press("Enter")
        tab_to(page, "order")
        page.keyboard.type("A-77", delay=PERSON_MS)
        tab_to(page, "Report as HTML")
        with page.expect_download() as saved:
            page.keyboard.press("Enter")
        assert saved.value.suggested_filename.endswith("-report.html")
        assert "A-77" in Path(saved.value.path()).read_text("utf-8")
        tab_to(page, "The result (JSON)")
        with page.expect_download() as saved:
            page.keyboard.press("Enter")
        assert "figures" in json.loads(Path(saved.value.path()).read_text("utf-8"))


def test_another_run_is_laid_over(browser: Browser, board: str) -> None:
    with visit(browser, board) as visitor:
        page = visitor.open("/car")
        page.fill("[name=beside]", "sc-014")
        page.keyboard.press("Enter")
        page.wait_for_selector("#car-beside .main-svg")
        visitor.settle()
        assert "beside=sc-014" in page.url
        page.click("a.same-page >> text=SC-014, complaint")
        page.wait_for_selector("text=Dashed: SC-014, complaint")
        visitor.settle()


def test_a_limit_is_tried_by_keyboard_in_its_own_units(browser: Browser, board: str) -> None:
    with visit(browser, board, 390) as visitor:
        page = visitor.open("/tuning?figure=dead_travel_cold")
        page.wait_for_selector("#choose-limit-slider[aria-valuetext$='%']")
        first = page.input_value("#choose-limit")
        page.focus("#choose-limit-slider")
        for _ in range(5):
            page.keyboard.press("ArrowRight")
        page.wait_for_url("**&limit=*")
        tried = page.input_value("#choose-limit")
        assert float(tried) > float(first)
        assert page.get_attribute("#choose-limit-slider", "aria-valuetext") == f"{tried} %"
        page.wait_for_selector(f"text=With {tried} % or less asked")
        page.fill("#choose-limit", "17.5")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=With 17.5 % or less asked")
        visitor.settle()
        with visit(browser, board) as colleague:
            there = colleague.open(page.url.removeprefix(board))
            there.wait_for_selector("text=With 17.5 % or less asked")
            assert there.input_value("#choose-limit") == "17.5"
