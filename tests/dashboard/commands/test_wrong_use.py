"""Exit status 2 for wrong usage (docs/contract.md, *Commands*): names that are not there."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

import sample_logs
from dashboard.commands.main import ROOMS, app, asked_for
from tests.support.screen import Screen

RUN = Path(sample_logs.__file__).parent / "SC-014-complaint"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("convert", RUN, "--out", "SC-014.docx"), "expected .csv or .parquet"),
        (("report", RUN, "--out", "SC-014.docx"), "expected .html or .htm or .pdf"),
        (("checked", RUN, "cable_adjustmnt", "--found", "yes"), "did you mean cable_adjustment?"),
        (("explain", "warmuptime"), "did you mean warm_up_time?"),
        (("replay", RUN, "--to", "pyt"), "expected pty, or socket://host:port"),
        (("setup", RUN / "log.csv", "--sheet", "Sheet1"), "this log has no sheets"),
        (("analyze", RUN, "--cluster", "scheduler"), "missing port number"),
        (("analyze", RUN, "--units", "imperial"), "is not one of 'si', 'us'"),
        (("analyse", RUN), "Did you mean 'analyze'?"),
    ],
)
def test_a_wrong_name_is_wrong_usage(
    command: Screen, tmp_path: Path, arguments: tuple[object, ...], told: str
) -> None:
    command.patch.chdir(tmp_path)
    assert command(*arguments) == 2
    assert command.out == ""
    assert told in " ".join(command.err.split())
    assert list(tmp_path.iterdir()) == []


def test_a_misspelled_plan_is_found_before_anything_is_made(
    command: Screen, tmp_path: Path
) -> None:
    out = tmp_path / "run"
    status = command(
        "record", "loop://", "--setup", RUN / "run.toml", "--out", out, "--plan", "yrad"
    )
    assert status == 2
    assert "did you mean yard?" in command.err
    assert not out.exists()


def test_what_is_not_there_is_no_wrong_usage(command: Screen, tmp_path: Path) -> None:
    """A file that cannot be read is data that cannot be used: 1."""
    assert command("analyze", tmp_path / "run") == 1
    assert command("analyze", RUN, "--limits", tmp_path / "limits.toml") == 1


def test_a_command_built_alone_is_the_one_of_the_whole_command_line() -> None:
    """Only the command asked for is built; what it says of itself must not depend on that."""
    names = [
        each.name or each.callback.__name__
        for room in ROOMS
        for each in room.app.registered_commands
        if each.callback is not None
    ]
    assert "analyze" in names
    for words in ([], ["--help"], ["nonsense"], ["store", "list"]):
        assert asked_for(words) is app
    for name in names:
        alone = asked_for([name, "--help"])
        assert [each.callback for each in alone.registered_commands] == [
            each.callback
            for room in ROOMS
            for each in room.app.registered_commands
            if name in (each.name, getattr(each.callback, "__name__", None))
        ]
        whole = CliRunner().invoke(app, [name, "--help"])
        assert CliRunner().invoke(alone, [name, "--help"]).output == whole.output
    version = CliRunner().invoke(asked_for(["analyze"]), ["--version"])
    assert version.output == CliRunner().invoke(app, ["--version"]).output
