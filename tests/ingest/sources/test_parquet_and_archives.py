"""Parquet files and archives: types, times, what is asked, and what is refused.

Written with polars and the standard library's gzip and zipfile. Invented data.
"""

from __future__ import annotations

import gzip
import tarfile
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from ingest.clock.log_clock import build_clock
from ingest.draft.draft import draft_setup
from ingest.errors import UnusableRun
from ingest.setup.model import LogTable
from ingest.table import packed
from ingest.table.columns import Columns
from ingest.table.open import iter_log, open_log
from tests.support.sources import packed_gz, packed_zip

START = datetime(2026, 1, 14, 12, 31, tzinfo=UTC)
TEXT = "t [s],outlet [degC]\n" + "".join(f"{row},{20 + row / 8}\n" for row in range(40))


def opened(path: Path, **stated: object) -> Columns:
    table = open_log(path, LogTable.model_validate({"file": path.name} | stated))
    assert table is not None
    return table


def frame(time: object) -> pl.DataFrame:
    return pl.DataFrame({"Time": time, "outlet_degC": [20 + row / 8 for row in range(40)]})


def moments(zone: str | None) -> pl.Series:
    bare = pl.Series([START.replace(tzinfo=None) + timedelta(seconds=at) for at in range(40)])
    return bare.dt.replace_time_zone(zone)


@pytest.mark.parametrize(
    "time",
    [
        moments(None),
        moments("UTC"),
        moments("UTC").dt.convert_time_zone("America/Detroit"),
        moments(None).cast(pl.Datetime("ms")),
        pl.Series([timedelta(seconds=at) for at in range(40)]),
        pl.Series([f"2026-01-14 12:31:{at:02d}" for at in range(40)]),
    ],
    ids=["wall clock", "UTC", "zone", "ms", "duration", "text"],
)
def test_times_of_every_type(time: pl.Series, tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    frame(time).write_parquet(path)
    table = opened(path)
    clock = build_clock(table, LogTable(file="log.parquet"))
    assert [at - clock.time[0] for at in clock.time] == list(range(40))
    if time.dtype != pl.Duration:
        assert clock.started is not None
        assert clock.started.replace(tzinfo=clock.started.tzinfo or UTC) == START
    assert table.units[1] == "degC"
    assert [each.point for each in draft_setup(path).proposals] == ["outlet"]


@pytest.mark.parametrize("kind", [pl.Float64, pl.Float32, pl.Decimal(10, 3), pl.Int16])
def test_numbers_of_every_type(kind: pl.DataType, tmp_path: Path) -> None:
    numbers = [round(21.05 + row, 2) if kind != pl.Int16 else 21 + row for row in range(40)]
    cells = pl.Series("outlet", [*numbers[:5], None, *numbers[6:]], dtype=pl.Float64).cast(kind)
    path = tmp_path / "log.parquet"
    pl.DataFrame([pl.Series("t", range(40)), cells]).write_parquet(path)
    found = opened(path).numbers(1)
    assert found.values.to_list() == [*numbers[:5], None, *numbers[6:]]
    assert found.words == {"": 1}


def test_lists_are_left_out_and_said(tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    frame(range(40)).with_columns(raw=pl.lit([1, 2])).write_parquet(path)
    table = opened(path)
    assert table.names == ("Time", "outlet_degC")
    assert [each.fault for each in table.findings] == ["columns_left_out"]


def test_words_of_no_reading_in_a_column_of_text(tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    texts = pl.Series([*(["21,5"] * 38), "OVER", " "])
    pl.DataFrame({"t": range(40), "outlet": texts}).write_parquet(path)
    found = opened(path).numbers(1)
    assert found.values.to_list() == [*([21.5] * 38), None, None]
    assert found.words == {"": 1, "OVER": 1}


def test_a_long_log_in_parquet(tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    pl.DataFrame(
        {
            "t": [0.0, 0.0, 1.0, 1.0],
            "name": ["outlet", "ambient"] * 2,
            "value": [20.0, 5.0, 21.0, 5.5],
        }
    ).write_parquet(path)
    table = opened(path, layout="long", name="name", value="value")
    long = table.long("name", "value")
    assert long.channel(long.find("ambient")).numbers.values.to_list() == [5.0, 5.5]


def test_a_damaged_and_an_empty_parquet_file(tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    frame(range(40)).write_parquet(path)
    path.write_bytes(path.read_bytes()[:-50])
    with pytest.raises(UnusableRun, match="damaged Parquet file"):
        opened(path)
    frame(range(40)).clear().write_parquet(path)
    with pytest.raises(UnusableRun, match="no reading"):
        opened(path)


def test_an_archive_of_one_file_beside_what_file_managers_add(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(TEXT, encoding="utf-8")
    beside = [("__MACOSX/._log.csv", b"x"), (".DS_Store", b"y")]
    table = opened(packed_zip(log, beside))
    assert (table.height, table.file, table.sha256) == (40, "log.csv", None)


def test_an_archive_of_several_files_is_asked(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(TEXT, encoding="utf-8")
    with pytest.raises(UnusableRun, match=r"2 files \('log.csv', 'other.csv'\)"):
        opened(packed_zip(log, [("other.csv", TEXT.encode())]))
    with zipfile.ZipFile(tmp_path / "none.zip", "w") as archive:
        archive.mkdir("folder")
    with pytest.raises(UnusableRun, match="an empty archive"):
        opened(tmp_path / "none.zip")


@pytest.mark.parametrize("pack", [packed_gz, packed_zip])
def test_a_large_log_is_taken_in_parts_out_of_its_archive(pack: object, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(TEXT + "".join(f"{row},30.5\n" for row in range(40, 400)), encoding="utf-8")
    path = packed_gz(log) if pack is packed_gz else packed_zip(log)
    stated = LogTable(file=path.name)
    assert open_log(path, stated, whole_up_to=100) is None
    parts = list(iter_log(path, stated, chunk_bytes=100))
    assert len(parts) > 1
    assert sum(part.height for part in parts) == 400


def test_archives_that_grow_too_large_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(packed, "FREE_BYTES", 1 << 20)
    log = tmp_path / "log.csv"
    log.write_bytes(bytes(8 << 20))
    for path in (packed_gz(log), packed_zip(log)):
        with pytest.raises(UnusableRun, match="unpacks to more than"):
            opened(path)


def test_archives_in_archives_and_damaged_ones(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(TEXT * 50, encoding="utf-8")
    once = packed_gz(log)
    for path in (packed_gz(once), packed_zip(once), packed_gz(packed_zip(log))):
        with pytest.raises(UnusableRun, match="an archive inside an archive"):
            opened(path)
    with tarfile.open(tmp_path / "log.tar.gz", "w:gz") as archive:
        archive.add(log, "log.csv")
    with pytest.raises(UnusableRun, match="an archive inside an archive"):
        opened(tmp_path / "log.tar.gz")
    half = tmp_path / "half.gz"
    half.write_bytes(gzip.compress(log.read_bytes())[:-20])
    with pytest.raises(UnusableRun, match="a damaged archive"):
        opened(half)
    whole = packed_zip(log).read_bytes()
    (tmp_path / "half.zip").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(UnusableRun, match="a damaged archive"):
        opened(tmp_path / "half.zip")


def test_a_name_in_an_archive_leads_nowhere(tmp_path: Path) -> None:
    path = tmp_path / "log.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("../../escaped.csv", TEXT)
    assert opened(path).height == 40
    assert not list(tmp_path.parent.rglob("escaped.csv"))
