"""Tables as the sheets of an Excel file: units in the heads, numbers as their figure is read.

Every text is written by the call that cannot make anything else of it (see `ingest.export.tables`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ingest.errors import Fault, UnusableRun
from ingest.export.tables import Sheet, flat
from ingest.files import write_whole

if TYPE_CHECKING:
    import polars as pl

MAX_ROWS: Final = 1_048_575
"""Of an Excel sheet below its heading."""

MAX_CHARACTERS: Final = 32_767
"""Of an Excel cell."""

WIDEST: Final = 40
"""Of an Excel column, characters."""

FORMATS: Final = {
    "K": "0.00",
    "°C": "0.0",
    "degC": "0.0",
    "s": "0.0",
    "%": "0.0",
    "–": "0.000",
    "kPa": "0.0",
    "kPa/min": "0.00",
    "K per 10 m/s": "0.00",
    "m/s": "0.0",
    "V": "0.00",
}
"""As many decimals as a figure of that unit is known to, and one more at the most."""

CHANCES: Final = frozenset({"p", "q", "probability", "first_probability"})
OTHERS: Final = {
    "g": "0.00", "g_low": "0.00", "g_high": "0.00", "against_g": "0.00",
    "robust_z": "0.00", "percentile": "0",
}  # fmt: skip
CHANCE: Final = "0.000"

SHOWN_UNITS: Final = {"degC": "°C", "–": ""}
"""Units written otherwise in a head."""

Formats = Callable[[str], Any]


def write_workbook(sheets: Mapping[str, Sheet], path: Path) -> None:
    """Write tables as the sheets of an Excel file, after a sheet that says what they hold.

    Raises
    ------
    UnusableRun
        Where a table has more rows than a sheet can hold, or the file cannot be written.
    """
    for name, sheet in sheets.items():
        if sheet.frame.height > MAX_ROWS:
            raise UnusableRun(
                Fault(
                    str(path),
                    f"{sheet.frame.height:,} rows of {name}",
                    f"at most {MAX_ROWS:,} in an Excel sheet",
                    "export CSV or Parquet",
                )
            )
    write_whole(path, lambda to: _workbook(sheets, to))


def _workbook(sheets: Mapping[str, Sheet], path: Path) -> None:
    """Write the sheets, after one that says what they hold; every head stays in sight."""
    import xlsxwriter

    path.touch()  # says before all the work whether the place can be written
    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "default_date_format": "yyyy-mm-dd hh:mm:ss",
        "remove_timezone": True,
    }
    with xlsxwriter.Workbook(str(path), options) as book:
        bold = book.add_format({"bold": True, "quote_prefix": True})
        text = book.add_format({"quote_prefix": True})
        made: dict[str, Any] = {}

        def number(pattern: str) -> Any:
            if pattern not in made:
                made[pattern] = book.add_format({"num_format": pattern})
            return made[pattern]

        about = book.add_worksheet("about")
        about.set_column(0, 2, WIDEST)
        about.freeze_panes(1, 0)
        lines = [("sheet", "column", "meaning"), *_explained(sheets)]
        for row, line in enumerate(lines):
            for place, cell in enumerate(line):
                about.write_string(row, place, cell, bold if row == 0 else text)
        for name, sheet in sheets.items():
            _fill(book.add_worksheet(name), sheet, bold, text, number)


def head(sheet: Sheet, column: str) -> str:
    """A column's head: its name with its unit."""
    if column in sheet.of_row:
        return f"{column} (in unit)"
    unit = sheet.units.get(column, "")
    unit = SHOWN_UNITS.get(unit, unit)
    return f"{column} ({unit})" if unit else column


def _explained(sheets: Mapping[str, Sheet]) -> list[tuple[str, str, str]]:
    lines = []
    for name, sheet in sheets.items():
        lines.append((name, "", sheet.title))
        for column in sheet.frame.columns:
            unit = f" ({sheet.units[column]})" if column in sheet.units else ""
            if column in sheet.of_row:
                unit = " (in the unit that the row's column unit says)"
            lines.append((name, column, sheet.meaning.get(column, "") + unit))
    return lines


def _pattern(sheet: Sheet, column: str, unit: str | None) -> str:
    """How a number is shown; Excel's own way where nothing is known of it."""
    if column in CHANCES:
        return CHANCE
    if column in OTHERS:
        return OTHERS[column]
    told = unit if column in sheet.of_row else sheet.units.get(column)
    return FORMATS.get(told or "", "General")


def _fill(page: Any, sheet: Sheet, bold: Any, text: Any, number: Formats) -> None:
    """Write one table."""
    frame = flat(sheet.frame)
    page.freeze_panes(1, 0)
    for place, name in enumerate(frame.columns):
        page.set_column(place, place, _width(frame, name, head(sheet, name)))
        page.write_string(0, place, head(sheet, name), bold)
    unit_at = frame.columns.index("unit") if sheet.of_row and "unit" in frame.columns else None
    patterns = [partial(_pattern, sheet, name) for name in frame.columns]
    for line, row in enumerate(frame.iter_rows(), start=1):
        unit = None if unit_at is None else row[unit_at]
        for place, cell in enumerate(row):
            if cell is None:
                continue
            if isinstance(cell, str):
                page.write_string(line, place, _short(cell), text)
            elif isinstance(cell, float):
                page.write_number(line, place, cell, number(patterns[place](unit)))
            else:
                page.write(line, place, cell)
    if frame.height:
        page.autofilter(0, 0, frame.height, frame.width - 1)


def _width(frame: pl.DataFrame, name: str, shown: str) -> int:
    """Of a column, characters."""
    import polars as pl

    if frame.schema[name].is_float():
        return min(max(len(shown) + 2, 10), WIDEST)
    longest = frame[name].cast(pl.String, strict=False).str.len_chars().head(200).max()
    return min(max(len(shown), longest if isinstance(longest, int) else 0) + 2, WIDEST)


def _short(cell: str) -> str:
    return cell if len(cell) <= MAX_CHARACTERS else cell[: MAX_CHARACTERS - 1] + "…"
