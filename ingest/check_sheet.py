"""The check sheet of a run: what hands and eyes found, kept in the run folder.

``checks.csv`` has one line a check: when, which check, whether it found something, and a remark.
The newest line of a check counts; earlier ones stay, so that nothing is lost.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from ingest.errors import Fault, UnusableRun
from ingest.load_files import read_text, write_text

FILE: Final = "checks.csv"
HEADER: Final = ("time", "check", "found", "remark")
ANSWERS: Final = {"yes": True, "no": False}


@dataclass(frozen=True, slots=True)
class Checked:
    """One line of the sheet.

    Parameters
    ----------
    time
        When it was noted, ISO 8601.
    check
        Name of the check.
    found
        Whether it found something wrong.
    remark
        In the technician's own words.
    """

    time: str
    check: str
    found: bool
    remark: str


def read_sheet(folder: Path) -> list[Checked]:
    """All lines of a run folder's sheet, oldest first; none where there is no sheet.

    Raises
    ------
    UnusableRun
        With one fault for each line that cannot be read.
    """
    path = folder / FILE
    if not path.is_file():
        return []
    rows = list(csv.reader(io.StringIO(read_text(path))))
    faults, lines = [], []
    for number, row in enumerate(rows[1:], start=2):
        answer = ANSWERS.get(row[2].strip().lower()) if len(row) >= 3 else None
        if answer is None:
            faults.append(
                Fault(
                    f"{FILE} line {number}",
                    repr(",".join(row))[:80],
                    "time, check, yes or no, remark",
                    "correct the line or note the check again",
                )
            )
            continue
        lines.append(Checked(row[0], row[1].strip(), answer, row[3] if len(row) > 3 else ""))
    if faults:
        raise UnusableRun(faults)
    return lines


def found_by_check(sheet: list[Checked]) -> dict[str, bool]:
    """Newest answer of each check."""
    return {line.check: line.found for line in sheet}


def note_check(folder: Path, check: str, remark: str, now: datetime, *, found: bool) -> None:
    """Add a line to a run folder's sheet; the file is written whole or not at all."""
    sheet = [*read_sheet(folder), Checked(now.isoformat(timespec="seconds"), check, found, remark)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADER)
    for line in sheet:
        answer = next(word for word, value in ANSWERS.items() if value == line.found)
        writer.writerow([line.time, line.check, answer, line.remark])
    write_text(folder / FILE, text.getvalue())
