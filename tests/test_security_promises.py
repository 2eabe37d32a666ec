"""Every promise of SECURITY.md names tests, and they are there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_every_promise_is_tested() -> None:
    text = (ROOT / "SECURITY.md").read_text(encoding="utf-8")
    promises = text.split("## What it does not promise")[0]
    for promise in re.findall(r"^- .*(?:\n  .*)*", promises, flags=re.MULTILINE):
        assert re.search(r"`test_\w+\.test_\w+`", promise), promise
    named = re.findall(r"`(test_\w+)\.(test_\w+)`", text)
    assert len(named) > 40
    for module, name in named:
        (path,) = (ROOT / "tests").rglob(f"{module}.py")
        assert re.search(rf"^def {name}\(", path.read_text(encoding="utf-8"), re.MULTILINE), name
