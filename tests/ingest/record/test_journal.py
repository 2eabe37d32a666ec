from __future__ import annotations

import errno
import os
import time
from pathlib import Path

import numpy as np
import pytest

from ingest.record import journal
from ingest.record.journal import Damage, Journal, JournalError, Kind, read_records, segments


def fill(folder: Path, payloads: list[bytes]) -> Path:
    made = Journal(folder)
    for at, payload in enumerate(payloads):
        made.append(at % 3, Kind.DATA, payload)
    made.close()
    return made.path


def payloads_of(path: Path) -> tuple[list[bytes], Damage]:
    damage = Damage()
    return [record.payload for record in read_records(path, damage)], damage


def test_what_was_written_is_read_again(tmp_path: Path) -> None:
    payloads = [b"", b"1,2,3\n", journal.MAGIC * 5, bytes(range(256)) * 40]
    path = fill(tmp_path, payloads)
    found = list(read_records(path, Damage()))
    assert [record.payload for record in found] == payloads
    assert [record.port for record in found] == [0, 1, 2, 0]
    times = [record.mono_ns for record in found]
    assert times == sorted(times)
    assert abs(found[0].wall_ns / 1e9 - time.time()) < 5


def test_segments_are_numbered(tmp_path: Path) -> None:
    fill(tmp_path, [b"a"])
    fill(tmp_path, [b"b"])
    assert [each.name for each in segments(tmp_path)] == ["000001.bin", "000002.bin"]


def test_a_torn_end_costs_only_the_torn_record_at_every_length(tmp_path: Path) -> None:
    path = fill(tmp_path, [b"first", b"second", b"third"])
    whole = path.read_bytes()
    size = len(whole) // 3
    for length in range(len(whole)):
        path.write_bytes(whole[:length])
        found, damage = payloads_of(path)
        complete = sum(
            length >= end for end in (37, 37 + 38, 37 + 38 + 37)
        )  # a head is 32 bytes long
        assert found == [b"first", b"second", b"third"][:complete]
        assert damage.places == 0
    assert size == 37


def test_damage_in_the_middle_costs_only_the_records_it_hits(tmp_path: Path) -> None:
    payloads = [f"line {at}\n".encode() * 20 for at in range(200)]
    path = fill(tmp_path, payloads)
    raw = bytearray(path.read_bytes())
    for at in np.random.default_rng(4).integers(len(raw), size=20):
        raw[at] ^= 0x55
    path.write_bytes(raw)
    found, damage = payloads_of(path)
    assert len(payloads) - 20 <= len(found) < len(payloads)
    assert set(found) <= set(payloads)
    assert found == [each for each in payloads if each in set(found)]
    assert damage.places >= 1
    assert damage.skipped > 0


def test_a_false_length_does_not_swallow_what_follows(tmp_path: Path) -> None:
    path = fill(tmp_path, [b"one", b"two", b"three"])
    raw = bytearray(path.read_bytes())
    raw[8:12] = (1 << 19).to_bytes(4, "little")
    path.write_bytes(raw)
    assert payloads_of(path)[0] == [b"two", b"three"]


def test_random_bytes_are_no_journal(tmp_path: Path) -> None:
    path = tmp_path / "000001.bin"
    path.write_bytes(np.random.default_rng(1).bytes(3_000_000))
    found, damage = payloads_of(path)
    assert found == []
    assert damage.torn == 3_000_000


def test_written_in_pieces_by_a_slow_system(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.write
    monkeypatch.setattr(journal.os, "write", lambda file, data: real(file, bytes(data)[:7]))
    path = fill(tmp_path, [b"a" * 50, b"b" * 50])
    assert payloads_of(path)[0] == [b"a" * 50, b"b" * 50]


def test_a_full_disk_is_said_and_what_was_written_stays_readable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, room = os.write, [200]

    def write(file: int, data: bytes) -> int:
        if not room[0]:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        done = real(file, bytes(data)[: room[0]])
        room[0] -= done
        return done

    made = Journal(tmp_path)
    monkeypatch.setattr(journal.os, "write", write)
    made.append(0, Kind.DATA, b"x" * 100)
    with pytest.raises(JournalError, match=r"takes no more .*--resume"):
        made.append(0, Kind.DATA, b"y" * 100)
    with pytest.raises(JournalError):
        made.append(0, Kind.DATA, b"z")
    assert made.failed is not None
    made.close()
    found, damage = payloads_of(made.path)
    assert found == [b"x" * 100]
    assert damage == Damage()


def test_on_disk_within_a_second(tmp_path: Path) -> None:
    waits: list[float] = []
    made = Journal(tmp_path, on_sync=lambda oldest, now: waits.append((now - oldest) / 1e9))
    until = time.monotonic() + 1.5
    while time.monotonic() < until:
        made.append(0, Kind.DATA, b"1,2,3\n")
        time.sleep(0.005)
    made.close()
    assert len(waits) >= 3
    assert max(waits) < 1.0


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "journal").write_text("in the way", encoding="utf-8")
    with pytest.raises(JournalError, match="journal"):
        Journal(tmp_path)
