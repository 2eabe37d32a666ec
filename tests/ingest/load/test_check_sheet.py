"""The check sheet: kept whole, read strictly, and counted in the ranking."""

from __future__ import annotations

import json
import shutil
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from typer.testing import CliRunner

from analysis.causes.knowledge import check_names
from dashboard.commands.main import app, main
from ingest.check_sheet import FILE, Checked, found_by_check, note_check, read_sheet
from ingest.errors import UnusableRun

SAMPLES = Path(__file__).parents[3] / "sample_logs"
NOW = datetime(2026, 1, 15, 8, 30, tzinfo=timezone(timedelta(hours=-5)))
HEADER = "time,check,found,remark\n"


def sheet_of(folder: Path, text: str) -> list[Checked]:
    (folder / FILE).write_text(text, encoding="utf-8")
    return read_sheet(folder)


def test_what_was_noted_is_read_back(tmp_path: Path) -> None:
    note_check(tmp_path, "hose_routing", 'as drawn, "both"', NOW, found=False)
    note_check(tmp_path, "cable_adjustment", "housing slipped;\n1/4 in short", NOW, found=True)
    assert read_sheet(tmp_path) == [
        Checked("2026-01-15T08:30:00-05:00", "hose_routing", False, 'as drawn, "both"'),
        Checked(
            "2026-01-15T08:30:00-05:00", "cable_adjustment", True, "housing slipped; 1/4 in short"
        ),
    ]
    # nothing but the sheet is left behind
    assert [path.name for path in tmp_path.iterdir()] == [FILE]


def test_a_folder_without_a_sheet_has_no_lines(tmp_path: Path) -> None:
    assert read_sheet(tmp_path) == []
    assert sheet_of(tmp_path, "\n\n") == []


def test_the_newest_line_of_a_check_counts(tmp_path: Path) -> None:
    note_check(tmp_path, "coolant_level", "", NOW, found=True)
    note_check(tmp_path, "hose_routing", "", NOW, found=False)
    note_check(tmp_path, "coolant_level", "filled up", NOW, found=False)
    sheet = read_sheet(tmp_path)
    assert len(sheet) == 3
    assert found_by_check(sheet, check_names()) == {"coolant_level": False, "hose_routing": False}


def test_a_sheet_saved_by_a_spreadsheet_is_read(tmp_path: Path) -> None:
    text = "﻿Time;Check;Found;Remark\n;coolant_level;YES;low, a quart\n\n;hose_routing;no;a;b\n"
    assert sheet_of(tmp_path, text) == [
        Checked("", "coolant_level", True, "low, a quart"),
        Checked("", "hose_routing", False, "a; b"),
    ]


def test_each_line_that_cannot_be_read_is_one_fault(tmp_path: Path) -> None:
    with pytest.raises(UnusableRun) as caught:
        sheet_of(tmp_path, HEADER + "t,coolant_level,maybe,\nt,hose_routing,no,\nt,body_seals\n")
    lines = str(caught.value).splitlines()
    assert len(lines) == 2
    assert "checks.csv line 2" in lines[0]
    assert "maybe" in lines[0]
    assert "checks.csv line 4" in lines[1]


def test_a_sheet_without_its_header_loses_no_line_in_silence(tmp_path: Path) -> None:
    with pytest.raises(UnusableRun, match=r"line 1.*header time,check,found,remark"):
        sheet_of(tmp_path, "t,coolant_level,yes,low\n")


def test_an_unknown_check_is_named_with_the_nearest_one(tmp_path: Path) -> None:
    sheet = sheet_of(tmp_path, HEADER + "t,coolant_levle,yes,\nt,hose_routing,no,\n")
    with pytest.raises(UnusableRun, match=r"coolant_levle.*did you mean coolant_level") as caught:
        found_by_check(sheet, check_names())
    assert len(str(caught.value).splitlines()) == 1


@pytest.fixture
def complaint(tmp_path: Path) -> Path:
    folder = tmp_path / "SC-014-complaint"
    shutil.copytree(SAMPLES / "SC-014-complaint", folder)
    return folder


def share_of(cause: str, text: str) -> float:
    """Percentage of a cause in printed results."""
    line = next(line for line in text.splitlines() if f"%  {cause}" in line)
    return float(line.split("%")[0])


def test_a_check_on_the_sheet_changes_the_ranking(complaint: Path) -> None:
    run = CliRunner()
    before = run.invoke(app, ["checked", str(complaint)]).output
    command = ["checked", str(complaint), "cable_adjustment", "--found", "no", "--remark", "fine"]
    noted = run.invoke(app, command)
    assert noted.exit_code == 0
    assert share_of("lever short of hot", noted.output) < share_of("lever short of hot", before) / 2
    listed = run.invoke(app, ["checked", str(complaint)]).output
    assert "found nothing: fine" in listed
    # analyze counts the same sheet
    analyzed = json.loads(run.invoke(app, ["analyze", str(complaint), "--json", "-"]).output)
    probability = {each["cause"]: each["probability"] for each in analyzed["causes"]}
    assert round(100 * probability["lever_short_of_hot"]) == share_of("lever short of hot", listed)
    assert analyzed["next_check"]["check"] != "cable_adjustment"


def test_every_check_is_listed_with_how_to_and_caution(complaint: Path) -> None:
    listed = CliRunner().invoke(app, ["checked", str(complaint)]).output
    assert [name for name in check_names() if f"{name}  (" not in listed] == []
    assert listed.count("  Caution: ") == len(check_names())
    assert "Next check" in listed


@pytest.mark.parametrize(
    ("arguments", "phrase"),
    [
        (["no_such_check", "--found", "yes"], "no_such_check"),
        (["cable_adjustment"], "--found"),
        (["--found", "yes"], "which check"),
        (["cable_adjustment", "--found", "perhaps"], "perhaps"),
    ],
)
def test_wrong_usage_notes_nothing(complaint: Path, arguments: list[str], phrase: str) -> None:
    result = CliRunner().invoke(app, ["checked", str(complaint), *arguments])
    assert result.exit_code == 2
    assert phrase in result.output
    assert not (complaint / FILE).exists()


def test_analyze_refuses_a_sheet_with_an_unknown_check(
    complaint: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (complaint / FILE).write_text(HEADER + "t,heater_core,yes,\n", encoding="utf-8")
    monkeypatch.setattr("sys.argv", ["lukewarm", "analyze", str(complaint), "--json", "-"])
    with pytest.raises(SystemExit) as caught:
        main()
    assert caught.value.code == 1
    shown = capsys.readouterr()
    assert "heater_core" in shown.err
    assert "coolant_level" in shown.err
    assert '"error"' in shown.out
