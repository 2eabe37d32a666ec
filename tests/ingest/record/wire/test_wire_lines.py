from __future__ import annotations

import numpy as np
import pytest

from ingest.record.wire.lines import (
    LONGEST_LINE,
    LineSplitter,
    check_nmea,
    decode_line,
    xor_checksum,
)
from tests.support.loggers import with_nmea

# NMEA 0183 example sentences; checksums worked out independently and accepted by another reader
SENTENCES = (
    (b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
    (b"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0x6A),
    (b"GPGLL,5300.97914,N,00259.98174,E,125926,A", 0x28),
)


@pytest.mark.parametrize(("body", "checksum"), SENTENCES)
def test_checksum_of_nmea_sentences(body: bytes, checksum: int) -> None:
    assert xor_checksum(body) == checksum
    line = b"$%b*%02X" % (body, checksum)
    assert with_nmea(body) == line
    assert check_nmea(line) == body
    assert check_nmea(line.lower().replace(body.lower(), body)) == body
    assert check_nmea(line[1:]) == body  # without $


@pytest.mark.parametrize(("body", "checksum"), SENTENCES)
def test_any_one_changed_byte_is_noticed(body: bytes, checksum: int) -> None:
    line = with_nmea(body)
    for at in range(1, len(body) + 1):
        changed = bytearray(line)
        changed[at] ^= 0x01
        assert check_nmea(bytes(changed)) is None


@pytest.mark.parametrize("line", [b"", b"*47", b"12.3,4", b"$A,1*", b"$A,1*G1", b"$A,1*4"])
def test_no_checksum_no_line(line: bytes) -> None:
    assert check_nmea(line) is None


def test_lines_are_the_same_however_the_bytes_come() -> None:
    text = b"a,1\r\nb,2\n\n\rc,3\r\r\nlast"
    chance = np.random.default_rng(2)
    for _ in range(200):
        splitter, found = LineSplitter(), []
        at = 0
        while at < len(text):
            step = int(chance.integers(1, 7))
            lines, long = splitter.feed(text[at : at + step])
            assert long == []
            found += [line for line, _ in lines]
            at += step
        assert found == [b"a,1", b"b,2", b"c,3"]
        assert splitter.cut() == b"last"
        assert splitter.cut() == b""


def test_bytes_that_follow_a_line_are_counted() -> None:
    assert LineSplitter().feed(b"a\nbb\nc")[0] == [(b"a", 4), (b"bb", 1)]


def test_a_flood_without_line_ends_does_not_fill_the_memory() -> None:
    splitter = LineSplitter()
    long: list[bytes] = []
    for _ in range(40):
        long += splitter.feed(b"x" * 4096)[1]
    assert sum(map(len, long)) + len(splitter.cut()) == 40 * 4096
    assert all(len(each) > LONGEST_LINE for each in long)


@pytest.mark.parametrize(
    ("raw", "encoding", "text"),
    [
        (b"1,2", "utf-8", "1,2"),
        ("T (°C)".encode(), "cp1252", "T (°C)"),
        ("T (°C)".encode("cp1252"), "cp1252", "T (°C)"),
        ("T (°C)".encode("cp1252"), "utf-8", None),
        (b"1,\x002", "utf-8", None),
        (b"\xff\xfe\x81", "utf-8", None),
        (b"a\tb", "utf-8", "a\tb"),
        (b"\xef\xbb\xbft,1", "utf-8", "t,1"),
    ],
)
def test_what_is_text(raw: bytes, encoding: str, text: str | None) -> None:
    assert decode_line(raw, encoding) == text
