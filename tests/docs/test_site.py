"""The site is built without a warning, asks no other host for anything, and has every name."""

from __future__ import annotations

import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

import lukewarm as lw
from analysis.vocabulary import figure_words
from dashboard.live.keys import KEYS
from docs.site.reference_pages import TABLES, every_command

ROOT = Path(__file__).parents[2]

LOADED = {"src", "href", "srcset", "data", "poster"}
"""Attributes by which a page makes a browser load something (HTML Living Standard)."""


class Loads(HTMLParser):
    """What a page loads, links that a reader follows left out."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "a":
            self.found += [value for name, value in attrs if name in LOADED and value]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("site")
    # a process of its own: the generator's own deprecations are not ours to mend
    done = subprocess.run(
        [sys.executable, "-m", "docs.site", str(out)], cwd=ROOT, capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
    return out


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_no_page_loads_anything_from_elsewhere(site: Path) -> None:
    pages = list(site.rglob("*.html"))
    assert len(pages) > 60
    for page in pages:
        loads = Loads()
        loads.feed(page.read_text(encoding="utf-8"))
        assert [each for each in loads.found if re.match(r"(?:https?:)?//", each)] == [], page
    for style in site.rglob("*.css"):
        text = style.read_text(encoding="utf-8")
        assert not re.search(r"(?:@import|url\()\s*[\"']?(?:https?:)?//", text), style


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_every_name_has_its_place(site: Path) -> None:
    def text(name: str) -> str:
        page = (site / "reference" / f"{name}.html").read_text(encoding="utf-8")
        return re.sub(r"<[^>]+>", "", page)

    pages = {path.stem for path in (site / "figures").glob("*.html")} - {"index"}
    assert pages == set(lw.figures()["figure"])
    pages = {path.stem for path in (site / "causes").glob("*.html")} - {"index"}
    assert pages == set(lw.causes()["cause"])
    commands, keys, door = text("commands"), text("run-toml"), text("front-door")
    for name, command in every_command():
        assert name in commands
        spelled = [each.opts[0] for each in command.params if each.param_type_name == "option"]
        assert [option for option in spelled if option not in commands] == []
    for title, kind in TABLES.items():
        assert title in keys
        assert [name for name in kind.model_fields if name.strip("_") not in keys] == []
    assert [name for name in lw.__all__ if f"lw.{name}" not in door] == []
    assert [key.shown for key in KEYS.values() if key.said not in text("keyboard")] == []
    checks, findings = text("checks"), text("findings")
    assert [name for name in lw.checks()["check"] if name not in checks] == []
    assert [name for name in lw.findings()["finding"] if name not in findings] == []


def test_a_figure_says_all_of_itself() -> None:
    silent = [
        (figure.name, part)
        for figure in figure_words().values()
        for part in ("definition", "equation", "missing", "source", "uncertainty")
        if not getattr(figure, part)
    ]
    assert silent == []
