"""Measurement files (ASAM MDF) in the habits of their writers, written with asammdf.

What counts: every sample where its own clock puts it, conversion rules carried out, invalid samples
without a reading, and what may mean two things asked. Invented data.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ingest.clock.log_clock import build_clock
from ingest.draft.draft import draft_setup
from ingest.errors import UnusableRun
from ingest.setup.model import LogTable
from ingest.table.columns import Columns
from ingest.table.open import open_log

asammdf = pytest.importorskip("asammdf")

FAST = np.arange(0, 40) / 10
SLOW = np.arange(0, 4) * 1.0
LOG = LogTable(file="log.mf4")


def signal(name: str, samples: Any, time: Any = FAST, **more: Any) -> Any:
    return asammdf.Signal(np.asarray(samples), time, name=name, **more)


def written(path: Path, *groups: list[Any], version: str = "4.10", **more: Any) -> Path:
    with asammdf.MDF(version=version) as file:
        for at, group in enumerate(groups):
            file.append(group, acq_name=more.get("names", [f"group {at + 1}"] * 9)[at])
        saved = file.save(path, overwrite=True, compression=more.get("compression", 0))
    return Path(saved)


def opened(path: Path, log: LogTable = LOG) -> Columns:
    table = open_log(path, log)
    assert table is not None
    return table


def values(table: Columns, name: str) -> list[float | None]:
    found: list[float | None] = table.numbers(table.find(name)).values.to_list()
    return found


@pytest.mark.parametrize("version", ["3.30", "4.10", "4.20"])
@pytest.mark.parametrize("compression", [0, 2])
def test_versions_and_compression(version: str, compression: int, tmp_path: Path) -> None:
    outlet = 20 + FAST / 8
    path = written(
        tmp_path / "log.mf4",
        [signal("outlet", outlet, unit="degC")],
        version=version,
        compression=compression,
    )
    table = opened(path)
    assert (table.names, table.units) == (("time", "outlet"), ("s", "degC"))
    assert values(table, "outlet") == outlet.tolist()
    assert build_clock(table, LOG).time.tolist() == pytest.approx(FAST.tolist(), abs=1e-9)


def test_four_byte_numbers_are_what_their_writer_had(tmp_path: Path) -> None:
    shown = [round(21.05 + 0.01 * row, 2) for row in range(40)]
    table = opened(written(tmp_path / "log.mf4", [signal("t", np.array(shown, dtype="f4"))]))
    assert values(table, "t") == shown


def test_conversion_rules(tmp_path: Path) -> None:
    counts = np.arange(40, dtype="u2")
    group = [
        signal("linear", counts, conversion={"a": 0.5, "b": -40.0}, unit="degC"),
        signal("formula", counts, conversion={"formula": "X1*2+1"}),
        signal(
            "table",
            counts,
            conversion={"raw_0": 0.0, "phys_0": 0.0, "raw_1": 40.0, "phys_1": 80.0},
        ),
        signal(
            "mode",
            counts % 2,
            conversion={"val_0": 0, "text_0": b"off", "val_1": 1, "text_1": b"floor"},
        ),
    ]
    table = opened(written(tmp_path / "log.mf4", group))
    assert values(table, "linear")[:3] == [-40.0, -39.5, -39.0]
    assert values(table, "formula")[:3] == [1.0, 3.0, 5.0]
    assert table.text(table.find("mode")).to_list()[:3] == ["off", "floor", "off"]


def test_invalid_samples_hold_no_reading(tmp_path: Path) -> None:
    invalid = np.zeros(40, dtype=bool)
    invalid[3:6] = True
    group = [
        signal("outlet", np.arange(40.0), invalidation_bits=invalid),
        signal("ambient", np.arange(40.0)),
    ]
    table = opened(written(tmp_path / "log.mf4", group))
    assert [at for at, value in enumerate(values(table, "outlet")) if value is None] == [3, 4, 5]
    assert values(table, "ambient") == np.arange(40.0).tolist()
    assert build_clock(table, LOG).time.size == 40


def test_groups_with_clocks_of_their_own(tmp_path: Path) -> None:
    table = opened(
        written(
            tmp_path / "log.mf4",
            [signal("outlet", np.arange(40.0))],
            [signal("coolant", [1.0, 2.0, 3.0, 4.0], SLOW + 0.05)],
            [signal("speed", np.arange(40.0) + 100)],
        )
    )
    time = build_clock(table, LOG).time
    assert time.size == 44
    for name, own, samples in (
        ("outlet", FAST, np.arange(40.0)),
        ("coolant", SLOW + 0.05, np.arange(1.0, 5.0)),
        ("speed", FAST, np.arange(40.0) + 100),
    ):
        read = values(table, name)
        there = [at for at, value in enumerate(read) if value is not None]
        assert time[there].tolist() == pytest.approx(own.tolist())
        assert [read[at] for at in there] == samples.tolist()
    assert "groups_joined" in [each.fault for each in table.findings]


def test_samples_that_share_a_time_are_all_kept(tmp_path: Path) -> None:
    twice = np.repeat(np.arange(20) / 5, 2)
    table = opened(
        written(
            tmp_path / "log.mf4",
            [signal("outlet", np.arange(40.0), twice)],
            [signal("coolant", np.arange(4.0), SLOW)],
        )
    )
    assert [value for value in values(table, "outlet") if value is not None] == list(range(40))
    assert table.height == 40


def test_one_name_in_two_groups_is_asked(tmp_path: Path) -> None:
    path = written(
        tmp_path / "log.mf4",
        [signal("outlet", np.arange(40.0), unit="degC")],
        [signal("outlet", np.arange(4.0), SLOW, unit="degC")],
        names=["first drive", "second drive"],
    )
    with pytest.raises(UnusableRun, match=r"first drive \(2\), second drive \(3\).*sheet = "):
        opened(path).find("outlet")
    assert all(each.point is None for each in draft_setup(path).proposals)
    for sheet in ("second drive", 2):
        table = opened(path, LogTable(file="log.mf4", sheet=sheet))
        assert values(table, "outlet") == [0.0, 1.0, 2.0, 3.0]
    with pytest.raises(UnusableRun, match=r"'first drive' \(1\), 'second drive' \(2\)"):
        opened(path, LogTable(file="log.mf4", sheet="third drive"))


def test_arrays_and_texts_beside_readings(tmp_path: Path) -> None:
    group = [
        signal("outlet", np.arange(40.0)),
        signal("note", np.array([b"at post %d" % row for row in range(40)]), encoding="utf-8"),
        signal("raw", np.zeros((40, 8), dtype="u1")),
    ]
    path = written(tmp_path / "log.mf4", group)
    table = opened(path)
    assert values(table, "outlet") == np.arange(40.0).tolist()
    assert table.text(table.find("note")).to_list()[:2] == ["at post 0", "at post 1"]
    reasons = {each.name: each.reason for each in draft_setup(path).proposals}
    assert reasons["raw"] == "it holds no reading"


def test_nan_and_numbers_for_no_reading(tmp_path: Path) -> None:
    samples = np.arange(40.0)
    samples[5], samples[6] = np.nan, -9999.0
    table = opened(written(tmp_path / "log.mf4", [signal("outlet", samples)]))
    numbers = table.numbers(1)
    assert [at for at, value in enumerate(numbers.values) if value is None] == [5, 6]
    assert numbers.words == {"": 1, "-9999": 1}


def test_clocks_that_differ_and_go_back_are_asked(tmp_path: Path) -> None:
    path = written(
        tmp_path / "log.mf4",
        [signal("outlet", np.arange(40.0), np.concatenate((FAST[:20], FAST[:20])))],
        [signal("coolant", np.arange(4.0), SLOW)],
    )
    with pytest.raises(UnusableRun, match="goes back"):
        opened(path)
    assert opened(path, LogTable(file="log.mf4", sheet=2)).height == 4


def test_damaged_and_empty_files(tmp_path: Path) -> None:
    path = written(tmp_path / "log.mf4", [signal("outlet", np.arange(40.0))])
    half = tmp_path / "half.mf4"
    half.write_bytes(path.read_bytes()[:200])
    with pytest.raises(UnusableRun, match="damaged measurement file"):
        opened(half)
    with pytest.raises(UnusableRun, match="no group"):
        opened(written(tmp_path / "empty.mf4"))


def test_a_draft_of_a_measurement_file(tmp_path: Path) -> None:
    group = [signal("Outlet", np.arange(40.0), unit="°C"), signal("Ambient", FAST, unit="°F")]
    drafted = draft_setup(written(tmp_path / "log.mf4", group))
    assert {each.point: each.unit for each in drafted.proposals} == {
        "outlet": "°C",
        "ambient": "°F",
    }
    assert 'time = {column = "time", unit = "s"}' in drafted.text


def test_the_extra_is_named_where_it_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path / "log.mf4", [signal("outlet", np.arange(40.0))])
    monkeypatch.setitem(__import__("sys").modules, "asammdf", None)
    with pytest.raises(UnusableRun, match=r"pip install lukewarm\[mf4\]"):
        opened(path)
