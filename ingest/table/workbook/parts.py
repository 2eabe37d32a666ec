"""The parts of a workbook's archive that its cells alone do not show: sizes, extents, formats.

A workbook (ECMA-376) is a zip archive of XML parts. Cells are read by calamine; this module looks
at the parts before that, so that a sheet that would not fit into memory is refused, and says which
cells are shown in percent or with a unit behind them, which is written in their format alone.
"""

from __future__ import annotations

import html
import re
import zipfile
import zlib
from array import array
from collections.abc import Iterator
from dataclasses import field
from pathlib import Path, PurePosixPath
from typing import Final

from ingest.errors import Fault, UnusableRun
from ingest.table.kinds import WORKBOOK_PART
from ingest.table.units import clean_unit, is_unit
from ingest.values import dataclass

MAX_PART: Final = 1 << 30
"""Most bytes of a part that are unpacked."""
MAX_SMALL_PART: Final = 64 << 20
MAX_CELLS: Final = 50_000_000
"""Most cells between the first and the last of a sheet."""
_PIECE: Final = 4 << 20
_PERCENT: Final = {9: "%", 10: "%"}
"""Formats that need not be written down: ECMA-376 part 1, 18.8.30."""
_LETTERS: Final = 26
_DAMAGED: Final = (
    KeyError,
    OSError,
    EOFError,
    RuntimeError,
    NotImplementedError,
    zipfile.BadZipFile,
    zlib.error,
)

_COLUMN: Final = re.compile(rb"<(?:\w+:)?c\s[^>]*?\br=\"([A-Z]{1,3})")
_USUAL_COLUMN: Final = re.compile(rb"<c r=\"([A-Z]{1,3})")
"""As nearly all programs write it; found much faster."""
_ROW: Final = re.compile(rb"<(?:\w+:)?row\s[^>]*?\br=\"(\d{1,7})\"")
_STYLED: Final = rb"<(?:\w+:)?c\s([^>]*?\bs=\"(?:%s)\"[^>]*)>"
_PLACE: Final = re.compile(rb"\br=\"([A-Z]{1,3})(\d{1,7})\"")
_STYLE: Final = re.compile(rb"\bs=\"(\d+)\"")
_BARE_FORMULA: Final = re.compile(
    rb"(?:</(?:\w+:)?f>|<(?:\w+:)?f\b[^>]*/>)\s*(?:<(?:\w+:)?v\s*(?:/>|></(?:\w+:)?v>)\s*)?"
    rb"</(?:\w+:)?c>"
)
_DATES: Final = re.compile(r"[ymdhs]", re.IGNORECASE)


@dataclass
class SheetParts:
    """What a sheet's XML says besides its cells.

    Parameters
    ----------
    shown
        By what is shown behind a number (``%`` or a unit) and the column: the rows.
    bare_formulas
        Formulas without the value they had when the workbook was saved.
    """

    shown: dict[tuple[str, int], array[int]] = field(default_factory=dict)
    bare_formulas: int = 0


class WorkbookParts:
    """An open workbook's archive.

    Raises
    ------
    UnusableRun
        Where it is damaged or no workbook.
    """

    def __init__(self, path: Path) -> None:
        self.file = path.name
        try:
            self._archive = zipfile.ZipFile(path)
        except (OSError, zipfile.BadZipFile) as error:
            raise self.damaged(error) from error
        if WORKBOOK_PART not in self._archive.namelist():
            self._archive.close()
            raise UnusableRun(
                Fault(
                    self.file,
                    "an office document, but no .xlsx workbook",
                    "a workbook saved as .xlsx",
                    "save it as .xlsx, or export the sheet as CSV",
                )
            )

    def close(self) -> None:
        """Let go of the file."""
        self._archive.close()

    def damaged(self, error: object) -> UnusableRun:
        """What is said where the workbook cannot be read."""
        found = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        return UnusableRun(
            Fault(self.file, f"a damaged workbook ({found})", "a whole one", "save it again")
        )

    def sheet_paths(self) -> dict[str, str]:
        """Part of each sheet, by the sheet's name."""
        book = self._text(WORKBOOK_PART)
        targets = dict(_attributes(self._text("xl/_rels/workbook.xml.rels"), "Relationship", "Id"))
        found: dict[str, str] = {}
        for tag in re.findall(r"<(?:\w+:)?sheet\s[^>]*>", book):
            name, link = _value(tag, "name"), _value(tag, r"\w+:id")
            target = _value(targets.get(link or "", ""), "Target")
            if name is not None and target is not None:
                bare = target.lstrip("/")
                found[name] = bare if target.startswith("/") else f"xl/{bare}"
        return found

    def shown_by_style(self) -> dict[int, str]:
        """What a cell of a style shows behind its number: a percent sign or a unit."""
        if "xl/styles.xml" not in self._archive.namelist():
            return {}
        text = self._text("xl/styles.xml")
        shown = dict(_PERCENT)
        for number, tag in _attributes(text, "numFmt", "numFmtId"):
            behind = behind_number(_value(tag, "formatCode") or "")
            if behind:
                shown[int(number)] = behind
        block = re.search(r"<(?:\w+:)?cellXfs\b.*?</(?:\w+:)?cellXfs>", text, re.DOTALL)
        styles = re.findall(r"<(?:\w+:)?xf\s[^>]*>", block.group()) if block else []
        numbers = [int(_value(tag, "numFmtId") or 0) for tag in styles]
        return {at: shown[number] for at, number in enumerate(numbers) if number in shown}

    def look_at(self, part: str, styles: dict[int, str]) -> SheetParts:
        """Read through a sheet's part.

        Parameters
        ----------
        part
            Its name in the archive.
        styles
            As of `shown_by_style`.

        Raises
        ------
        UnusableRun
            Where it is damaged, or larger than fits.
        """
        found = SheetParts()
        numbers = b"|".join(str(number).encode() for number in styles)
        styled = re.compile(_STYLED % numbers) if styles else None
        columns: set[bytes] = set()
        rows = 0
        for piece in self._pieces(part):
            columns.update(_USUAL_COLUMN.findall(piece) or _COLUMN.findall(piece))
            rows = max(rows, *map(int, _ROW.findall(piece)), 0)
            if b"<f" in piece or b":f" in piece:
                found.bare_formulas += len(_BARE_FORMULA.findall(piece))
            if styled is not None:
                _note_shown(found, styled.findall(piece), styles)
        width = max(map(column_number, columns), default=0)
        if rows * width > MAX_CELLS:
            raise UnusableRun(
                Fault(
                    self.file,
                    f"a sheet of {rows} rows and {width} columns",
                    f"at most {MAX_CELLS} cells",
                    "delete what stands far from the readings, or export the sheet as CSV",
                )
            )
        return found

    def check_size(self, part: str) -> None:
        """Make sure that a part unpacks to no more than fits.

        Raises
        ------
        UnusableRun
            Where it does not, or is damaged.
        """
        if part in self._archive.namelist():
            for _ in self._pieces(part):
                pass

    def _pieces(self, part: str) -> Iterator[bytes]:
        """A part in pieces that end with a row; its bytes are counted as they come out."""
        total, carry = 0, b""
        try:
            with self._archive.open(part) as stream:
                while piece := stream.read(_PIECE):
                    total += len(piece)
                    if total > MAX_PART:
                        raise UnusableRun(
                            Fault(
                                self.file,
                                f"{part}, which unpacks to more than {MAX_PART >> 20} MiB",
                                "a sheet of at most that size",
                                "export the sheet as CSV",
                            )
                        )
                    data = carry + piece
                    cut = data.rfind(b"row>") + 4
                    if cut > 3:
                        yield data[:cut]
                        carry = data[cut:]
                    else:
                        carry = data[-_PIECE:]
            yield carry
        except _DAMAGED as error:
            raise self.damaged(error) from error

    def _text(self, part: str) -> str:
        try:
            with self._archive.open(part) as stream:
                raw = stream.read(MAX_SMALL_PART + 1)
        except _DAMAGED as error:
            raise self.damaged(error) from error
        if len(raw) > MAX_SMALL_PART:
            raise self.damaged(f"{part} of more than {MAX_SMALL_PART >> 20} MiB")
        return raw.decode("utf-8", errors="replace")


def column_number(letters: bytes) -> int:
    """1-based number of a column by its letters."""
    number = 0
    for letter in letters:
        number = number * _LETTERS + letter - ord("A") + 1
    return number


def behind_number(code: str) -> str | None:
    """What a number format shows behind the number: ``%``, a unit, or None.

    Of a code such as ``0.0" °C";[Red]-0.0" °C"`` the first section counts (ECMA-376 part 1,
    18.8.31).
    """
    literals: list[str] = []

    def keep(match: re.Match[str]) -> str:
        literals.append(match.group(1) if match.group(1) is not None else match.group(2))
        return "\0"

    bare = re.sub(r'"([^"]*)"|\\(.)', keep, code)
    section = bare.split(";")[0]
    literals = literals[: section.count("\0")]
    section = re.sub(r"\[[^\]]*\]|[_*].", "", section)
    if "%" in section:
        return "%"
    if not re.search(r"[0#?]|General", section) or _DATES.search(section.replace("General", "")):
        return None
    unit = clean_unit("".join(literals).strip())
    return unit if unit and is_unit(unit) else None


def _note_shown(found: SheetParts, cells: list[bytes], styles: dict[int, str]) -> None:
    for attributes in cells:
        style, place = _STYLE.search(attributes), _PLACE.search(attributes)
        behind = styles.get(int(style[1])) if style else None
        if behind is not None and place is not None:
            key = behind, column_number(place[1]) - 1
            found.shown.setdefault(key, array("I")).append(int(place[2]) - 1)


def _value(tag: str, name: str) -> str | None:
    found = re.search(rf"(?<![\w:]){name}=(?:\"([^\"]*)\"|'([^']*)')", tag)
    if found is None:
        return None
    return html.unescape(found[1] if found[1] is not None else found[2])


def _attributes(text: str, element: str, key: str) -> Iterator[tuple[str, str]]:
    """Elements of a kind: the value of one of their attributes, and the whole tag."""
    for tag in re.findall(rf"<(?:\w+:)?{element}\s[^>]*>", text):
        value = _value(tag, key)
        if value is not None:
            yield value, tag


def is_workbook_part(name: str) -> bool:
    """Whether a sheet's part is a sheet of cells and no chart."""
    return PurePosixPath(name).parent.name == "worksheets"
