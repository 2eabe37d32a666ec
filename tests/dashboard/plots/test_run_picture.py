"""The picture of a run: what is drawn, what is said, and that it is text and nothing else."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser

from dashboard.plots.run import MAX_POINTS, Window, run_plot
from dashboard.plots.run_page import answer_of, rows_of, run_page, windows_of, write_run_picture
from dashboard.plots.theme import LINES, VERDICTS, verdict_style
from ingest.run import Run
from tests.support.signals.runs import make_run

HOSTILE = "</script><script>document.title='owned'</script><img src=http://evil.example/x>"


def small_run(**more: np.ndarray) -> Run:
    time = np.arange(-60.0, 600.0)
    warm = 60.0 * (1.0 - np.exp(-np.maximum(time, 0.0) / 120.0))
    channels = {
        "outlet": warm,
        "ambient": np.full(time.size, -4.0),
        "vacuum_source": np.where(time > 0, 60.0, 0.0),
        "road_speed": np.where(time > 200, 10.0, 0.0),
    }
    events = [(-60.0, "temp_lever", 100.0), (300.0, "temp_lever", 50.0)]
    return make_run(time, channels | more, events)


def result(**rise: Any) -> dict[str, Any]:
    steady = {
        "value": 61.23,
        "unit": "K",
        "u": 0.74,
        "verdict": "fail",
        "limit": {"low": 64.0},
        "note": None,
        "window": [200.0, 290.0],
    }
    return {
        "schema": 1,
        "run": {"vehicle": "SC-014", "family": "Plover", "heater": "blend-air"},
        "figures": {
            "warm_up_time": {"value": None, "unit": "s", "verdict": "not measured"},
            "steady_outlet_rise": steady | rise,
            "vacuum_decay": {
                "value": 1.2,
                "unit": "kPa/min",
                "u": 0.1,
                "verdict": "pass",
                "limit": None,
                "window": [100.0, 160.0],
            },
        },
        "verdict": "fail",
    }


def drawn(plot: Any, name: str) -> Any:
    return next(trace for trace in plot.figure.data if trace.name == name)


def test_the_question_is_answered_by_the_whole_run() -> None:
    document = result(verdict="pass") | {
        "decided_by": ["steady_outlet_rise"],
        "next_measurement": {"what": "log the coolant"},
        "seen": [{"cause": "x", "title": "the cable is loose", "power": 0.1, "needs": "a sweep"}],
    }
    answer = answer_of(document, "si")
    assert answer.question == "Does the heater of SC-014 work as it should?"
    # a run that fails never opens under the pass of one figure
    assert answer.reply.startswith("✕ fail: steady outlet rise 61.2 ± 1.5 K (limit 64 or more)")
    assert "the cable is loose (to see it: a sweep)" in answer.below[0]
    assert "log the coolant" in answer.below[1]
    unknown = answer_of({"verdict": "not measured", "reason": "the lever was never hot"}, "si")
    assert unknown.reply == "– not measured: the lever was never hot."


def test_windows_come_from_the_figures_in_time_order() -> None:
    assert windows_of(result()) == [
        Window(100.0, 160.0, "vacuum source shut off"),
        Window(200.0, 290.0, "steady at the hot end"),
    ]
    assert windows_of({"figures": {}}) == []


def test_the_margin_has_measured_figures_first() -> None:
    rows = rows_of(result(), "us")
    assert [row.name for row in rows] == ["steady outlet rise", "vacuum decay", "warm-up time"]
    assert rows[0].value == "110.2 ± 2.7 °F"
    assert rows[0].limits == "115.2 or more"
    assert [row.verdict for row in rows] == ["fail", "no limit", "not measured"]


def test_lines_are_the_readings_in_the_units_asked_for() -> None:
    run = small_run()
    time, outlet = run.series("outlet")
    for units, shown in (("si", outlet), ("us", outlet * 1.8 + 32.0)):
        trace = drawn(run_plot(run, [], units), "outlet")
        np.testing.assert_allclose(trace.x, time / 60.0)
        np.testing.assert_allclose(trace.y, shown, atol=0.0051)
    vacuum = drawn(run_plot(run, [], "us"), "vacuum source")
    assert float(np.max(vacuum.y)) == pytest.approx(60.0 / 3.386389, abs=0.006)


def test_the_lever_is_drawn_in_steps_to_the_end() -> None:
    lever = drawn(run_plot(small_run(), [], "si"), "temp lever")
    assert lever.line.shape == "hv"
    assert list(lever.y) == [100.0, 50.0, 50.0]
    np.testing.assert_allclose(lever.x, [-1.0, 5.0, 599.0 / 60.0])


def test_panels_share_the_time_axis_and_only_what_is_there_is_drawn() -> None:
    plot = run_plot(small_run(), [], "si")
    titles = [note.text for note in plot.figure.layout.annotations]
    assert titles == [
        "<b>Temperature, °C</b>",
        "<b>Lever, % of travel (100 is hot)</b>",
        "<b>Vacuum, kPa</b>",
        "<b>Road speed, m/s</b>",
    ]
    assert {trace.xaxis for trace in plot.figure.data} == {None}
    assert plot.legend == ("outlet", "ambient")
    alone = make_run(np.arange(0.0, 9.0), {"outlet": np.arange(9.0)})
    assert len(run_plot(alone, [], "si").figure.layout.annotations) == 1


def test_windows_are_marked_with_letters() -> None:
    windows = windows_of(result())
    figure = run_plot(small_run(), windows, "si").figure
    assert [(shape.x0, shape.x1) for shape in figure.layout.shapes] == [
        (pytest.approx(100 / 60), pytest.approx(160 / 60)),
        (pytest.approx(200 / 60), pytest.approx(290 / 60)),
    ]
    assert [note.text for note in figure.layout.annotations][-2:] == ["<b>A</b>", "<b>B</b>"]


def test_a_gap_is_a_gap() -> None:
    time = np.concatenate((np.arange(0.0, 100.0), np.arange(160.0, 260.0)))
    run = make_run(time, {"outlet": time})
    trace = drawn(run_plot(run, [], "si"), "outlet")
    assert trace.connectgaps is False
    assert np.isnan(np.asarray(trace.y, dtype=float)).sum() == 1
    assert np.isnan(trace.y[100])


def test_long_lines_are_thinned_and_keep_their_extremes() -> None:
    time = np.arange(0.0, 20_000.0)
    outlet = np.sin(time / 500.0)
    outlet[12_345] = 80.0
    outlet[4_321] = -30.0
    plot = run_plot(make_run(time, {"outlet": outlet}), [], "si")
    trace = drawn(plot, "outlet")
    assert plot.thinned
    assert len(trace.y) <= MAX_POINTS + 8
    assert (np.min(trace.y), np.max(trace.y)) == (-30.0, 80.0)
    assert not run_plot(small_run(), [], "si").thinned


def test_every_line_of_a_panel_differs_in_black_and_white() -> None:
    temperatures = [point for point in LINES if not point.startswith(("vac", "road", "temp"))]
    strokes = [(LINES[point].dash, LINES[point].width) for point in temperatures]
    assert len(set(strokes)) == len(strokes)
    assert LINES["vacuum_source"].dash != LINES["vacuum_actuator"].dash


@pytest.mark.parametrize("verdict", list(VERDICTS))
def test_verdicts_have_a_sign_a_word_and_enough_contrast(verdict: str) -> None:
    """Contrast of 4.5 to 1 on white (WCAG 2.1, 1.4.3)."""
    style = verdict_style(verdict)
    assert style.sign
    assert style.word == verdict
    channels = [int(style.color[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    assert 1.05 / (luminance + 0.05) >= 4.5


def test_the_page_asks_no_other_host(tmp_path: Path) -> None:
    path = tmp_path / "picture.html"
    write_run_picture(small_run(), result(), path, "si")
    page = path.read_text(encoding="utf-8")
    assert not re.findall(r"<(?:script|link|img|iframe)[^>]+(?:src|href)=", page)
    assert "@import" not in page.split("</style>")[0]
    assert page.startswith("<!doctype html>")
    assert re.search(r'<p class="reply is-fail">✕ fail[^<]*</p>', page)
    assert "<title>Does the heater of SC-014 work as it should?</title>" in page


def hostile_page() -> str:
    time = np.arange(0.0, 60.0)
    run = make_run(time, {"outlet": time, "ambient": time})
    sensors = {**run.sensors, HOSTILE: run.sensors["ambient"]}
    about = run.setup.run.model_copy(update={"vehicle": HOSTILE, "family": HOSTILE})
    run = run.with_(
        sensors=sensors, name=HOSTILE, setup=run.setup.model_copy(update={"run": about})
    )
    document = result(note=HOSTILE, value=None)
    document["run"] = {"vehicle": HOSTILE}
    document["figures"][HOSTILE] = {"value": 1.0, "unit": HOSTILE, "u": 0.1, "verdict": HOSTILE}
    windows = [Window(1.0, 2.0, HOSTILE)]
    return run_page(run, windows, rows_of(document, "si"), answer_of(document, "si"), "si")


def test_names_from_a_log_are_text() -> None:
    page = hostile_page()
    assert "<script>document.title" not in page
    assert "<img" not in page.split("<script")[0]
    assert "&lt;/script&gt;" in page


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1366])
def test_a_browser_shows_it_without_complaint(browser: Browser, width: int, tmp_path: Path) -> None:
    good, bad = tmp_path / "good.html", tmp_path / "bad.html"
    write_run_picture(small_run(), result(), good, "us")
    bad.write_text(hostile_page(), encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 900})
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    for path in (good, bad):
        page.goto(path.as_uri())
        page.wait_for_selector(".plotly-graph-div .xtick", state="attached")
        assert page.title() != "owned"
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path.name
    box = page.locator(".plotly-graph-div").bounding_box()
    page.close()
    assert said == []
    assert [url for url in asked if not url.startswith("file:")] == []
    assert box is not None
    assert box["height"] > 600
