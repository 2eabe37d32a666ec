"""Labels files: what they say, what is wrong with them, whom they mean."""

from __future__ import annotations

import pytest

from analysis.tune.labels import Label, match, parse_labels
from ingest.errors import UnusableRun
from tests.support.tune_fleet import draw_fleet

CAUSES = ("healthy", "low_core_flow", "vacuum_leak")


def faults(text: str) -> list[str]:
    with pytest.raises(UnusableRun) as caught:
        parse_labels(text, CAUSES)
    return [str(fault) for fault in caught.value.faults]


def test_a_whole_file() -> None:
    text = (
        "car,run,label,cause,source,date\n"
        "SC-1,,bad,low_core_flow,workshop 12,2026-01-14\n"
        "\n"
        ',run-7,Good,,"hand, eye",\n'
    )
    first, second = parse_labels(text, CAUSES)
    assert first == Label(2, "car", "SC-1", True, "low_core_flow", "workshop 12", "2026-01-14")
    assert second == Label(4, "run", "run-7", False, None, "hand, eye", "")


def test_semicolons_and_a_byte_order_mark() -> None:
    assert parse_labels("\ufeffrun;label\nr1;good\n", CAUSES)[0].name == "r1"


def test_every_bad_line_is_named() -> None:
    found = faults(
        "car,label,cause,date\n"
        "SC-1,goood,,\n"
        "SC-2,bad,low_core_flows,\n"
        ",bad,,\n"
        "SC-3,good,vacuum_leak,\n"
        "SC-4,bad,,14.1.2026\n"
        "SC-5,bad,,2026-01-14,x\n"
        "SC-6,bad,vacuum_leak,\n"
        "SC-6,good,,\n"
    )
    assert [line.split(":")[0] for line in found] == [
        f"labels.csv line {n}" for n in (2, 3, 4, 5, 6, 7, 9)
    ]
    assert "did you mean good?" in found[0]
    assert "did you mean low_core_flow?" in found[1]
    assert "line 8" in found[6]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "no header"),
        ("car,verdict\nSC-1,good\n", "verdict"),
        ("label,cause\ngood,\n", "columns run or car"),
        ("car,label,car\n", "twice"),
        ("car,label\n", "no label"),
        ("car,run,label\nSC-1,r1,good\n", "both a run and a car"),
    ],
)
def test_what_is_no_labels_file(text: str, word: str) -> None:
    assert word in "\n".join(faults(text))


def test_whom_labels_mean() -> None:
    runs = draw_fleet(4, 1, runs_a_car=2).runs
    first = runs["id"][0]
    text = (
        "run,car,label\n"
        f"{first[:8]},,bad\n"
        "run-00001,,good\n"
        ",SC-00001,good\n"
        ",SC-99999,bad\n"
        "ffffff,,bad\n"
    )
    found = match(parse_labels(text, CAUSES), runs)
    assert {run_id: label.bad for run_id, label in found.by_run.items()} == {
        first: True,
        runs["id"][1]: False,
        runs["id"][2]: False,
        runs["id"][3]: False,
    }
    assert sorted(label.line for label in found.unknown) == [5, 6]


def test_a_bad_car_was_bad_before_its_repair() -> None:
    import polars as pl

    runs = draw_fleet(2, 1, runs_a_car=2).runs
    runs = runs.with_columns(pl.Series("purpose", ["complaint", "after-repair"] * 2))
    found = match(parse_labels("car,label\nSC-00000,bad\nSC-00001,good\n", CAUSES), runs)
    assert found.repaired == 1
    assert runs["id"][1] not in found.by_run
    assert len(found.by_run) == 3


def test_a_run_named_two_ways_needs_one_label() -> None:
    runs = draw_fleet(2, 1).runs
    text = f"run,label\nrun-00000,good\n{runs['id'][0]},bad\n"
    with pytest.raises(UnusableRun, match="another label of the run of line 2"):
        match(parse_labels(text, CAUSES), runs)
