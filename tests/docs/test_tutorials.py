"""Every command of the tutorials is run, and prints what the page says."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from docs.tried import Command, File, differs, steps, tried

PAGES = sorted((Path(__file__).parents[2] / "docs" / "tutorials").glob("*.md"))


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_a_tutorial_does_what_it_says(
    page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(
        "PATH", os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    )
    assert tried(page, tmp_path) == []


def test_every_user_has_a_tutorial() -> None:
    assert {page.stem for page in PAGES} == {"technician", "analyst", "engineer"}
    assert all(sum(isinstance(each, Command) for each in steps(_text(page))) > 4 for page in PAGES)


def _text(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def test_what_a_page_holds_is_found() -> None:
    page = (
        "```{code-block} text\n:caption: a.csv\n\na,b\n```\n\n"
        "```console\n$ one --two\nout\n(exit status 3)\n$ three\n```\n\n```text\n$ not run\n```\n"
    )
    assert list(steps(page)) == [
        File("a.csv", "a,b\n"),
        Command("one --two", ["out"], 3),
        Command("three"),
    ]


@pytest.mark.parametrize(
    ("claimed", "printed", "kept"),
    [
        (["a", "…", "c"], ["a", "b", "b", "c"], True),
        (["a", "…", "c"], ["a", "c"], True),
        (["a … z"], ["a b z"], True),
        (["a"], ["a", "b"], False),
        (["a", "…", "d"], ["a", "b", "c"], False),
        (["(x)"], ["x"], False),
        ([], ["said something"], False),
        # a slow machine says meanwhile how far it is
        (["a"], ["judging anew: 1,017 of 2,024, 3.8 s each, done about 15:38:53", "a"], True),
        (["a"], ["reading: 17 of 24", "a"], False),
    ],
)
def test_claims_are_held_against_what_is_printed(
    claimed: list[str], printed: list[str], *, kept: bool
) -> None:
    assert (differs(claimed, printed) == "") is kept
