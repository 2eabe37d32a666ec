"""The document limits are defended with: the same content as HTML and as PDF, and all of it."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from analysis.limits import default_limits
from analysis.tune.change import Changed, changes
from analysis.tune.joint.sweep import sweeps
from analysis.tune.tuning import Tuning
from dashboard.report.blocks import Picture
from dashboard.report.limits.document import limits_report
from dashboard.report.make import write_whole_report
from tests.analysis.tune.test_tune_store import tuned
from tests.support.tune_fleet import draw_fleet


@pytest.fixture(scope="module")
def told() -> tuple[Tuning, list[Changed]]:
    fleet = draw_fleet(90, 3, names=("steady_outlet_rise", "fluctuation_index"))
    tuning, matched = tuned(fleet)
    old = default_limits()
    return tuning, changes(fleet.runs, fleet.figures, tuning.limits, matched, old)


def test_every_part_is_there(told: tuple[Tuning, list[Changed]], tmp_path: Path) -> None:
    tuning, changed = told
    report = limits_report(tuning, changed, "si")
    write_whole_report(report, tmp_path / "limits.html")
    html = (tmp_path / "limits.html").read_text(encoding="utf-8")
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("\u00a0", " ")
    for part in (
        "What the limits do to cars that had no part in choosing them",
        "Who decided, when, on what",
        "Approved: name, date, signature",
        "Good and bad cars, and the limit",
        "Cost against the limit",
        "Trade-off",
        "if a missed fault costs so many needless repairs",
        "if so many cars are bad",
        "The measuring itself",
        "The labelled runs",
        tuning.limits.fingerprint,
        tuning.limits.version,
        tuning.in_force.version,
    ):
        assert part in text, part
    for run_id in tuning.matched.by_run:
        assert run_id[:16] in text
    assert not re.search(r"(src|href)=[\"'](?!data:)", html)
    assert "nan" not in text


def test_pictures_have_numbered_axes(told: tuple[Tuning, list[Changed]]) -> None:
    tuning, changed = told
    report = limits_report(tuning, changed, "us")
    pictures = [
        block for page in report.pages for block in page.blocks if isinstance(block, Picture)
    ]
    assert len(pictures) >= 4
    for picture in pictures:
        for drawn in (picture, picture.narrow):
            assert drawn is not None
            numbers = [each for each in drawn.labels if re.fullmatch(r"−?[\d.]+", each.text)]
            assert len(numbers) >= 6
            for stroke in drawn.strokes:
                assert all(
                    -1.0 <= x <= drawn.width + 1.0 and -1.0 <= y <= drawn.height + 1.0
                    for x, y in stroke.points
                )


def test_the_sweep_has_its_least_at_the_limit(told: tuple[Tuning, list[Changed]]) -> None:
    """The chosen limit costs hardly more than any other of the figure (definition)."""
    tuning, _ = told
    assert tuning.together is not None
    for sweep in sweeps(tuning.together):
        here = abs(sweep.values - sweep.limit).argmin()
        assert sweep.cost[here] <= 1.25 * sweep.cost.min() + 0.01
        # dearer misses never loosen a limit
        sign = 1.0 if sweep.figure == "steady_outlet_rise" else -1.0
        asked = [sign * value for _, value in sweep.by_ratio]
        assert asked == sorted(asked)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext")
def test_the_same_as_pdf(told: tuple[Tuning, list[Changed]], tmp_path: Path) -> None:
    tuning, changed = told
    write_whole_report(limits_report(tuning, changed, "si"), tmp_path / "limits.pdf")
    text = subprocess.run(
        ["pdftotext", "-layout", str(tmp_path / "limits.pdf"), "-"],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    assert "For the decision" in text
    assert "Approved: name, date, signature" in text
    assert tuning.limits.fingerprint[:12] in text
    again = tmp_path / "again.pdf"
    write_whole_report(limits_report(tuning, changed, "si"), again)
    assert again.read_bytes() == (tmp_path / "limits.pdf").read_bytes()
