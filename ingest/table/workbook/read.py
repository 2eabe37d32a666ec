"""A workbook (.xlsx) → the columns of one of its sheets.

Its cells, formulas' last values among them, are read by calamine and written as lines of text
(`ingest.table.workbook.cells`), so that names, units, remarks, words for no reading, restarts and
odd rows are reported as in any other log, and a line's number is the row's in the sheet.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.run import Finding
from ingest.table.text.read import TextTable, read_text_table
from ingest.table.workbook.cells import (
    DELIMITER,
    Cell,
    Merged,
    has_comma_numbers,
    rows_with_numbers,
    rows_with_written_numbers,
    sheet_text,
)
from ingest.table.workbook.parts import SheetParts, WorkbookParts, is_workbook_part
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import LogTable

_MIN_ROWS: Final = 2
"""A sheet with numbers in fewer rows is no log."""
SHEET_CHOSEN: Final = finding(
    "sheet_chosen",
    "sheet {name} was read; the others hold no rows of numbers: {others}",
    do='Name another with [log] sheet = "…" where this is not the log.',
)
FORMULAS_WITHOUT_VALUE: Final = finding(
    "formulas_without_value",
    "{count} formulas were saved without their value and hold no reading",
    do="Open the workbook where it was made and save it again.",
)

_NAMED: Final = 20


@dataclass(frozen=True)
class _Sheet:
    name: str
    rows: list[list[Cell]]
    merged: tuple[Merged, ...]
    parts: SheetParts


def read_workbook(path: Path, log: LogTable) -> TextTable:
    """Read a sheet of a workbook.

    Parameters
    ----------
    path
        The file.
    log
        The set-up's `[log]`, whose ``sheet`` says which where several hold numbers.

    Raises
    ------
    UnusableRun
        Where the file is damaged or no workbook, several sheets may be the log, or the sheet holds
        no table.
    """
    parts = WorkbookParts(path)
    try:
        sheet, others = _choose(_sheets(path, parts, log.sheet), log.sheet, path.name)
    finally:
        parts.close()
    comma = has_comma_numbers(sheet.rows)
    text = sheet_text(sheet.rows, sheet.merged, sheet.parts)
    changes: dict[str, object] = {"delimiter": DELIMITER, "encoding": "utf-8"}
    if log.decimal is None and log.thousands is None and not comma:
        changes["decimal"] = "."
    table = read_text_table(path, log.model_copy(update=changes), content=text.encode())
    return replace(table, findings=(*_findings(sheet, others), *table.findings))


def _sheets(path: Path, parts: WorkbookParts, wanted: str | int | None) -> list[_Sheet]:
    """The sheets that may be meant, each looked at before its cells are taken into memory."""
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError

    places = {name: at for name, at in parts.sheet_paths().items() if is_workbook_part(at)}
    chosen = _wanted(list(places), wanted, path.name)
    styles = parts.shown_by_style()
    parts.check_size("xl/sharedStrings.xml")
    looked_at = {name: parts.look_at(places[name], styles) for name in chosen}
    found: list[_Sheet] = []
    try:
        with CalamineWorkbook.from_path(path) as book:
            for name in chosen:
                sheet = book.get_sheet_by_name(name)
                rows = sheet.to_python(skip_empty_area=False)
                found.append(
                    _Sheet(name, rows, tuple(sheet.merged_cell_ranges or ()), looked_at[name])
                )
    except PasswordError as error:
        raise UnusableRun(
            Fault(path.name, "a locked workbook", "one without a password", "save it without one")
        ) from error
    except (CalamineError, OSError, ValueError) as error:
        raise parts.damaged(error) from error
    return found


def _wanted(names: list[str], wanted: str | int | None, file: str) -> list[str]:
    if wanted is None:
        return names
    if isinstance(wanted, int) and 1 <= wanted <= len(names):
        return [names[wanted - 1]]
    named = [name for name in names if name.strip() == str(wanted).strip()]
    if len(named) == 1:
        return named
    raise UnusableRun(
        Fault(
            "run.toml [log] sheet",
            f"{wanted!r}, which is no sheet of {file}",
            "the name of a sheet, or its number",
            f"the sheets are {_listed(names)}",
        )
    )


def _choose(
    sheets: list[_Sheet], wanted: str | int | None, file: str
) -> tuple[_Sheet, tuple[str, ...]]:
    """The sheet that is meant, and the names of those with less than a log in them."""
    able = [each for each in sheets if rows_with_numbers(each.rows) >= _MIN_ROWS]
    if not able:  # pasted or exported as text, every cell of it
        able = [each for each in sheets if rows_with_written_numbers(each.rows) >= _MIN_ROWS]
    if len(able) == 1 or (able and wanted is not None):
        others = tuple(each.name for each in sheets if each is not able[0] and any(each.rows))
        return able[0], others
    if not able:
        raise UnusableRun(
            Fault(
                file,
                "no numbers" if wanted is None else f"no numbers in sheet {wanted!r}",
                "a sheet with rows of readings",
                "check that this is the logger's workbook",
            )
        )
    raise UnusableRun(
        Fault(
            file,
            f"{len(able)} sheets with numbers ({_listed([each.name for each in able])})",
            "one sheet, the log",
            f'say which in run.toml, [log] sheet = "{able[0].name}" (for a draft: --sheet)',
        )
    )


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(repr(name) for name in names[:_NAMED]) + more


def _findings(sheet: _Sheet, others: tuple[str, ...]) -> list[Finding]:
    found: list[Finding] = []
    if others:
        found.append(SHEET_CHOSEN.found(name=repr(sheet.name), others=_listed(list(others))))
    if sheet.parts.bare_formulas:
        found.append(
            FORMULAS_WITHOUT_VALUE.found(
                count=sheet.parts.bare_formulas,
                evidence={"cells": float(sheet.parts.bare_formulas)},
            )
        )
    return found
