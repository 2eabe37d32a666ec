"""Stores and recordings are their owner's alone, whatever the umask, unless somebody says else.

What the bits and the umask mean: POSIX.1-2017, sys/stat.h and umask().
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest import access
from ingest.load.load import load_run
from ingest.store.store import Store
from tests.support.board_runs import ROOT, SAMPLES
from tests.support.loggers import numbered_line, numbered_setup, record_lines
from tests.support.stored.stores import add, make_place

pytestmark = pytest.mark.skipif(os.name != "posix", reason="permissions are POSIX's")

UMASKS = [0o000, 0o022, 0o077]


@pytest.fixture(params=UMASKS, ids=[f"{each:03o}" for each in UMASKS])
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def modes(folder: Path) -> dict[str, str]:
    """Permissions of a folder and all in it that is not as it is to be when private."""
    found = {}
    for path in (folder, *folder.rglob("*")):
        mode = path.stat().st_mode & 0o777
        if mode != (0o700 if path.is_dir() else 0o600):
            found[path.relative_to(folder).as_posix()] = f"{mode:o}"
    return found


def test_a_store_is_private(tmp_path: Path, umask: int) -> None:
    folder = tmp_path / "shop" / "fleet"
    store = Store.open(folder)
    for number in range(3):
        added = add(store, make_place(tmp_path / f"run{number}", "SC-001", number))
        restored = store.restore(added.run_id, tmp_path / f"restored{number}")
        assert modes(restored) == {}
    assert modes(folder.parent) == {}
    store.close()
    assert len(list(folder.rglob("*"))) > 10


def test_a_recording_is_private(tmp_path: Path, umask: int) -> None:
    lines = [numbered_line(each) for each in range(200)]
    folder = record_lines(numbered_setup(), lines, tmp_path).folder
    load_run(folder)
    assert modes(folder) == {}
    assert (folder / "log.csv").is_file()


def test_a_recording_made_again_is_private(tmp_path: Path, umask: int) -> None:
    lines = [numbered_line(each) for each in range(200)]
    folder = record_lines(numbered_setup(), lines, tmp_path).folder
    for name in ("log.csv", "recording.json"):
        (folder / name).unlink()
    load_run(folder)
    assert (folder / "log.csv").is_file()
    assert modes(folder) == {}


def test_a_store_others_were_let_into_stays_open_to_them(tmp_path: Path) -> None:
    folder = tmp_path / "fleet"
    Store.open(folder).close()
    for path in (folder, *folder.rglob("*")):
        path.chmod(0o770 if path.is_dir() else 0o660)
    store = Store.open(folder)
    add(store, make_place(tmp_path / "run", "SC-001"))
    store.close()
    kept = [path for part in ("raw", "readings") for path in (folder / part).rglob("*")]
    assert len(kept) > 2
    for path in kept:
        assert path.stat().st_mode & 0o777 == (0o770 if path.is_dir() else 0o660)


@pytest.mark.parametrize(
    ("said", "files", "folders"),
    [("", 0o600, 0o700), ("private", 0o600, 0o700), ("group", 0o660, 0o770),
     ("everyone", 0o664, 0o775), ("whoever", 0o600, 0o700)],
)  # fmt: skip
def test_the_environment_may_say_otherwise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, umask: int, said: str, files: int, folders: int
) -> None:
    monkeypatch.setenv(access.SAID, said)
    access.make_folders(tmp_path / "a" / "b")
    access.write(tmp_path / "a" / "b" / "c", b"x")
    assert (tmp_path / "a").stat().st_mode & 0o777 == folders
    assert (tmp_path / "a" / "b" / "c").stat().st_mode & 0o777 == files


def test_what_is_exported_is_as_the_umask_has_it(tmp_path: Path) -> None:
    # a report or a table is made to be given away
    command = [sys.executable, "-m", "lukewarm", "convert", str(SAMPLES / "SC-001-baseline")]
    out = tmp_path / "out.csv"
    subprocess.run([*command, "--out", str(out)], cwd=ROOT, check=True, umask=0o022)
    assert out.stat().st_mode & 0o777 == 0o644


def test_a_file_that_is_there_keeps_its_permissions(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.touch()
    path.chmod(0o644)
    access.write(path, b"y")
    assert path.stat().st_mode & 0o777 == 0o644
