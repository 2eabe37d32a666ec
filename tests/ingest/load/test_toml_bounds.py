"""Texts made to choke a parser are one fault before any parser sees them.

What a valid text is stands in TOML v1.0.0 (toml.io); tomllib of the standard library is the judge.
"""

from __future__ import annotations

import tomllib
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.limits import parse_limits
from ingest.errors import UnusableRun
from ingest.files import find_files
from ingest.json_text import parse_json
from ingest.record.test_plan import read_plan
from ingest.record.wire.derivation import open_derivation
from ingest.sensors.units import UnknownUnit, conversion
from ingest.setup.toml_text import MAX_DEPTH, MAX_PARTS, check_bounds, parse_document, parse_toml
from ingest.store.store import Store
from tests.support.board_runs import ROOT

MANY = 100_000
DOTS = ".".join(["a"] * MANY)
QUOTED = ".".join(['"a"'] * (MANY // 2))

BOMBS = {
    "dotted key": f"{DOTS} = 1",
    "spaces about the dots": " . ".join(["a"] * MANY) + " = 1",
    "quoted parts": f"{QUOTED} = 1",
    "table": f"[{DOTS}]",
    "array of tables": f"[[{DOTS}]]",
    "inline table": f"x = {{ {DOTS} = 1 }}",
    "behind a long string": f'x = {{ a = """b"""", {DOTS} = 1, c = "d" }}',
    "behind a long literal": f"x = {{ a = '''b''''', {DOTS} = 1, c = 'd' }}",
    "behind a comment": f'# "\n{DOTS} = 1 # "',
    "arrays": "x = " + "[" * MANY,
    "inline tables": "x = " + "{a=" * MANY,
    "digits": "x = " + "1" * 2 * MANY,
    "negative": "x = -" + "1" * 2 * MANY,
    "hexadecimal": "x = 0x" + "f" * 2 * MANY,
    "underscores": "x = " + "1_" * MANY + "1",
    "keys": "".join(f"k{each} = 1\n" for each in range(MANY)),
    "long": "# " + "x" * 2**20,
}


@pytest.mark.parametrize("text", BOMBS.values(), ids=BOMBS)
@pytest.mark.parametrize("parse", [parse_toml, parse_document])
def test_a_bomb_is_one_fault_and_costs_no_memory(parse, text: str) -> None:  # type: ignore[no-untyped-def]
    tracemalloc.start()
    try:
        with pytest.raises(UnusableRun) as caught:
            parse(text, "run.toml")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(caught.value.faults) == 1
    assert "or fewer" in str(caught.value)
    assert len(str(caught.value)) < 300
    # before they were bounded, tomllib took 4 bytes for the square of the number of parts
    assert peak < 16 * 2**20


def test_the_line_is_named() -> None:
    with pytest.raises(UnusableRun, match=r"limits\.toml line 3: found a key"):
        parse_toml(f"a = 1\n\n{DOTS} = 1", "limits.toml")


def test_every_file_in_the_repository_is_within_bounds() -> None:
    files = [
        path
        for folder in ("ingest", "analysis", "dashboard", "sample_logs", "tests")
        for path in (ROOT / folder).rglob("*.toml")
    ]
    assert len(files) > 50
    for path in files:
        check_bounds(path.read_text(encoding="utf-8-sig"), path.name)


STRINGS = st.lists(
    st.sampled_from(['"', '""', '"""', "'", "''", "'''", "\\", '\\"', "\n", "#", "a", ",", "x = "]),
    max_size=9,
).map("".join)


def deepest(value: object) -> int:
    if not isinstance(value, dict):
        return 0
    return 1 + max((deepest(each) for each in value.values()), default=0)


@pytest.mark.parametrize("inline", [True, False])
@given(before=STRINGS, after=STRINGS)
@settings(max_examples=1500, deadline=None)
def test_no_string_or_comment_hides_a_deep_key(before: str, after: str, *, inline: bool) -> None:
    key = ".".join(["b"] * (MAX_PARTS + 2)) + " = 1"
    text = f"x = {{ a = {before}, {key}, c = {after} }}" if inline else f"{before}\n{key}\n{after}"
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return  # the parser ends at the mistake; `BOMBS` and the next test see to what lies before
    if deepest(told) > MAX_PARTS:
        with pytest.raises(UnusableRun):
            check_bounds(text, "run.toml")


@pytest.mark.parametrize("mark", ['"""', "'''"])
@pytest.mark.parametrize("more", [0, 1, 2])
def test_a_long_string_may_end_in_quotes(mark: str, more: int) -> None:
    # TOML v1.0.0, String: up to two quotation marks may stand right before the closing ones
    key = ".".join(["b"] * (MAX_PARTS + 2))
    text = f'x = {{ a = {mark}t{mark[:1] * more}{mark}, {key} = 1, c = "d" }}'
    assert tomllib.loads(text)["x"]["a"] == "t" + mark[0] * more
    with pytest.raises(UnusableRun):
        check_bounds(text, "run.toml")


def test_depth_itself_is_allowed() -> None:
    text = ".".join(["a"] * MAX_PARTS) + " = " + "[" * MAX_DEPTH + "]" * MAX_DEPTH
    assert deepest(parse_toml(text, "x")) == MAX_PARTS


# ---------------------------------------------------------------- every file that is read


def test_every_kind_of_toml_file_is_bounded(tmp_path: Path) -> None:
    bomb = tmp_path / "run.toml"
    bomb.write_text(BOMBS["dotted key"])
    for read in (
        lambda: find_files(tmp_path),
        lambda: parse_limits(bomb.read_text(), bomb.name),
        lambda: read_plan(bomb),
        lambda: open_derivation(bomb),
    ):
        with pytest.raises(UnusableRun, match="a key of more than"):
            read()
    (tmp_path / "store.toml").write_text(BOMBS["dotted key"])
    with pytest.raises(UnusableRun, match="no readable settings"):
        Store.open(tmp_path, create=False)


@pytest.mark.parametrize("text", ["[" * MANY, '{"a":' * MANY, "1" * 2 * MANY, "nothing"])
def test_bad_json_is_one_kind_of_error(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - its words are the parser's own
        parse_json(text)


@pytest.mark.parametrize("unit", ["m^9^9^9^9", "m^99^99^99", "m 9^9^9^9", "m^-9.9^9^9", "m**9**9"])
def test_powers_of_powers_are_no_units(unit: str) -> None:
    with pytest.raises(UnknownUnit):
        conversion(unit)
