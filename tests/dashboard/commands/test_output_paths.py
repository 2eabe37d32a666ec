"""Where commands write to: what is not a place for a file is one line, never a traceback."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from ingest.export.readings import output_paths
from tests.support.run_folders import write_run
from tests.support.screen import Screen
from tests.support.stored.stores import make_place

RUN = Path(__file__).parents[3] / "sample_logs" / "SC-014-complaint"


@pytest.fixture
def command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Screen:
    """In a folder of its own that holds a log, ``log.csv``, and a folder, ``there``."""
    monkeypatch.chdir(tmp_path)
    Path("there").mkdir()
    Path("log.csv").write_bytes((RUN / "log.csv").read_bytes())
    return Screen(monkeypatch, capsys)


@pytest.mark.parametrize(
    "arguments",
    [
        ("analyze", RUN, "--picture", "no/x.html"),
        ("analyze", RUN, "--picture", "there"),
        ("analyze", RUN, "--fit-picture", "no/x.html"),
        ("analyze", RUN, "--fit-picture", "there"),
        ("analyze", RUN, "--json", "."),
        ("analyze", RUN, "--json", ""),
        ("analyze", RUN, "--json", "no/x.json"),
        ("setup", "log.csv", "--out", "no/run.toml"),
        ("setup", "log.csv", "--out", "log.csv/run.toml"),
        ("setup", "."),
        ("setup", ""),
        ("convert", RUN, "--out", "no/x.csv"),
        ("demo", "--out", "log.csv"),
    ],
    ids=lambda arguments: " ".join(map(str, (arguments[0], *arguments[2:]))),
)
def test_a_place_that_cannot_be_written(command: Screen, arguments: tuple[object, ...]) -> None:
    assert command(*arguments) == 1
    assert command.err.startswith("error: ")
    assert command.err.count("\n") == 1
    assert "; expected " in command.err
    assert sorted(str(path) for path in Path().rglob("*")) == ["log.csv", "there"]


@pytest.mark.parametrize("option", ["--picture", "--fit-picture"])
def test_a_picture_shows_one_run(command: Screen, option: str) -> None:
    assert command("analyze", RUN, RUN, option, "x.html") == 2
    assert "a picture shows one run; 2 were given" in " ".join(command.err.split())
    assert not Path("x.html").exists()


def test_a_picture_of_one_run(command: Screen) -> None:
    assert command("analyze", RUN, "--picture", "p.html", "--fit-picture", "f.html") == 0
    for name in ("p.html", "f.html"):
        assert Path(name).read_text(encoding="utf-8").startswith("<!doctype html>")


def test_runs_of_one_name_are_converted_side_by_side(command: Screen) -> None:
    first = make_place(Path("p1/run"), "SC-001")
    second = make_place(Path("p2/run"), "SC-002", 5)
    assert command("convert", first, second, "--out", "new/cv") == 0
    rows = {path.name: pl.read_csv(path).height for path in Path("new/cv").iterdir()}
    assert rows == {"p1-run.csv": 40, "p2-run.csv": 45}


def test_names_of_converted_files() -> None:
    places = [Path(name) for name in ("a/x", "a/y/run.toml", "b/z.csv", "c/X", "d/c/x", "c/x")]
    names = [path.as_posix() for path in output_paths(places, Path("out"))]
    assert names == [
        "out/a-x.csv",
        "out/y.csv",
        "out/z.csv",
        "out/c-X.csv",
        "out/c-x-2.csv",
        "out/c-x-3.csv",
    ]


@pytest.mark.parametrize("out", ["two.csv", "two.parquet", "log.csv"])
def test_several_runs_do_not_go_into_one_file(command: Screen, out: str) -> None:
    runs = [make_place(Path(name), "SC-001") for name in ("a", "b")]
    before = Path("log.csv").read_bytes()
    assert command("convert", *runs, "--out", out) == 2
    assert "give a folder for 2 runs" in " ".join(command.err.replace("│", " ").split())
    assert Path("log.csv").read_bytes() == before
    assert not Path("two.csv").exists()


def test_no_folder_for_runs_that_cannot_be_used(command: Screen) -> None:
    assert command("convert", "gone", "gone-too", "--out", "cv") == 1
    assert not Path("cv").exists()


def test_a_folder_that_cannot_be_made(command: Screen) -> None:
    runs = [write_run(Path(name)) for name in ("a", "b")]
    assert command("convert", *runs, "--out", "log.csv/cv") == 1
    assert command.err.count("\n") == 1
    assert "log.csv/cv: found a place that cannot be written" in command.err.replace("\\", "/")
