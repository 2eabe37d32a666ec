"""The same table written as every kind of file that a log may be."""

from __future__ import annotations

import gzip
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import polars as pl
import xlsxwriter

Table = tuple[list[str], list[str], list[list[float]]]
"""Names, units and columns of numbers, the time [s] first."""


def csv_text(table: Table) -> str:
    names, units, columns = table
    lines = [",".join(names), ",".join(units)]
    lines += [",".join(repr(value) for value in row) for row in zip(*columns, strict=True)]
    return "\n".join(lines) + "\n"


def write_csv(table: Table, path: Path) -> None:
    path.write_text(csv_text(table), encoding="utf-8")


def write_xlsx(table: Table, path: Path) -> None:
    names, units, columns = table
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("Log")
        sheet.write_row(0, 0, names)
        sheet.write_row(1, 0, units)
        for at, column in enumerate(columns):
            sheet.write_column(2, at, column)


def named(table: Table) -> list[str]:
    """Names with their units in brackets, for files without a row of units."""
    return [
        f"{name} [{unit}]" if unit and not name.endswith(")") else name
        for name, unit in zip(table[0], table[1], strict=True)
    ]


def write_parquet(table: Table, path: Path) -> None:
    pl.DataFrame(dict(zip(named(table), table[2], strict=True))).write_parquet(path)


def write_mf4(table: Table, path: Path) -> None:
    from asammdf import MDF, Signal

    names, units, columns = table
    time = np.array(columns[0])
    with MDF(version="4.10") as file:
        file.append(
            [
                Signal(np.array(column), time, unit=unit, name=name)
                for name, unit, column in zip(names[1:], units[1:], columns[1:], strict=True)
            ]
        )
        file.save(path, overwrite=True)


def packed_gz(path: Path) -> Path:
    target = path.with_name(path.name + ".gz")
    target.write_bytes(gzip.compress(path.read_bytes()))
    return target


def packed_zip(path: Path, also: Sequence[tuple[str, bytes]] = ()) -> Path:
    target = path.with_name(path.name + ".zip")
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(path, path.name)
        for name, content in also:
            archive.writestr(name, content)
    return target


WRITERS: dict[str, Callable[[Table, Path], None]] = {
    "csv": write_csv,
    "xlsx": write_xlsx,
    "parquet": write_parquet,
    "mf4": write_mf4,
}
