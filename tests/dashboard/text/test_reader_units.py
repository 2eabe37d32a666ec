"""Sentences in the reader's units: every quantity converted, no word that somebody wrote."""

from __future__ import annotations

import json
import re
import shutil
from functools import cache
from pathlib import Path

import pytest

from analysis.limits import Limits, default_limits, parse_limits
from analysis.pipeline import Analysis, analyze
from analysis.result import document
from dashboard.report.subject import Subject, subject_of
from dashboard.report.warranty import warranty_page
from dashboard.report.work_order import work_order_page
from dashboard.text.result import check_lines, result_lines
from dashboard.text.shown import said_in
from ingest.check_sheet import Checked
from ingest.load.load import load_run
from ingest.saying import Value, amount, plus_minus, revived, say

SAMPLES = Path(__file__).parents[3] / "sample_logs"
FOLDERS = sorted(path.name for path in SAMPLES.glob("SC-*"))

OF_SI = re.compile(r"°C|degC|\bkPa\b|m/s|\d[ \u00a0]K\b|K/min")
OF_US = re.compile(r"°F|inHg|\bmph\b")


@cache
def analysis_of(name: str) -> Analysis:
    return analyze(load_run(SAMPLES / name))


# 1 inHg = 3.386389 kPa (NIST SP 811), 1 mph = 0.44704 m/s; differences of temperature times 1.8
@pytest.mark.parametrize(
    ("value", "si", "us"),
    [
        (plus_minus(61.1, 1.4, "K"), "61.1 ± 1.4 K", "110.0 ± 2.5 °F"),
        # NIST SP 811, B.7.2: convert first, then round; 1.56 K is 2.81 °F
        (plus_minus(8.72, 1.56, "K"), "8.7 ± 1.6 K", "15.7 ± 2.8 °F"),
        (amount(-0.02, "+.1f", "K"), "+0.0 K", "+0.0 °F"),
        (plus_minus(84.0, 4.0, "°C"), "84.0 ± 4.0 °C", "183.2 ± 7.2 °F"),
        (amount(-40.0, ".0f", "degC"), "-40 °C", "-40 °F"),
        (amount(-83.8, "g", "degC"), "-83.8 °C", "-118.8 °F"),
        (amount(0.42, "+.2f", "K"), "+0.42 K", "+0.76 °F"),
        (amount(34.0, ".0f", "kPa"), "34 kPa", "10.0 inHg"),
        (plus_minus(3.39, 0.34, "kPa/min"), "3.39 ± 0.34 kPa/min", "1.001 ± 0.100 inHg/min"),
        (
            plus_minus(-10.0, 4.4, "K per 10 m/s"),
            "-10.0 ± 4.4 K per 10 m/s",
            "-8.0 ± 3.5 °F per 10 mph",
        ),
        (amount(2.0, ".1f", "K/min"), "2.0 K/min", "3.6 °F/min"),
        (amount(13.4112, ".1f", "m/s"), "13.4 m/s", "30.0 mph"),
        (plus_minus(28.1, 2.7, "%"), "28.1 ± 2.7 %", "28.1 ± 2.7 %"),
        ("differ by 3 °C, SC-014 K", "differ by 3 °C, SC-014 K", "differ by 3 °C, SC-014 K"),
    ],
)
def test_quantities_in_a_sentence(value: Value, si: str, us: str) -> None:
    said = say("it is {value}.", value=value)
    assert said_in(said, "si") == f"it is {si}."
    assert said_in(said, "us") == f"it is {us}."


def test_finished_text_is_nobodys_to_change() -> None:
    assert said_in("good cars differ by 3 °C", "us") == "good cars differ by 3 °C"


def _text(analysis: Analysis, units: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """What is said of a run, without the words of others: bases of limits and column names."""
    monkeypatch.setattr("dashboard.text.result.WIDTH", 9999)  # a basis is found whole
    said = [*result_lines(document(analysis), units), *check_lines(analysis.run, units)]
    text = "\n".join(said)
    limits = default_limits()
    for table in (limits.figures, *limits.heaters.values(), *limits.families.values()):
        for limit in table.values():
            text = text.replace(limit.basis, "")
    for sensor in analysis.run.sensors.values():
        text = text.replace(sensor.source[:22], "")
    return text


@pytest.mark.parametrize("name", FOLDERS)
def test_every_sentence_of_the_samples_is_in_one_system(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for units, foreign in (("us", OF_SI), ("si", OF_US)):
        text = _text(analysis_of(name), units, monkeypatch)
        assert not [line for line in text.splitlines() if foreign.search(line)]


def pages(subject: Subject) -> str:
    return repr((work_order_page(subject), warranty_page(subject)))


def test_the_report_is_in_one_system() -> None:
    both = [analysis_of(f"SC-014-{when}") for when in ("complaint", "after-repair")]
    for units, foreign in (("us", OF_SI), ("si", OF_US)):
        assert not foreign.findall(pages(subject_of(both, (), (), None, units)))


WORDS = "3 °C, 7 K, 9 m/s, {x:.0f K}"
"""What an engineer may well write: quantities that are nobody's to convert."""


def strict() -> Limits:
    """Limits that no heater holds, with a basis in somebody's own words."""
    return parse_limits(f"""
version = "own"
author = "somebody"
date = 2026-01-15
basis = "{WORDS}"
[figure.steady_outlet_rise]
low = 300.0
basis = "{WORDS}"
""")


@pytest.mark.parametrize("units", ["si", "us"])
def test_what_somebody_wrote_is_shown_as_it_was_written(tmp_path: Path, units: str) -> None:
    folder = tmp_path / "run"
    shutil.copytree(SAMPLES / "SC-014-complaint", folder)
    setup = folder / "run.toml"
    setup.write_text(
        setup.read_text("utf-8").replace('vehicle = "SC-014"', f'vehicle = "{WORDS}"'), "utf-8"
    )
    analysis = analyze(load_run(folder), limits=strict())
    assert analysis.judged["steady_outlet_rise"].verdict == "fail"
    stored = revived(json.loads(json.dumps(document(analysis))))
    for result in (document(analysis), stored):
        text = " ".join(" ".join(result_lines(result, units)).split())
        assert f"({WORDS})" in text, "the basis of the limit"
        assert text.startswith(WORDS), "the vehicle"
    remark = Checked("2026-01-14T09:00", "hose_direction", found=True, remark=WORDS)
    subject = subject_of([analysis], [remark], [WORDS], None, units)
    assert pages(subject).count(WORDS) >= 4, "vehicle, remark, what was done, basis of the limits"


def test_a_stored_result_is_shown_as_a_fresh_one() -> None:
    for name in ("SC-014-complaint", "SC-028-complaint"):
        fresh = document(analysis_of(name))
        stored = json.loads(json.dumps(fresh))
        assert stored["said"]
        for units in ("si", "us"):
            assert result_lines(revived(stored), units) == result_lines(fresh, units)
        del stored["said"]
        # an older store has the sentences alone: they stay in SI, whole
        assert result_lines(revived(stored), "si") == result_lines(fresh, "si")
