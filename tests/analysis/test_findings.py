"""The registry of findings is the whole vocabulary, and nothing is said beside it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from analysis.causes.signs.signs import WRONG_WAY
from analysis.findings import all_findings

ROOT = Path(__file__).parents[2]
HOUSES = ("ingest", "analysis", "dashboard")


Found = tuple[Path, ast.Call | ast.Compare]


@pytest.fixture(scope="module")
def nodes() -> list[Found]:
    """Every call and comparison of the sources."""
    paths = [path for house in HOUSES for path in sorted((ROOT / house).rglob("*.py"))]
    return [
        (path, node)
        for path in paths
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call | ast.Compare)
    ]


def _calls(nodes: list[Found], name: str) -> list[tuple[Path, ast.Call]]:
    return [
        (path, node)
        for path, node in nodes
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name
    ]


def test_every_kind_in_the_sources_is_in_the_vocabulary(nodes: list[Found]) -> None:
    named = set()
    for path, call in _calls(nodes, "finding"):
        assert isinstance(call.args[0], ast.Constant), path
        named.add(call.args[0].value)
    assert named == set(all_findings())


def test_no_finding_is_made_past_the_registry(nodes: list[Found]) -> None:
    """Only the registry makes findings, and a recording reads back those it has written."""
    made = {path.relative_to(ROOT).as_posix() for path, _ in _calls(nodes, "Finding")}
    assert made == {"ingest/findings.py", "ingest/record/recover.py"}


def test_nobody_matches_on_a_bare_name(nodes: list[Found]) -> None:
    names = set(all_findings())
    for path, node in nodes:
        if not isinstance(node, ast.Compare):
            continue
        sides = [node.left, *node.comparators]
        if any(isinstance(side, ast.Attribute) and side.attr == "fault" for side in sides):
            words = {each.value for side in sides for each in ast.walk(side)
                     if isinstance(each, ast.Constant)}  # fmt: skip
            assert not words & names, f"{path}:{node.lineno}"


def test_every_kind_is_a_name_a_sentence_and_what_to_do() -> None:
    for name, kinds in all_findings().items():
        assert re.fullmatch(r"[a-z][a-z0-9_]*", name)
        for kind in kinds:
            assert kind.name == name
            assert len(kind.sentence) > 5
            assert kind.do.endswith("."), name


def test_names_that_signs_stand_on_are_in_the_vocabulary() -> None:
    assert set(all_findings()) > WRONG_WAY
