"""The report: what it says to each reader, that it fits its pages, and that names are only text."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader
from typer.testing import CliRunner

from analysis.pipeline import Analysis, analyze
from dashboard.commands.main import app
from dashboard.report.blocks import (
    Blank,
    Bullets,
    Heading,
    Picture,
    Report,
    ReportPage,
    Table,
    Text,
)
from dashboard.report.content import build_report
from dashboard.report.html import report_html
from dashboard.report.make import write_report
from dashboard.report.pdf import body_size, filled, printable, report_pdf
from dashboard.report.subject import Subject, subject_of
from ingest.check_sheet import Checked, note_check
from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.run import Finding
from tests.support.signals.runs import make_run

SAMPLES = Path(__file__).parents[3] / "sample_logs"
HOSTILE = "</p><script>document.title='owned'</script><b>&amp;<para>%s{{ 7*7 }}"
DONE = "Cable housing set 5/32 in beyond both clips"
PAPERS = {"a4": (595.3, 841.9), "letter": (612.0, 792.0)}


@cache
def sample(name: str) -> Analysis:
    return analyze(load_run(SAMPLES / name))


def subject(units: str = "si", checks: Sequence[Checked] = (), *done: str) -> Subject:
    pair = [sample("SC-014-complaint"), sample("SC-014-after-repair")]
    return subject_of(pair, checks, done, None, units)


def texts(page: ReportPage) -> list[str]:
    """Everything a page says, block by block."""
    said = [page.title]
    for block in page.blocks:
        if isinstance(block, Heading | Text):
            said.append(block.text)
        elif isinstance(block, Bullets):
            said += block.items
        elif isinstance(block, Table):
            said += [*block.head, *(cell for row in block.rows for cell in row), block.more]
    return said


def pages_of(report: Report) -> tuple[str, str, str]:
    owner, order, warranty = ("\n".join(texts(page)) for page in report.pages)
    return owner, order, warranty


def pdf_text(data: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(data)).pages]


class TestOwner:
    def test_plain_words_and_whole_numbers(self) -> None:
        owner, _, _ = pages_of(build_report(subject("si", (), DONE)))
        assert "Yes. The heater works as it should again." in owner
        assert "Most likely the control cable stops short of full hot" in owner
        assert DONE in owner
        assert re.search(r"Warm air arrived after 11 minutes .*it should take 20 minutes", owner)
        # decimals, symbols and the analysis's own names are for the other readers
        assert not re.search(r"\d\.\d|±|_|\bK\b|kPa", owner)

    def test_the_family_stands_in_for_the_limit(self) -> None:
        told = replace(subject(), family={"warm_up_time": (360.0, 600.0)})
        owner, _, _ = pages_of(build_report(told))
        assert re.search(
            r"Warm air arrived after 11 minutes.*cars of this kind take 6 to 10", owner
        )

    def test_degrees_fahrenheit(self) -> None:
        rise = sample("SC-014-after-repair").figures["steady_outlet_rise"].known()
        owner, _, _ = pages_of(build_report(subject("us")))
        assert f"is {1.8 * rise:.0f} °F warmer than the air outside" in owner
        assert "°C" not in owner

    def test_without_a_repair_it_says_what_comes_next(self) -> None:
        alone = subject_of([sample("SC-014-complaint")], (), (), None, "si")
        owner, _, _ = pages_of(build_report(alone))
        assert "The heater gets warm, but something else is not right." in owner
        assert "What comes next" in owner
        assert "is to check the control cable's adjustment (about 10 minutes)" in owner

    def test_a_failing_heater_is_not_called_warm(self) -> None:
        alone = subject_of([sample("SC-078-complaint")], (), (), None, "si")
        assert alone.now.judged["steady_outlet_rise"].verdict == "fail"
        owner, _, _ = pages_of(build_report(alone))
        assert "No, the heater is not as warm as it should be." in owner
        assert "Yes" not in owner

    def test_the_picture_shows_both_runs_and_the_level_to_reach(self) -> None:
        page = build_report(subject()).pages[0]
        picture = next(block for block in page.blocks if isinstance(block, Picture))
        names = [label.text for label in picture.labels]
        assert {"after the repair", "before", "outside air", "at least this warm"} <= set(names)
        # told apart without color: the dashes of the long lines differ
        long = [stroke for stroke in picture.strokes if len(stroke.points) > 20]
        assert len({stroke.dash for stroke in long}) == 3
        for drawn in (picture, picture.narrow):
            assert drawn is not None
            for stroke in drawn.strokes:
                for x, y in stroke.points:
                    assert 0.0 <= x <= drawn.width
                    assert 0.0 <= y <= drawn.height

    def test_a_run_without_its_outlet_has_no_picture(self) -> None:
        time = np.arange(0.0, 900.0)
        bare = analyze(make_run(time, {"engine_coolant": 90.0 - 80.0 * np.exp(-time / 200.0)}))
        report = build_report(subject_of([bare], (), (), None, "si"))
        owner, _, _ = pages_of(report)
        assert "This test could not show how warm the heater gets." in owner
        assert not any(isinstance(block, Picture) for block in report.pages[0].blocks)
        assert len(pdf_text(report_pdf(report))) == 3
        assert "</html>" in report_html(report)

    @pytest.mark.parametrize("kelvin", [0.0, 1e-9])
    def test_an_outlet_that_stood_still_has_its_picture(self, kelvin: float) -> None:
        time = np.arange(0.0, 900.0)
        still = analyze(make_run(time, {"outlet": 20.0 + kelvin * (time % 2.0)}))
        page = build_report(subject_of([still], (), (), None, "si")).pages[0]
        picture = next(block for block in page.blocks if isinstance(block, Picture))
        line = next(stroke for stroke in picture.strokes if stroke.width > 1.0)
        heights = {round(y, 1) for _, y in line.points}
        assert len(heights) == 1
        assert 0.0 < heights.pop() < picture.height


class TestWorkOrder:
    CHECKS = (
        Checked("2026-01-14T09:10:00-05:00", "hose_routing", False, "as drawn"),
        Checked("2026-01-14T09:20:00-05:00", "cable_adjustment", True, "housing slipped"),
    )

    def test_found_checked_done(self) -> None:
        _, order, _ = pages_of(build_report(subject("si", self.CHECKS)))
        assert "Outside the limits: dead travel cold 28." in order
        assert "usual" in order
        assert "Check the control cable's adjustment" in order
        assert "housing slipped" in order
        # without --done the work order leaves room to write, the owner's page says nothing of it
        report = build_report(subject("si", self.CHECKS))
        blank = [any(isinstance(each, Blank) for each in page.blocks) for page in report.pages]
        assert blank == [False, True, False]
        owner, _, _ = pages_of(report)
        assert "What was done" not in owner
        done, _, _ = pages_of(build_report(subject("si", self.CHECKS, "cable adjusted")))
        assert "What was done" in done
        assert "Seen in the workshop: housing slipped" in owner
        assert order.index("2026-01-14 09:20") < order.index("2026-01-14 09:10")

    def test_changes_with_their_uncertainty_and_the_verdict(self) -> None:
        report = build_report(subject())
        _, order, _ = pages_of(report)
        assert "Before and after: repaired" in order
        assert "Repaired: dead travel, cold end was 28." in order
        table = next(
            block for block in report.pages[1].blocks
            if isinstance(block, Table) and "Before" in block.head
        )  # fmt: skip
        row = next(row for row in table.rows if row[0] == "dead travel cold")
        assert re.fullmatch(r"-2\d\.\d ± \d\.\d %", row[3])
        assert row[4] == "better"
        # nothing is left to check on a repaired car
        assert "Next check" not in order

    def test_fahrenheit_in_sentences_of_the_analysis(self) -> None:
        _, order, warranty = pages_of(build_report(subject("us")))
        for page in (order, warranty):
            assert not re.search(r"\d (K|°C|kPa)\b", page)
        assert "°F" in order
        assert "inHg" in order

    def test_the_next_check_comes_with_its_caution(self) -> None:
        alone = subject_of([sample("SC-017-complaint")], (), (), None, "si")
        check = alone.now.next_check
        assert check is not None
        report = build_report(alone)
        _, order, _ = pages_of(report)
        assert check.check.how in order
        assert f"Caution: {check.check.caution}" in order
        assert check.check.caution[:40] in pdf_text(report_pdf(report))[1].replace("\n", " ")

    def test_doubts_of_the_comparison_are_said(self) -> None:
        swapped = subject_of(
            [sample("SC-014-after-repair"), sample("SC-014-complaint")], (), (), None, "si"
        )
        assert swapped.doubts == ("the run given as before was started later than the other",)
        _, order, _ = pages_of(build_report(swapped))
        assert swapped.doubts[0] in order

    def test_two_cars_are_not_compared(self) -> None:
        with pytest.raises(UnusableRun, match=r"SC-017.*an earlier run of 'SC-014'"):
            subject_of(
                [sample("SC-017-complaint"), sample("SC-014-after-repair")], (), (), None, "si"
            )


class TestWarranty:
    def test_all_that_a_claim_needs(self) -> None:
        now = sample("SC-014-after-repair")
        _, _, warranty = pages_of(build_report(subject()))
        for run in (now.run, sample("SC-014-complaint").run):
            assert len(run.sha256) == 3
            for digest in run.sha256.values():
                assert digest in warranty
        assert now.limits_version in warranty
        assert "lukewarm 0." in warranty
        assert "steady outlet rise" in warranty
        assert "class 2" in warranty
        offset = now.run.sensors["footwell"].offset
        assert f"{offset:+.2f} K" in warranty

    def test_every_measured_figure_stands_there_with_its_u(self) -> None:
        now = sample("SC-014-after-repair")
        table = next(b for b in build_report(subject()).pages[2].blocks
                     if isinstance(b, Table) and "Value ± U" in b.head)  # fmt: skip
        measured = [name for name, each in now.figures.items() if each.value is not None]
        assert [row[0].replace("-", " ") for row in table.rows] == [
            name.replace("_", " ") for name in measured
        ]
        assert all("±" in row[1] for row in table.rows)
        limits = {row[0]: (row[2], row[3]) for row in table.rows}
        # the defaults of analysis/data/limits.toml: a lower one, an upper one, both, none
        assert limits["steady outlet rise"] == ("35 or more", "✓ pass")
        assert limits["warm-up time"] == ("1200 or less", "✓ pass")
        assert limits["coolant plateau"] == ("76.5 to 112", "✓ pass")
        assert limits["footwell deficit"] == ("–", "no limit")
        for row, name in zip(table.rows, measured, strict=True):
            value, _, expanded = row[1].split(" ")[:3]
            # k = 2, as the page says
            last = 10.0 ** -len(expanded.partition(".")[2])  # of the digits printed
            assert float(value) == pytest.approx(now.figures[name].known(), abs=0.51 * last)
            u = now.figures[name].u or 0.0
            assert float(expanded) == pytest.approx(2.0 * u, abs=0.51 * last)
        assert table.more == "Not measured: fluctuation period."

    def test_what_it_says_beside_the_tables(self) -> None:
        now = sample("SC-014-after-repair")
        page = build_report(subject()).pages[2]
        said = texts(page)
        assert f"Figures: {now.verdict}" in said
        assert (
            "± is U, the expanded uncertainty (k = 2, JCGM 100). pass and fail hold with 95 % "
            "probability (JCGM 106), between them is undecided. "
            f"Limits: {now.limits_version} ({now.limits_basis})." in said
        )
        assert any(re.fullmatch(r"Made by lukewarm [\d.]+\. Results in full: lukewarm analyze "
                                r"--json\.", text) for text in said)  # fmt: skip

    def test_every_file_stands_beside_its_own_digest(self) -> None:
        runs = [sample(name).run for name in ("SC-014-complaint", "SC-014-after-repair")]
        digests = [
            (f"{run.name}/{name}", digest) for run in runs for name, digest in run.sha256.items()
        ]
        tables = [each for each in build_report(subject()).pages[2].blocks
                  if isinstance(each, Table)]  # fmt: skip
        assert list(tables[-1].rows) == digests
        time = np.arange(0.0, 900.0)
        made = analyze(make_run(time, {"outlet": 20.0 + time / 100.0}))
        _, _, bare = pages_of(build_report(subject_of([made], (), (), None, "si")))
        assert "The run did not come from files." in bare

    def test_sensors_stand_as_they_were_set_up(self) -> None:
        now = sample("SC-014-after-repair")
        table = next(each for each in build_report(subject()).pages[2].blocks
                     if isinstance(each, Table) and "Lag" in each.head)  # fmt: skip
        rows = {row[0]: row[1:] for row in table.rows}
        outlet, coolant = now.run.sensors["outlet"], now.run.sensors["engine_coolant"]
        # as run.toml has it: type K on channel 1, class 2, 3 s; the dashboard's value ± 1.5 K, 4 s
        assert rows["outlet"] == ("CH1 (mV)", "thermocouple K, cold junction", "class 2", "3 s",
                                  f"{outlet.offset:+.2f} K")  # fmt: skip
        assert rows["engine coolant"] == ("ECT", "temperature", "± 1.5 K", "4 s",
                                          f"{coolant.offset:+.2f} K")  # fmt: skip
        plain = set(now.run.sensors) - {name.replace(" ", "_") for name in rows}
        assert table.more.startswith("Also logged: vacuum source (VAC1, pressure), ")
        assert all(f"{name.replace('_', ' ')} (" in table.more for name in plain)
        shown = build_report(subject("us")).pages[2].blocks
        us = next(each for each in shown if isinstance(each, Table) and "Lag" in each.head)
        assert {row[0]: row[3] for row in us.rows}["engine coolant"] == "± 2.7 °F"

    @pytest.mark.parametrize(
        ("findings", "lines"),
        [
            ((), ["Nothing wrong was found with the log."]),
            ((Finding("gap", "no readings", "inlet_air", 310.2, 318.0),),
             ["inlet air, 5:10 to 5:18: no readings"]),
            ((Finding("late", "noted late", None, 60.0, None), Finding("odd", "odd rows")),
             ["at 1:00: noted late", "odd rows"]),
            ((Finding("a", "first", "outlet"), Finding("b", "second", "coolant_in"),
              Finding("c", "third"), Finding("d", "fourth")),
             ["outlet: first", "coolant in: second", "and 2 more: lukewarm check lists them all"]),
        ],
    )  # fmt: skip
    def test_findings_keep_their_channel_and_their_time(
        self, findings: tuple[Finding, ...], lines: list[str]
    ) -> None:
        now = replace(sample("SC-014-after-repair"), findings=findings)
        said = texts(build_report(subject_of([now], (), (), None, "si")).pages[2])
        first = said.index("In the log") + 1
        assert said[first : said.index("Raw files (SHA-256) and program")] == lines


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("units", ["si", "us"])
def test_pdf_has_three_pages_of_selectable_text(paper: str, units: str) -> None:
    report = build_report(subject(units, (), DONE), paper)  # type: ignore[arg-type]
    reader = PdfReader(io.BytesIO(report_pdf(report)))
    assert len(reader.pages) == 3
    for page, content in zip(reader.pages, report.pages, strict=True):
        assert tuple(float(each) for each in page.mediabox[2:]) == pytest.approx(
            PAPERS[paper], abs=0.5
        )
        shown = re.sub(r"\s+", "", page.extract_text())
        for text in texts(content):
            assert re.sub(r"\s+", "", printable(text)) in shown
    assert reader.metadata is not None
    assert reader.metadata.title == "Heater report SC-014"


def test_paper_follows_the_units() -> None:
    assert build_report(subject("si")).paper == "a4"
    assert build_report(subject("us")).paper == "letter"


def test_signs_and_letters_of_the_pdf_are_there() -> None:
    assert printable("°±Δ−θ✓✕éñüßŁЖ") == "°±Δ−θ✓✕éñüßŁЖ"
    # what the font lacks is seen to be missing
    assert printable("暖") == "□"


def crowded_run(folder: Path) -> Path:
    """A run folder with forty channels, and names as long and as hostile as they may be."""
    shutil.copytree(SAMPLES / "SC-017-complaint", folder)
    log = folder / "log.csv"
    rows = list(csv.reader(io.StringIO(log.read_text(encoding="utf-8-sig")), delimiter=";"))
    width = len(rows[-1])
    names = [f"{HOSTILE} {place}" * 3 for place in range(28)]
    head = next(place for place, row in enumerate(rows) if len(row) == width)
    for place, row in enumerate(rows):
        if place == head:
            row += names
        elif len(row) == width:
            row += ["20,5"] * len(names)
    text = io.StringIO()
    csv.writer(text, delimiter=";", lineterminator="\n").writerows(rows)
    log.write_text(text.getvalue(), encoding="utf-8")
    setup = (folder / "run.toml").read_text(encoding="utf-8")
    setup = setup.replace('"SC-017"', f'"{(HOSTILE * 4)[:190]}"')
    setup = setup.replace("[run]\n", f'[run]\nplant = "{HOSTILE}"\noperator = "{"W" * 300}"\n')
    for place in range(28):
        setup += f"\n[channels.extra_{'w' * 60}_{place}]\ncolumn = {width + place + 1}\n"
        setup += 'sensor = "temperature"\nunit = "degC"\n'
    (folder / "run.toml").write_text(setup, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Subject:
    """The fullest report: both runs, a long sheet, many findings, every name hostile."""
    folder = crowded_run(tmp_path_factory.mktemp("runs") / ("run-" + "n" * 80))
    now = analyze(load_run(folder))
    many = tuple(Finding("gap", f"{HOSTILE} {place} " * 12, HOSTILE) for place in range(40))
    now = replace(now, findings=(*many, *now.findings))
    checks = [Checked(f"2026-01-14T09:{place:02d}", f"check {HOSTILE} {place}", True, HOSTILE * 5)
              for place in range(20)]  # fmt: skip
    done = [HOSTILE * 6 for _ in range(9)]
    return subject_of([now, now], checks, done, None, "us")


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_fullest_report_keeps_to_its_pages(crowded: Subject, paper: str) -> None:
    assert len(crowded.now.run.sensors) >= 40
    report = build_report(crowded, paper)  # type: ignore[arg-type]
    said = [text.replace("\n", " ") for text in pdf_text(report_pdf(report))]
    assert len(said) == 3
    # not even here anything is shrunk below the smallest print
    for page in report.pages:
        assert filled(page, report.paper, body_size(page, report.paper)) <= 1.0
    assert "more: see run.toml" in said[2]
    assert "more: see checks.csv" in said[1]
    assert "more: lukewarm check lists them all" in said[2]


def test_names_are_text_and_nothing_else(crowded: Subject) -> None:
    report = build_report(crowded)
    page = report_html(report)
    assert "<script" not in page
    assert "{{" in page  # a name that looks like a template is shown, not run
    assert "49</" not in page
    assert "&lt;script&gt;" in page
    assert "<script>document" in pdf_text(report_pdf(report))[0]
    # one file that asks nobody for anything
    assert not re.search(r'(src|href)="|url\((?!data:)', page)


@pytest.mark.parametrize("units", ["si", "us"])
def test_the_command_writes_both_formats(tmp_path: Path, units: str) -> None:
    complaint = tmp_path / "complaint"
    shutil.copytree(SAMPLES / "SC-014-complaint", complaint)
    made = subject().made
    note_check(complaint, "cable_adjustment", "housing slipped", made, found=True)
    for name in ("out.html", "out.pdf"):
        result = CliRunner().invoke(
            app,
            ["report", str(SAMPLES / "SC-014-after-repair"), "--before", str(complaint), "--out",
             str(tmp_path / name), "--units", units, "--done", DONE],
        )  # fmt: skip
        assert result.exit_code == 0, result.output
    page = (tmp_path / "out.html").read_text(encoding="utf-8")
    words = " ".join(pdf_text((tmp_path / "out.pdf").read_bytes()))
    for text in ("housing slipped", DONE, "Yes. The heater works as it should again."):
        assert text in page
        assert text in words


def test_another_ending_is_refused_before_any_work(tmp_path: Path) -> None:
    with pytest.raises(UnusableRun, match=r"\.docx.*\.html or \.htm or \.pdf"):
        write_report(subject(), tmp_path / "report.docx")


def test_a_place_that_cannot_be_written_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(UnusableRun, match="cannot be written"):
        write_report(subject(), tmp_path / "no such folder" / "report.pdf")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_browser_prints_three_pages_and_scrolls_no_page_sideways(
    browser: Browser, crowded: Subject, paper: str, tmp_path: Path
) -> None:
    subjects = {"full": crowded, "plain": subject("us", (), DONE)}
    for name, each in subjects.items():
        path = tmp_path / f"{name}.html"
        path.write_text(report_html(build_report(each, paper)), encoding="utf-8")  # type: ignore[arg-type]
        for width in (390, 1366):
            page = browser.new_page(viewport={"width": width, "height": 900})
            page.goto(path.as_uri())
            assert page.title() != "owned"
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        printed = tmp_path / f"{name}.pdf"
        page.pdf(path=printed, prefer_css_page_size=True)
        assert len(PdfReader(printed).pages) == 3
    for context in browser.contexts:
        context.close()


def test_a_usual_report_is_in_print_that_can_be_read() -> None:
    report = build_report(subject("us", TestWorkOrder.CHECKS, DONE))
    assert [body_size(page, report.paper) >= 8.2 for page in report.pages] == [True] * 3


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1366])
def test_every_page_of_the_report_is_accessible_and_fits(
    browser: Browser, axe: str, width: int, scheme: Literal["light", "dark"]
) -> None:
    """The rules of axe-core (WCAG 2, levels A and AA, and its best practices)."""
    context = browser.new_context(viewport={"width": width, "height": 844}, color_scheme=scheme)
    try:
        for units in ("si", "us"):
            page = context.new_page()
            page.set_content(report_html(build_report(subject(units, (), DONE))))
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            hidden = page.evaluate(
                "() => [...document.querySelectorAll('.wide')]"
                ".filter((each) => each.scrollWidth > each.clientWidth).length"
            )
            assert hidden == 0  # nothing lies beyond the edge
            page.evaluate(f"(() => {{ {axe} }})()")
            found = page.evaluate("axe.run().then((told) => told.violations)")
            assert [
                (each["id"], [at["html"][:120] for at in each["nodes"]]) for each in found
            ] == []
    finally:
        context.close()
