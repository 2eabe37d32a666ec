"""Hints for what people paste into a run.toml (TOML 1.0.0: basic and literal strings)."""

from __future__ import annotations

import pytest

from ingest.errors import UnusableRun
from ingest.setup.toml_text import parse_toml


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ('file = "C:\\logs\\new.csv"', "single quotation marks"),
        ('file = "C:\\Users\\van\\log.csv"', "single quotation marks"),
        ("vehicle = \u201cSC-014\u201d", "straight quotation marks"),
        ("vehicle = \u201eSC-014\u201c", "straight quotation marks"),
        ("vehicle = \u2018SC-014\u2019", "straight quotation marks"),
        ("vehicle = SC-014", "correct that line"),
    ],
)
def test_a_hint_for_what_was_pasted(line: str, hint: str) -> None:
    with pytest.raises(UnusableRun, match=hint):
        parse_toml(f'[run]\nname = "x"\n{line}\nfamily = "Plover"\n', "run.toml")


def test_the_hint_for_a_path_makes_it_toml() -> None:
    assert parse_toml("file = 'C:\\logs\\new.csv'\n", "run.toml") == {"file": "C:\\logs\\new.csv"}
