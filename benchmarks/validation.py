"""The validation report: every row measured anew, and every figure quoted held against it.

``python benchmarks/validation.py [--long] [--only JOB ...] [--work FOLDER]`` (``make validation``)
runs the jobs of `benchmarks/validation_list.py` and writes ``docs/validation.md``. A row whose bar
is missed is shown as missed and fails nothing; a row that cannot be read off any more does, and so
does a figure quoted in the README or in docs/ that is no longer true. A quoted figure carries a
mark behind it that names its row: ``97 % (39 of 40; 87 to 100 %)<!-- validation: own_two -->``.

``--only`` leaves the other rows as the report has them; ``--check`` measures nothing and holds the
quotes against the report as it stands.
"""

from __future__ import annotations

import argparse
import os
import re
import shlex
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.validation_list import COUNT, JOBS, ROWS
from benchmarks.validation_rows import Job, Row

ROOT = Path(__file__).parents[1]
REPORT = ROOT / "docs" / "validation.md"
MARK = re.compile(r"(?P<before>[^\n]*?)<!-- validation: (?P<row>\w+) -->")
LINE = re.compile(
    r"^\| (?P<what>[^|]*) <!-- row: (?P<row>\w+) --> \|(?P<cells>.*)\|$", re.MULTILINE
)
HEADS = ("what", "held against", "found", "bar", "", "command", "version", "date")
_HEAD = """# Validation

How far this program can be trusted, measured. Written by `make validation`
(`python benchmarks/validation.py`); do not edit. A share stands with how many it is of and with its
95 % interval (Clopper and Pearson). The sizes of every day are small; the long ones are taken by
`python benchmarks/validation.py --long`. A missed bar is shown as missed; where the interval holds
numbers that would meet it, there were too few to tell. Whatever is quoted from here elsewhere is
held against this page by a test.
"""


def measured(job: Job, size: str, work: Path) -> tuple[str, str]:
    """What a job printed, and its command."""
    commands = [job.before.replace("COUNT", COUNT[size])] if job.before else []
    commands.append(job.long if size == "long" else job.quick)
    text = [_run(each.format(work=work)) for each in commands][-1]
    return text, "; ".join(commands).format(work="DIR")


def _run(command: str) -> str:
    words = shlex.split(command)
    if words[0] == "python":
        words[0] = sys.executable
    done = subprocess.run(
        words,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    return done.stdout


def rows_of(job: str, text: str, command: str) -> Iterator[tuple[str, str]]:
    """The report's lines that a job answers, by row; nothing for one that cannot be read off."""
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"][
        "version"
    ]
    today = datetime.now(UTC).date().isoformat()
    for name, row in ROWS.items():
        if row.job != job:
            continue
        found = row.read(text)
        if found is None:
            sys.stderr.write(f"{name}: not to be read off `{command}`\n")
            continue
        kept = "met" if row.met(found.value) else "**missed**"
        if kept != "met" and found.ends and _reached_between(row, *found.ends):
            kept = "**missed**, too few to tell"
        cells = (row.source, found.shown, row.bar, kept, f"`{command}`", version, today)
        yield name, f"| {row.what} <!-- row: {name} --> | {' | '.join(cells)} |"


def _reached_between(row: Row, low: float, high: float) -> bool:
    """Whether any share of the interval would meet the bar."""
    return any(row.met(low + step / 100.0 * (high - low)) for step in range(101))


def report(lines: Mapping[str, str]) -> str:
    """The whole page."""
    parts = [_HEAD]
    for section in dict.fromkeys(row.section for row in ROWS.values()):
        told = [
            lines[name] for name, row in ROWS.items() if row.section == section and name in lines
        ]
        if told:
            heads = f"| {' | '.join(HEADS)} |\n|{' --- |' * len(HEADS)}"
            parts.append(f"## {section}\n\n" + "\n".join([heads, *told]))
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"


def lines_of(text: str) -> dict[str, str]:
    """The rows of a report by name."""
    return {found["row"]: found[0] for found in LINE.finditer(text)}


def found_in(line: str) -> str:
    """What a row of the report found."""
    return line.split(" | ")[2].strip()


def stale(pages: Iterable[Path], lines: Mapping[str, str]) -> list[str]:
    """Figures that are quoted and not in the report, a line each."""
    wrong = []
    for page in pages:
        for quote in MARK.finditer(page.read_text(encoding="utf-8")):
            line = lines.get(quote["row"])
            if line is None:
                wrong.append(f"{page.name}: the report has no row {quote['row']}")
            elif not quote["before"].rstrip().endswith(found_in(line)):
                told = quote["before"].strip()[-60:]
                wrong.append(
                    f"{page.name}: quotes {told!r} of {quote['row']}; it is {found_in(line)}"
                )
    return wrong


def quoting() -> list[Path]:
    """The pages that may quote."""
    pages = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]
    return [page for page in pages if page != REPORT]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--long", action="store_true", help="the long sizes")
    parser.add_argument("--only", nargs="*", choices=sorted(JOBS), help="these jobs only")
    parser.add_argument("--check", action="store_true", help="hold the quotes against the report")
    parser.add_argument("--work", type=Path, help="folder for what is made on the way, and kept")
    asked = parser.parse_args()
    lines = lines_of(REPORT.read_text(encoding="utf-8")) if REPORT.exists() else {}
    wrong: list[str] = []
    if not asked.check:
        size = "long" if asked.long else "quick"
        with tempfile.TemporaryDirectory(prefix="lukewarm-validation-") as made:
            for name in asked.only or JOBS:
                sys.stderr.write(f"{name} ...\n")
                text, command = measured(JOBS[name], size, asked.work or Path(made))
                now = dict(rows_of(name, text, command))
                lost = [row for row, each in ROWS.items() if each.job == name and row not in now]
                wrong += [f"{row}: its number is gone" for row in lost]
                lines = {row: line for row, line in lines.items() if row not in lost} | now
        REPORT.write_text(report(lines), encoding="utf-8")
        print(f"wrote {REPORT.relative_to(ROOT)}")
    wrong += stale(quoting(), lines)
    print(*wrong, sep="\n", end="\n" if wrong else "")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
