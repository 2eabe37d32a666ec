"""Spoils a good run folder in a few places at once; the same seed spoils it in the same way."""

from __future__ import annotations

import os
import random
import re
from collections.abc import Callable
from pathlib import Path

FILES = ("log.csv", "run.toml", "events.csv", "checks.csv")
NUMBERS = (
    *("", "-", "nan", "inf", "-inf", "1e308", "-1e308", "1e-320", "0", "-0", "99999", "-9999"),
    *(
        "1,5",
        "1.234,5",
        "0x10",
        "1_000",
        "٣",
        "½",
        "=1+1",
        "OVER",
        "#N/A",
        "true",
        "12:61",
        "24:00:00",
    ),
    *("2026-02-30", "9999-12-31T23:59:59Z", "0001-01-01", "10000-01-01", "-5", "1e400", "9" * 400),
)
PIECES = (
    *(b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n", b"\r\n", b'"', b"'", b";", b",", b"\t"),
    *(
        b"\x1a",
        b"\x1b[2J",
        b"\xe2\x80\x9c",
        b"\xe2\x80\xae",
        b"\xc3",
        b"[",
        b"]",
        b"=",
        b"#",
        b"\\",
    ),
    *(b"=cmd|' /C calc'!A0", b"{{7*7}}", b"<script>", b"%s%n", b"x" * 200_000, b"\n" * 5000),
)


def spoil(folder: Path, seed: int) -> list[str]:
    """Spoil a folder in place; what was done, in order."""
    chance = random.Random(seed)  # noqa: S311 - it is to be the same again
    done = []
    for _ in range(chance.choice((1, 1, 1, 2, 2, 3, 5))):
        way = chance.choice(WAYS)
        file = folder / chance.choice(FILES[:3] if chance.random() < 0.9 else FILES)
        if file.is_file() and not file.is_symlink():
            way(file, chance)
            done.append(f"{way.__name__} {file.name}")
    return done


def _bytes(
    change: Callable[[bytes, random.Random], bytes],
) -> Callable[[Path, random.Random], None]:
    def way(file: Path, chance: random.Random) -> None:
        file.write_bytes(change(file.read_bytes(), chance))

    way.__name__ = change.__name__
    return way


def _at(raw: bytes, chance: random.Random) -> int:
    """A place; the head of a file is as likely as all the rest."""
    return (
        chance.randrange(min(len(raw), 300) + 1)
        if chance.random() < 0.5
        else chance.randrange(len(raw) + 1)
    )


def cut_end(raw: bytes, chance: random.Random) -> bytes:
    return raw[: _at(raw, chance)]


def cut_start(raw: bytes, chance: random.Random) -> bytes:
    return raw[_at(raw, chance) :]


def flip_bits(raw: bytes, chance: random.Random) -> bytes:
    spoilt = bytearray(raw)
    for _ in range(chance.choice((1, 3, 30))):
        if spoilt:
            spoilt[chance.randrange(len(spoilt))] ^= 1 << chance.randrange(8)
    return bytes(spoilt)


def insert_piece(raw: bytes, chance: random.Random) -> bytes:
    at = _at(raw, chance)
    return raw[:at] + chance.choice(PIECES) + raw[at:]


def replace_number(raw: bytes, chance: random.Random) -> bytes:
    found = list(re.finditer(rb"-?\d+(?:\.\d+)?", raw[:200_000]))
    for each in sorted(
        chance.sample(found, min(len(found), chance.choice((1, 5, 200)))),
        key=lambda one: -one.start(),
    ):
        raw = raw[: each.start()] + chance.choice(NUMBERS).encode() + raw[each.end() :]
    return raw


def replace_column(raw: bytes, chance: random.Random) -> bytes:
    """Every cell of one column made the same."""
    rows = [line.split(b",") for line in raw.split(b"\n")]
    at, cell = chance.randrange(max(len(rows[0]), 1)), chance.choice(NUMBERS).encode()
    for row in rows[chance.choice((0, 1, 50)) :]:
        if at < len(row):
            row[at] = cell
    return b"\n".join(b",".join(row) for row in rows)


def swap_lines(raw: bytes, chance: random.Random) -> bytes:
    lines = raw.split(b"\n")
    for _ in range(chance.choice((1, 10))):
        one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
        lines[one], lines[other] = lines[other], lines[one]
    return b"\n".join(lines)


def repeat_lines(raw: bytes, chance: random.Random) -> bytes:
    lines = raw.split(b"\n")
    at = chance.randrange(len(lines))
    part = lines[at : at + chance.choice((1, 5, 100))]
    return b"\n".join(lines[:at] + part * chance.choice((2, 3, 20)) + lines[at:])


def drop_lines(raw: bytes, chance: random.Random) -> bytes:
    lines = raw.split(b"\n")
    at = chance.randrange(len(lines))
    return b"\n".join(lines[:at] + lines[at + chance.choice((1, 5, 500, 100_000)) :])


def other_ends(raw: bytes, chance: random.Random) -> bytes:
    return raw.replace(
        b"\n", chance.choice((b"\r", b"\r\n", b"", b",", b" ", b"\n\n", b"\0", b"\xe2\x80\xa8"))
    )


def other_delimiter(raw: bytes, chance: random.Random) -> bytes:
    return raw.replace(b",", chance.choice((b";", b"\t", b" ", b"|", b",,", b"", b'","')))


def other_encoding(raw: bytes, chance: random.Random) -> bytes:
    return raw.decode("utf-8", "replace").encode(
        chance.choice(("utf-16", "utf-16-be", "cp1252", "cp500", "utf-32")), "replace"
    )


def swap_words(raw: bytes, chance: random.Random) -> bytes:
    """Words of one file in each other's place: keys as values, names as units."""
    words = re.findall(rb"[A-Za-z_]{2,}", raw[:5000])
    if not words:
        return raw
    one, other = chance.choice(words), chance.choice(words)
    return raw[:5000].replace(one, other) + raw[5000:]


def emptied(raw: bytes, chance: random.Random) -> bytes:
    return raw[:0]


def no_file(file: Path, chance: random.Random) -> None:
    file.unlink()


def a_pipe(file: Path, chance: random.Random) -> None:
    file.unlink()
    os.mkfifo(file)


def a_link(file: Path, chance: random.Random) -> None:
    file.unlink()
    file.symlink_to(
        chance.choice(
            ("/dev/zero", "/dev/null", file.name, "../..", "nothing", "run.toml", "log.csv")
        )
    )


def a_folder(file: Path, chance: random.Random) -> None:
    file.unlink()
    file.mkdir()


def another_file(file: Path, chance: random.Random) -> None:
    other = file.parent / chance.choice(FILES)
    if other != file and other.is_file():
        file.write_bytes(other.read_bytes())  # either may be a link to the other by now


WAYS: tuple[Callable[[Path, random.Random], None], ...] = (
    *map(
        _bytes,
        (
            *(cut_end, cut_start, flip_bits, insert_piece, insert_piece, replace_number),
            *(replace_number, replace_column, replace_column, swap_lines, repeat_lines),
            *(drop_lines, other_ends, other_delimiter, other_encoding, swap_words, emptied),
        ),
    ),
    *(no_file, a_pipe, a_link, a_folder, another_file),
)
