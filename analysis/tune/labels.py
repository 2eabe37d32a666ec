"""Labels: which cars or runs were found good or bad, and what was confirmed.

A CSV file with a header. Columns: ``run`` (id, the first 6 digits of it or more, or the name of its
folder) or ``car`` (or both columns, one filled a line), ``label`` (good or bad), and, all three
optional, ``cause`` (a cause of the contract), ``source`` (who says so) and ``date`` (ISO 8601).

A label of a run goes before one of its car. A car labelled bad was bad before its repair: its runs
with the purpose ``after-repair`` get no label from it.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Mapping
from datetime import date
from typing import TYPE_CHECKING, Final, Literal

from ingest.errors import Fault, UnusableRun, did_you_mean
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

COLUMNS: Final = ("run", "car", "label", "cause", "source", "date")
WORDS: Final = ("good", "bad")
SEPARATORS: Final = ",;\t"
REPAIRED: Final = "after-repair"

RUN_ID: Final = re.compile(r"[0-9a-f]{6,64}")


@dataclass(frozen=True, slots=True)
class Label:
    """One line of the file.

    Parameters
    ----------
    line
        Its number, the header being 1.
    of
        Whether a run or a car is labelled.
    name
        Which.
    bad
        The label.
    cause
        Confirmed cause of a bad car; None where nobody knows.
    source, date
        As written, empty where not given.
    """

    line: int
    of: Literal["run", "car"]
    name: str
    bad: bool
    cause: str | None
    source: str
    date: str


@dataclass(frozen=True)
class Matched:
    """Labels laid on the runs of a store.

    Parameters
    ----------
    by_run
        Label of each labelled run, by run id.
    unknown
        Labels whose run or car the store does not have.
    repaired
        Runs after a repair that a bad car's label was not given to.
    """

    by_run: Mapping[str, Label]
    unknown: tuple[Label, ...]
    repaired: int


def parse_labels(text: str, causes: Collection[str], file: str = "labels.csv") -> tuple[Label, ...]:
    """Read and check the text of a labels file.

    Parameters
    ----------
    text
        Its content.
    causes
        Names a confirmed cause may have.
    file
        For messages.

    Raises
    ------
    UnusableRun
        With a fault for each line that is wrong.
    """
    text = text.removeprefix("\ufeff")
    head = text.splitlines()[0] if text.strip() else ""
    separator = max(SEPARATORS, key=head.count)
    # `strict` would end the reading at the first stray quote instead of naming every bad line
    rows = csv.reader(io.StringIO(text), delimiter=separator)
    names = [name.strip().lower() for name in next(rows, [])]
    faults = _header_faults(names, file)
    if faults:
        raise UnusableRun(faults)
    labels: list[Label] = []
    for row in rows:
        if not any(cell.strip() for cell in row):
            continue
        where = f"{file} line {rows.line_num}"
        if len(row) > len(names):
            faults.append(Fault(where, f"{len(row)} cells", f"{len(names)}, as in the header",
                                "put texts with separators in quotes"))  # fmt: skip
            continue
        cells = dict.fromkeys(COLUMNS, "") | {
            name: cell.strip() for name, cell in zip(names, row, strict=False)
        }
        found = _label(cells, rows.line_num, where, causes)
        if isinstance(found, Label):
            labels.append(found)
        else:
            faults.extend(found)
    faults += _conflicts(labels, file)
    if not labels and not faults:
        faults.append(Fault(file, "no label", "a line for each labelled run or car", "add some"))
    if faults:
        raise UnusableRun(faults)
    return tuple(labels)


def _header_faults(names: list[str], file: str) -> list[Fault]:
    where, wanted = f"{file} line 1", ", ".join(COLUMNS)
    faults = [
        Fault(where, f"column {name!r}", wanted, did_you_mean(name, COLUMNS, "correct it"))
        for name in names
        if name not in COLUMNS
    ]
    faults += [
        Fault(where, f"column {name!r} twice", "every column once", "remove one")
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    if "label" not in names or not {"run", "car"} & set(names):
        found = ", ".join(names) if any(names) else "no header"
        faults.append(Fault(where, found, "columns run or car, and label", "add them"))
    return faults


def _label(
    cells: Mapping[str, str], line: int, where: str, causes: Collection[str]
) -> Label | list[Fault]:
    faults = []
    run, car, word, cause = cells["run"], cells["car"], cells["label"].lower(), cells["cause"]
    if bool(run) == bool(car):
        faults.append(Fault(where, "both a run and a car" if run else "neither run nor car",
                            "one of them",
                            "leave one empty" if run else "fill one in"))  # fmt: skip
    if word not in WORDS:
        faults.append(Fault(where, f"label {cells['label']!r}", "good or bad",
                            did_you_mean(word, WORDS, "correct it")))  # fmt: skip
    if cause and cause not in causes:
        faults.append(Fault(where, f"cause {cause!r}", "a cause of the result or nothing",
                            did_you_mean(cause, causes, "correct it")))  # fmt: skip
    elif cause and (word == "bad") == (cause == "healthy"):
        faults.append(Fault(where, f"{word} with the cause {cause!r}",
                            "a cause for bad cars only", "correct one of them"))  # fmt: skip
    if cells["date"] and not _is_date(cells["date"]):
        faults.append(Fault(where, f"date {cells['date']!r}", "a date such as 2026-01-14",
                            "write year-month-day"))  # fmt: skip
    if faults:
        return faults
    return Label(
        line,
        "run" if run else "car",
        run or car,
        word == "bad",
        cause if word == "bad" and cause else None,
        cells["source"],
        cells["date"],
    )


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _conflicts(labels: list[Label], file: str) -> list[Fault]:
    """A thing labelled twice must be labelled alike."""
    first: dict[tuple[str, str], Label] = {}
    faults = []
    for label in labels:
        other = first.setdefault((label.of, label.name), label)
        if (label.bad, label.cause) != (other.bad, other.cause):
            faults.append(
                Fault(
                    f"{file} line {label.line}",
                    f"another label of {label.of} {label.name} than in line {other.line}",
                    "one label for each",
                    "keep one; label the runs where a car was bad and then repaired",
                )
            )
    return faults


def match(labels: tuple[Label, ...], runs: pl.DataFrame) -> Matched:
    """Find the labelled runs.

    Parameters
    ----------
    labels
        From `parse_labels`.
    runs
        As `ingest.store.read.runs` gives them.

    Raises
    ------
    UnusableRun
        Where a name or the beginning of an id means several runs, and where a run gets two
        different labels in two ways of naming it.
    """
    ids = runs["id"].to_list()
    by_name: dict[str, list[str]] = {}
    by_car: dict[str, list[tuple[str, bool]]] = {}
    for run_id, name, car, purpose in runs.select("id", "name", "vehicle", "purpose").iter_rows():
        by_name.setdefault(name, []).append(run_id)
        by_car.setdefault(car, []).append((run_id, purpose == REPAIRED))
    whole = set(ids)
    found: dict[str, Label] = {}
    unknown: list[Label] = []
    faults: list[Fault] = []
    repaired = 0
    for label in (each for each in labels if each.of == "run"):
        meant = set(by_name.get(label.name, []))
        if label.name in whole:
            meant.add(label.name)
        elif RUN_ID.fullmatch(label.name):
            meant.update(run_id for run_id in ids if run_id.startswith(label.name))
        if not meant:
            unknown.append(label)
        elif len(meant) > 1:
            faults.append(_several(label, len(meant)))
        else:
            run_id = meant.pop()
            other = found.setdefault(run_id, label)
            if (other.bad, other.cause) != (label.bad, label.cause):
                faults.append(_twice(label, other))
    for label in (each for each in labels if each.of == "car"):
        if label.name not in by_car:
            unknown.append(label)
        for run_id, after in by_car.get(label.name, []):
            if label.bad and after and run_id not in found:
                repaired += 1
            else:
                found.setdefault(run_id, label)
    if faults:
        raise UnusableRun(faults)
    return Matched(found, tuple(unknown), repaired)


def _several(label: Label, count: int) -> Fault:
    return Fault(
        f"labels line {label.line}",
        f"{count} runs named {label.name!r}",
        "one run",
        "write more digits of its id (see `lukewarm store list`)",
    )


def _twice(label: Label, other: Label) -> Fault:
    return Fault(
        f"labels line {label.line}",
        f"another label of the run of line {other.line}",
        "one label for each run",
        "keep one",
    )
