"""A bench result as the outcome of a check, and what it does to the ranking."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.bench.outcome import bench_outcome
from analysis.causes.engine import rank
from analysis.causes.evidence import Evidence, Usual
from analysis.causes.knowledge import knowledge
from ingest.check_sheet import MeasuredOutcome, found_by_check, note_check, read_sheet
from ingest.errors import UnusableRun
from tests.analysis.bench.test_bench_hold import held
from tests.analysis.bench.test_bench_thermostat import F160, F180, pot
from tests.ingest.load.test_check_sheet import NOW


def test_a_cold_thermostat_is_found(tmp_path: Path) -> None:
    found = bench_outcome(pot(tmp_path / "cold", F160, "180 degF"), "thermostat_test")
    assert found.found
    assert found.error <= 0.05


def test_a_sound_one_is_not(tmp_path: Path) -> None:
    found = bench_outcome(pot(tmp_path / "sound", F180, "180 degF"), "thermostat_test")
    assert not found.found
    assert found.error <= 0.05


def test_one_that_opens_late_is_no_reason_for_a_cold_heater(tmp_path: Path) -> None:
    late = pot(tmp_path / "late", F180, "160 degF")
    assert late.verdict == "fail"
    assert not bench_outcome(late, "thermostat_test").found


def test_another_part_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnusableRun, match="actuator"):
        bench_outcome(held(tmp_path / "run", 3000.0), "thermostat_test")


def test_the_sheet_keeps_the_error(tmp_path: Path) -> None:
    note_check(tmp_path, "hose_routing", "as drawn, both", NOW, found=False)
    note_check(
        tmp_path, "thermostat_test", "in a pot", NOW, found=MeasuredOutcome(found=True, error=0.02)
    )
    sheet = read_sheet(tmp_path)
    assert [line.remark for line in sheet] == ["as drawn, both", "in a pot"]
    known = ("hose_routing", "thermostat_test")
    assert found_by_check(sheet, known) == {
        "hose_routing": False,
        "thermostat_test": MeasuredOutcome(found=True, error=0.02),
    }


def probability(checked: dict[str, bool | MeasuredOutcome]) -> float:
    """Of a thermostat that opens too low, with nothing else known of the car."""
    ranking = rank(
        Evidence({}, dict.fromkeys(knowledge().signs), None), Usual.of([]), "blend-air", checked
    )
    return ranking.probability["thermostat_opens_low"]


def test_a_right_result_never_hurts() -> None:
    """Bayes' theorem: what is likelier under a cause than otherwise makes it likelier."""
    before = probability({})
    sure = probability({"thermostat_test": MeasuredOutcome(found=True, error=0.01)})
    unsure = probability({"thermostat_test": MeasuredOutcome(found=True, error=0.05)})
    assert before < unsure < sure
    cleared = probability({"thermostat_test": MeasuredOutcome(found=False, error=0.01)})
    assert cleared < before


@pytest.mark.parametrize("error", ["0", "1.5", "much"])
def test_an_error_that_is_no_probability_is_a_fault(tmp_path: Path, error: str) -> None:
    text = f"time,check,found,error,remark\n,thermostat_test,yes,{error},\n"
    (tmp_path / "checks.csv").write_text(text)
    with pytest.raises(UnusableRun, match="line 2"):
        read_sheet(tmp_path)
