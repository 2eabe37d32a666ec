"""Files are written whole or not at all, links and pipes as their owner means them."""

from __future__ import annotations

import os
import sys
import threading
from pathlib import Path

import polars as pl
import pytest

from ingest.errors import UnusableRun
from ingest.export.readings import write_readings
from ingest.files import write_text, write_whole

FRAME = pl.DataFrame({"time_s": [0.0, 0.5], "outlet_degC": [20.0, 21.0]})


@pytest.mark.parametrize("name", ["", ".", "..", "there"])
def test_a_folder_is_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.chdir(tmp_path)
    Path("there").mkdir()
    with pytest.raises(UnusableRun, match="found a folder; expected the name of a file"):
        write_text(Path(name), "text")
    assert [each.name for each in tmp_path.iterdir()] == ["there"]


@pytest.mark.parametrize("name", ["no/x.csv", "file/x.csv", "no/x.parquet", "file/x.parquet"])
def test_a_fault_names_the_place_and_no_half_made_file(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("kept")
    with pytest.raises(UnusableRun, match="cannot be written") as raised:
        write_readings(FRAME, tmp_path / name)
    assert str(raised.value).startswith(str(tmp_path / name))
    assert ".x-" not in str(raised.value)
    assert [each.name for each in tmp_path.iterdir()] == ["file"]


def test_a_writers_own_words_hide_the_half_made_file_too(tmp_path: Path) -> None:
    def fail(part: Path) -> None:
        raise OSError(f"disk is full: {part}")

    with pytest.raises(UnusableRun) as raised:
        write_whole(tmp_path / "x.csv", fail)
    assert f"(disk is full: {tmp_path / 'x.csv'})" in str(raised.value)
    assert list(tmp_path.iterdir()) == []


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "x.txt"
    path.write_text("before")

    def fail(part: Path) -> None:
        part.write_text("half")
        raise OSError(28, "No space left on device")

    with pytest.raises(UnusableRun, match="No space left"):
        write_whole(path, fail)
    assert path.read_text() == "before"
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_stays_and_its_target_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    target = tmp_path / "deep" / "real.txt"
    target.write_text("before")
    (tmp_path / "link.txt").symlink_to("deep/real.txt")
    write_text(tmp_path / "link.txt", "after")
    assert (tmp_path / "link.txt").is_symlink()
    assert target.read_text() == "after"
    assert list((tmp_path / "deep").iterdir()) == [target]


def test_a_link_to_what_is_not_there_yet(tmp_path: Path) -> None:
    (tmp_path / "link.txt").symlink_to("new.txt")
    write_text(tmp_path / "link.txt", "text")
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "new.txt").read_text() == "text"


def test_links_in_a_circle(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(UnusableRun, match="cannot be written"):
        write_text(tmp_path / "a", "text")
    assert sorted(each.name for each in tmp_path.iterdir()) == ["a", "b"]
    assert (tmp_path / "a").is_symlink()


if sys.platform != "win32":  # which has no pipes among its files

    @pytest.mark.parametrize("suffix", [".csv", ".parquet"])
    @pytest.mark.parametrize("linked", [False, True])
    def test_a_pipe_is_written_into(tmp_path: Path, suffix: str, *, linked: bool) -> None:
        pipe = tmp_path / f"pipe{suffix}"
        os.mkfifo(pipe)
        asked = pipe
        if linked:
            asked = tmp_path / f"link{suffix}"
            asked.symlink_to(pipe.name)
        came: list[bytes] = []
        reader = threading.Thread(target=lambda: came.append(pipe.read_bytes()), daemon=True)
        reader.start()
        write_readings(FRAME, asked)
        reader.join(10)
        plain = tmp_path / f"plain{suffix}"
        write_readings(FRAME, plain)
        assert came == [plain.read_bytes()]
        assert pipe.is_fifo()
