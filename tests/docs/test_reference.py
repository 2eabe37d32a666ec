"""The reference says what the code says."""

from __future__ import annotations

import lukewarm as lw
from docs.build import FILE, reference


def test_the_reference_is_current() -> None:
    written = FILE.read_text(encoding="utf-8")
    assert written == reference(), "run `python -m docs.build`"


def test_every_name_is_in_it() -> None:
    text = reference()
    names = {
        *lw.figures()["figure"],
        *lw.causes()["cause"],
        *lw.checks()["check"],
        *lw.findings()["finding"],
    }
    assert [name for name in names if f"| {name} |" not in text] == []
