"""The check sheet of a run: what hands and eyes found, kept in the run folder.

``checks.csv`` has one line a check: when, which check, whether it found something, and a remark.
The newest line of a check counts; earlier ones stay, so that nothing is lost. The file may be
written by hand or in a spreadsheet, with commas or semicolons.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable
from datetime import datetime
from pathlib import Path
from typing import Final

from ingest.access import Access
from ingest.errors import Fault, UnusableRun, did_you_mean
from ingest.files import read_text, write_text
from ingest.regular import own_file
from ingest.values import dataclass

FILE: Final = "checks.csv"
HEADER: Final = ("time", "check", "found", "remark")
MEASURED: Final = "error"
"""A fourth column before the remark, where a line of the sheet was measured on the bench."""
ANSWERS: Final = {"yes": True, "no": False}


@dataclass(frozen=True, slots=True)
class MeasuredOutcome:
    """What a check found that was measured on the bench; true where it found something.

    Parameters
    ----------
    found
        Whether it found something wrong.
    error
        Probability that this is not so.
    """

    found: bool
    error: float

    def __bool__(self) -> bool:
        return self.found


Outcome = bool | MeasuredOutcome
"""What a check found: by hands and eyes, or measured."""


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
    error
        Probability that a measured answer is wrong; None where it was not measured.
    """

    time: str
    check: str
    found: bool
    remark: str
    error: float | None = None

    @property
    def outcome(self) -> Outcome:
        """What counts in the ranking."""
        return self.found if self.error is None else MeasuredOutcome(self.found, self.error)


def read_sheet(folder: Path) -> list[Checked]:
    """All lines of a run folder's sheet, oldest first; none where there is no sheet.

    Raises
    ------
    UnusableRun
        With one fault for each line that cannot be read.
    """
    path = own_file(folder, FILE) if folder.is_dir() else folder / FILE
    if not path.is_file():
        return []
    text = read_text(path)
    first = text.partition("\n")[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    rows = [
        (number, [cell.strip() for cell in row])
        for number, row in _numbered(text, delimiter)
        if any(cell.strip() for cell in row)
    ]
    if not rows:
        return []
    if [cell.lower() for cell in rows[0][1][:3]] != list(HEADER[:3]):
        raise UnusableRun(
            Fault(
                f"{path} line {rows[0][0]}",
                repr(delimiter.join(rows[0][1]))[:80],
                f"the header {','.join(HEADER)}",
                "put the header first",
            )
        )
    faults, lines = [], []
    measured = [cell.lower() for cell in rows[0][1][3:4]] == [MEASURED]
    for number, row in rows[1:]:
        answer = ANSWERS.get(row[2].lower()) if len(row) >= 3 else None
        try:
            error = float(row[3]) if measured and len(row) > 3 and row[3] else None
        except ValueError:
            answer, error = None, None
        if answer is None or not (error is None or 0.0 < error < 1.0):
            faults.append(
                Fault(
                    f"{path} line {number}",
                    repr(delimiter.join(row))[:80],
                    "time, check, yes or no, remark",
                    "correct the line or note the check again",
                )
            )
            continue
        # a remark with an unquoted delimiter in it is still one remark
        remark = (delimiter + " ").join(cell for cell in row[4 if measured else 3 :] if cell)
        lines.append(Checked(row[0], row[1], answer, remark, error))
    if faults:
        raise UnusableRun(faults)
    return lines


def _numbered(text: str, delimiter: str) -> Iterable[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    try:
        for row in reader:
            yield reader.line_num, row
    except csv.Error as error:
        raise UnusableRun(
            Fault(
                f"{FILE} line {reader.line_num}",
                f"a line that cannot be parted into cells ({error})",
                "time, check, yes or no, remark",
                "shorten the line, or close its quotation mark",
            )
        ) from error


def found_by_check(sheet: Iterable[Checked], known: Collection[str]) -> dict[str, Outcome]:
    """Newest answer of each check.

    Parameters
    ----------
    sheet
        Its lines, oldest first.
    known
        Names of the checks there are.

    Raises
    ------
    UnusableRun
        With one fault for each name that is not among them.
    """
    sheet = list(sheet)
    unknown = dict.fromkeys(line.check for line in sheet if line.check not in known)
    if unknown:
        raise UnusableRun([_no_such_check(name, known) for name in unknown])
    return {line.check: line.outcome for line in sheet}


def _no_such_check(name: str, known: Collection[str]) -> Fault:
    hint = did_you_mean(name, known, "correct the name in the file")
    return Fault(FILE, f"a check {name!r}", f"one of {', '.join(sorted(known))}", hint)


def note_check(folder: Path, check: str, remark: str, now: datetime, *, found: Outcome) -> None:
    """Add a line to a run folder's sheet; the file is written whole or not at all.

    Raises
    ------
    UnusableRun
        Where the sheet there cannot be read, or cannot be written.
    """
    error = found.error if isinstance(found, MeasuredOutcome) else None
    line = Checked(now.isoformat(timespec="seconds"), check, bool(found), remark, error)
    _write(folder, [*read_sheet(folder), line])


def add_lines(folder: Path, lines: Iterable[Checked]) -> None:
    """Add lines of another sheet of the same run, each where its time belongs.

    Raises
    ------
    UnusableRun
        Where the sheet there cannot be read, or cannot be written.
    """
    _write(folder, sorted([*read_sheet(folder), *lines], key=_moment))


def _moment(line: Checked) -> float:
    """When a line was noted, s; those that do not say it come first."""
    try:
        return datetime.fromisoformat(line.time).timestamp()
    except ValueError:
        return float("-inf")


def _write(folder: Path, sheet: list[Checked]) -> None:
    measured = any(each.error is not None for each in sheet)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*HEADER[:3], MEASURED, *HEADER[3:]] if measured else HEADER)
    for line in sheet:
        answer = next(word for word, value in ANSWERS.items() if value == line.found)
        # one line of the file is one check, whatever was typed
        doubt = [] if not measured else ["" if line.error is None else f"{line.error:.4g}"]
        writer.writerow([line.time, line.check, answer, *doubt, " ".join(line.remark.split())])
    # who may read the folder may read what was found on it
    write_text(folder / FILE, text.getvalue(), Access.of(folder))
