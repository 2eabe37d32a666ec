"""Runs the commands of a page and holds what they print against what the page says.

`python docs/tried.py PAGE...` needs nothing but Python and a `lukewarm` on the PATH, so that an
installed wheel can be tried as well. In a fenced block ``console`` a line that begins with ``$ ``
is a command, and the lines below it are what it prints, standard output and standard error
together: a line ``…`` stands for any number of lines, ``…`` in a line for anything, and a line
``(exit status 3)`` for a command that does not end with 0. A ``code-block`` with a caption is a
file to write. Every page begins in an empty folder of its own; ``cd`` goes on in another one.
"""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

ANYTHING: Final = "…"
SECONDS: Final = 300
_BLOCK = re.compile(r"^```(?P<kind>[^\n]*)\n(?P<body>.*?)^```$", re.DOTALL | re.MULTILINE)
_CAPTION = re.compile(r"\A:caption: (?P<name>\S+)\n\n")
_PROGRESS = re.compile(r"\w+(?: \w+)?: [\d,]+ of [\d,]+, .+, done about [-\d :]+")
"""What a machine that is slow says meanwhile; no page can know of it."""
_STATUS = re.compile(r"\(exit status (\d+)\)")


@dataclass
class Command:
    """A command of a page with what it claims to print."""

    line: str
    claimed: list[str] = field(default_factory=list)
    status: int = 0


@dataclass(frozen=True)
class File:
    """A file that the page has its reader write."""

    name: str
    text: str


def steps(page: str) -> Iterator[Command | File]:
    """The commands and files of a page in its order."""
    for block in _BLOCK.finditer(page):
        kind, body = block["kind"].strip(), block["body"]
        if kind == "console":
            yield from _commands(body)
        elif kind.startswith("{code-block}") and (caption := _CAPTION.match(body)):
            yield File(caption["name"], body[caption.end() :])


def _commands(body: str) -> list[Command]:
    found: list[Command] = []
    for line in body.splitlines():
        if line.startswith("$ "):
            found.append(Command(line[2:]))
        elif told := _STATUS.fullmatch(line):
            found[-1].status = int(told[1])
        else:
            found[-1].claimed.append(line)
    return found


def differs(claimed: Sequence[str], printed: Sequence[str]) -> str:
    """The first claim that what was printed does not keep; empty where all are kept."""
    lines = (line.rstrip() for line in printed)
    text = "".join(f"{line}\n" for line in lines if not _PROGRESS.fullmatch(line))
    if re.fullmatch(_pattern(claimed), text):
        return ""
    for count in range(1, len(claimed) + 1):
        if not re.match(_pattern(claimed[:count]), text):
            return f"not printed there: {claimed[count - 1]!r}"
    return "more was printed than the page says"


def _pattern(claimed: Sequence[str]) -> str:
    return "".join(
        r"(?:.*\n)*?"
        if line == ANYTHING
        else ".*".join(re.escape(part) for part in line.rstrip().split(ANYTHING)) + r"\n"
        for line in claimed
    )


def tried(page: Path, folder: Path) -> list[str]:
    """Do what a page says in an empty folder; what did not come out, a line each."""
    wrong: list[str] = []
    for step in steps(page.read_text(encoding="utf-8")):
        if isinstance(step, File):
            (folder / step.name).write_text(step.text, encoding="utf-8")
            continue
        words = shlex.split(step.line)
        if words[0] == "cd":
            folder = folder / words[1]
            continue
        done = subprocess.run(  # noqa: S603 - commands of our own pages
            words,
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            check=False,
            timeout=SECONDS,
        )
        if done.returncode != step.status:
            wrong.append(
                f"{page.name}: `{step.line}` ended with {done.returncode}, not {step.status}:\n"
                f"{done.stdout}"
            )
        elif why := differs(step.claimed, done.stdout.strip("\n").splitlines()):
            wrong.append(f"{page.name}: `{step.line}`: {why}; it printed:\n{done.stdout}")
    return wrong


def main() -> int:
    """Try the pages named."""
    wrong: list[str] = []
    for name in sys.argv[1:]:
        with tempfile.TemporaryDirectory(prefix="lukewarm-page-") as folder:
            wrong += tried(Path(name), Path(folder))
    sys.stdout.write("".join(f"{line}\n" for line in wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
