"""Writes `docs/reference.md` from the program's own registries: `python -m docs.build`."""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from typer.main import get_command

import lukewarm as lw
from dashboard.commands.main import app

FILE = Path(__file__).with_name("reference.md")
_HEAD = """# Reference

Every command and every name there is. Written by `python -m docs.build` from the code; do not edit.
`lukewarm COMMAND --help` tells a command's options, `lukewarm explain NAME` more of a name.
"""


def reference() -> str:
    """The whole page."""
    parts = [_HEAD, "## Commands", _table(("command", "does", "example"), _commands())]
    for title, frame in (
        ("Figures", lw.figures()),
        ("Causes", lw.causes()),
        ("Checks", lw.checks()),
        ("Findings", lw.findings()),
    ):
        parts += [f"## {title}", _table(frame.columns, frame.iter_rows())]
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"


def _commands() -> Iterable[tuple[str, str, str]]:
    waiting = [("lukewarm", get_command(app))]
    while waiting:
        name, command = waiting.pop(0)
        below = getattr(command, "commands", {})
        waiting += [(f"{name} {word}", each) for word, each in below.items()]
        if not below:
            told, _, example = inspect.cleandoc(command.help or "").partition("Example: ")
            yield f"`{name}`", told, f"`{example.splitlines()[0]}`" if example else ""


def _table(names: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    lines = ["| " + " | ".join(names) + " |", "|" + " --- |" * len(names)]
    lines += ["| " + " | ".join(map(_cell, row)) + " |" for row in rows]
    return "\n".join(lines)


def _cell(value: object) -> str:
    if value is None:
        return ""
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return " ".join(text.split()).replace("|", "\\|")


if __name__ == "__main__":
    FILE.write_text(reference(), encoding="utf-8")
    sys.stdout.write(f"wrote {FILE}\n")
