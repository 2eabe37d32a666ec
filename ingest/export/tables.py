"""Tables as files for other programs: CSV, Parquet, Excel, a Frictionless Data Package.

Cells that come from logs and set-ups must not act as formulas in a spreadsheet. In CSV a text that
a spreadsheet could take for one (it begins with ``= + - @``, their full-width forms, a tab or a
line break, white space aside) gets an apostrophe in front, and every text is quoted, so that it
stays one cell whatever delimiter the reader's country has. In Excel files all texts are written as
texts and marked as such. Parquet holds texts unchanged: no spreadsheet runs it.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ingest.errors import Fault, UnusableRun, WrongUse
from ingest.files import write_whole
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

ENDINGS: Final = (".csv", ".parquet", ".xlsx")

FORMULA: Final = r"^[\s\u00a0\ufeff]*[=+\-@＝＋－＠]|^[\t\r\n]"
"""Texts that some spreadsheet would run as a formula."""


@dataclass(frozen=True)
class Sheet:
    """A table with what its columns mean.

    Parameters
    ----------
    frame
        The table. A column of lists becomes one text in CSV and Excel, parted by spaces.
    title
        One line.
    meaning
        What a column holds, by its name.
    units
        By column, where it has one.
    key
        Columns that together name a row.
    refers
        Columns that name a row of another table: by column, table and column there.
    of_row
        Columns whose unit stands in the row, in the column ``unit``.
    """

    frame: pl.DataFrame
    title: str
    meaning: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    key: tuple[str, ...] = ()
    refers: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    of_row: tuple[str, ...] = ()


def write_table(sheet: Sheet, path: Path) -> None:
    """Write one table as CSV or Parquet, by the file's ending, as a whole or not at all.

    Raises
    ------
    WrongUse
        Where the ending is another one.
    UnusableRun
        Where the file cannot be written.
    """
    require_ending(path, (".csv", ".parquet"))
    if path.suffix.lower() == ".csv":
        write_whole(path, lambda to: _csv(sheet.frame, to))
    else:
        write_whole(path, sheet.frame.write_parquet)


def require_ending(path: Path, endings: Sequence[str], besides: str = "") -> None:
    """See that a file's name says in which of the formats there are it is to be written.

    Raises
    ------
    WrongUse
        Where it does not; `besides` is said behind the endings.
    """
    if path.suffix.lower() not in endings:
        raise WrongUse(
            Fault(
                str(path),
                f"the ending {path.suffix!r}" if path.suffix else "no ending",
                " or ".join(endings) + besides,
                "name a file with one of these endings",
            )
        )


def write_package(sheets: Mapping[str, Sheet], folder: Path, title: str) -> None:
    """Write tables as a Frictionless Data Package (Tabular Data Package, version 1).

    One CSV a table and ``datapackage.json`` with the schema of each. The folder appears as a whole
    or not at all.

    Raises
    ------
    UnusableRun
        Where there is something of that name already, or the folder cannot be written.
    """
    if folder.exists():
        raise UnusableRun(
            Fault(str(folder), "something there already", "a new name", "remove or rename it")
        )
    part = folder.with_name(f".{folder.name}-{secrets.token_hex(4)}")
    try:
        part.mkdir()
    except OSError as error:
        raise UnusableRun(
            Fault(
                str(folder),
                f"a place that cannot be written ({error.strerror or error})",
                "a folder that exists and may be written to",
                "correct the path",
            )
        ) from error
    try:
        resources = []
        for name, sheet in sheets.items():
            file = part / f"{name}.csv"
            _csv(sheet.frame, file)
            resources.append(_resource(name, sheet, file))
        package = {
            "profile": "tabular-data-package",
            "name": "lukewarm-store",
            "title": title,
            "resources": resources,
        }
        (part / "datapackage.json").write_text(
            json.dumps(package, ensure_ascii=False, indent=1) + "\n", encoding="utf-8"
        )
        part.rename(folder)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """The table with lists as texts, and an apostrophe before texts and names like formulas."""
    import polars as pl
    import polars.selectors as cs

    text = cs.string()
    safe = flat(frame).with_columns(
        pl.when(text.str.contains(FORMULA)).then(pl.lit("'") + text).otherwise(text).name.keep()
    )
    return safe.rename(lambda name: f"'{name}" if re.search(FORMULA, name) else name)


def flat(frame: pl.DataFrame) -> pl.DataFrame:
    """The table with lists as texts, parted by spaces."""
    import polars as pl

    lists = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.List)]
    return frame.with_columns(pl.col(lists).list.join(" ")) if lists else frame


def _csv(frame: pl.DataFrame, path: Path) -> None:
    harmless(frame).write_csv(path, quote_style="non_numeric", datetime_format="%Y-%m-%dT%H:%M:%SZ")


def _resource(name: str, sheet: Sheet, file: Path) -> dict[str, Any]:
    raw = file.read_bytes()
    schema: dict[str, Any] = {
        "fields": [_field(sheet, column, dtype) for column, dtype in sheet.frame.schema.items()],
        "missingValues": [""],
    }
    if sheet.key:
        schema["primaryKey"] = list(sheet.key)
    if sheet.refers:
        schema["foreignKeys"] = [
            {"fields": column, "reference": {"resource": table, "fields": there}}
            for column, (table, there) in sheet.refers.items()
        ]
    return {
        "name": name,
        "title": sheet.title,
        "path": file.name,
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(raw),
        "hash": f"sha256:{hashlib.sha256(raw).hexdigest()}",
        "schema": schema,
    }


def _field(sheet: Sheet, column: str, dtype: pl.DataType) -> dict[str, Any]:
    import polars as pl

    kind = "string"
    if dtype.is_float():
        kind = "number"
    elif dtype.is_integer():
        kind = "integer"
    elif dtype == pl.Boolean:
        kind = "boolean"
    elif isinstance(dtype, pl.Datetime):
        kind = "datetime"
    described = {"name": column, "type": kind, "description": sheet.meaning.get(column, "")}
    if column in sheet.units:
        described["unit"] = sheet.units[column]
    return described
