"""Any bytes at all: a table or a fault, never anything else; and tables survive every dialect."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.errors import UnusableRun
from ingest.setup.model import LogTable
from ingest.table.text.read import TextTable, iter_text, read_text_table

LOG = LogTable(file="log.csv")
FIXTURES = settings(
    deadline=None,
    max_examples=100,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

PIECES = st.sampled_from(
    [
        *(b",", b";", b"\t", b" ", b"  ", b"|", b"\n", b"\r\n", b"\r", b'"', b"'", b"#", b"\0"),
        *(b"1", b"2.5", b"3,7", b"1.003.000", b"-9999", b"1e400", b"nan", b"---", b"OVER", b"82C"),
        *(b"t", b"s", b"C", b"Temp [\xc2\xb0C]", b"07:31:05", b"2026-01-14", b"\xb0", b"\xff"),
        *(b"\x1f", b"\x1a"),
    ]
)


def check_table(path: Path) -> None:
    """What must hold of whatever was read, and that parts give the same as the whole."""
    try:
        table = read_text_table(path, LOG)
    except UnusableRun as error:
        assert error.faults
        assert all("\n" not in str(fault) for fault in error.faults)
        return
    assert table.height > 0
    assert len(table.names) == len(table.units) == table.width
    for at in range(min(table.width, 6)):
        numbers = table.numbers(at)
        assert numbers.values.len() == table.text(at).len() == table.height
        assert numbers.values.is_finite().all(ignore_nulls=True)
        # nothing vanishes: every cell is a number, a word or bad
        assert numbers.values.null_count() == sum(numbers.words.values()) + numbers.bad_count
    parts = list(iter_text(path, LOG, chunk_bytes=1024))
    if b'"' in path.read_bytes():
        # a quoted cell with line ends in it may be cut by the end of a part
        assert sum(part.height + part.rejected_count for part in parts) > 0
        return
    assert sum(part.height for part in parts) == table.height
    assert sum(part.rejected_count for part in parts) == table.rejected_count
    assert lines_of(parts) == lines_of([table])
    for at in range(min(table.width, 3)):
        assert [cell for part in parts for cell in part.text(at)] == table.text(at).to_list()


def lines_of(parts: list[TextTable]) -> list[int]:
    return [part.line(row) for part in parts for row in range(part.height)]


@FIXTURES
@given(data=st.binary(max_size=400))
def test_any_bytes(tmp_path: Path, data: bytes):
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    check_table(path)


@FIXTURES
@given(data=st.lists(PIECES, max_size=60).map(b"".join))
def test_any_pieces_of_logs(tmp_path: Path, data: bytes):
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    check_table(path)


@FIXTURES
@given(data=st.lists(PIECES, max_size=25).map(b"".join), times=st.integers(1, 40))
def test_any_mess_between_readings(tmp_path: Path, data: bytes, times: int):
    path = tmp_path / "log.csv"
    path.write_bytes((b"t,a,b\n1,2,3\n2,3,4\n" + data + b"\n") * times)
    check_table(path)


@dataclass(frozen=True)
class Writing:
    """How a random table is written."""

    delimiter: str
    decimal: str
    decimals: int
    encoding: str
    line_end: str
    quoted: bool
    header: bool
    units: bool
    trailing: bool
    remarks: int
    word: str

    def cell(self, value: float | None) -> str:
        text = self.word if value is None else f"{value:.{self.decimals}f}"
        text = text.replace(".", self.decimal) if value is not None else text
        return f'"{text}"' if self.quoted else text

    def write(self, columns: dict[str, list[float | None]], units: list[str]) -> bytes:
        quote = '"' if self.quoted else ""
        end = self.delimiter if self.trailing else ""
        # more words than any table here has columns, so that it cannot be a row of names
        remark = "a remark that nobody could take for the names of the columns below"
        lines = [f"{remark} {number}" for number in range(self.remarks)]
        if self.header:
            lines.append(self.delimiter.join(f"{quote}{name}{quote}" for name in columns) + end)
        if self.header and self.units:
            lines.append(self.delimiter.join(f"{quote}{unit}{quote}" for unit in units) + end)
        lines += [
            self.delimiter.join(self.cell(value) for value in row) + end
            for row in zip(*columns.values(), strict=True)
        ]
        text = self.line_end.join(lines) + self.line_end
        return text.encode(self.encoding)


@st.composite
def writings(draw: st.DrawFn) -> Writing:
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", " ", "   "]))
    decimal = draw(st.sampled_from([".", ","]))
    blank = not delimiter.strip() and delimiter != "\t"
    quoted = draw(st.booleans()) or (delimiter == decimal)
    return Writing(
        delimiter=delimiter,
        decimal=decimal,
        decimals=draw(st.integers(0, 5)),
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le"])),
        line_end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        quoted=quoted,
        header=draw(st.booleans()),
        units=draw(st.booleans()),
        trailing=draw(st.booleans()) and not blank,
        remarks=draw(st.integers(0, 3)),
        word=draw(st.sampled_from(["---", "OVER", "NaN", "#N/A"] if blank else ["", "OL", "---"])),
    )


NAMES = ["Time", "Outlet", "Ambient_1", "Kühler", "Druck", "Cabin", "Vacuum", "Lever"]
UNITS = ["s", "°C", "degF", "°C", "kPa", "C", "inHg", "%"]


@settings(FIXTURES, max_examples=120)
@given(data=st.data(), writing=writings())
def test_tables_survive_every_dialect(tmp_path: Path, data: st.DataObject, writing: Writing):
    width = data.draw(st.integers(2, len(NAMES)))
    height = data.draw(st.integers(5, 40))
    number = st.floats(-300, 9000).map(lambda value: round(value, writing.decimals))
    cells = st.lists(st.one_of(number, number, number, st.none()), min_size=height, max_size=height)
    columns: dict[str, list[float | None]] = {"Time": [float(at) for at in range(height)]}
    for name in NAMES[1:width]:
        # a last column that is empty throughout is what a trailing delimiter makes
        columns[name] = [data.draw(number), *data.draw(cells)[1:]]
    path = tmp_path / "log.csv"
    path.write_bytes(writing.write(columns, UNITS[:width]))
    table = read_text_table(path, LOG)
    assert table.height == height
    if writing.header:
        assert list(table.names) == list(columns)
        assert list(table.units) == (UNITS[:width] if writing.units else [None] * width)
    else:
        assert list(table.names) == [str(at + 1) for at in range(width)]
    for at, (name, values) in enumerate(columns.items()):
        # an integer column cannot end in a minus zero
        expected = [None if value is None else float(f"{value:.5f}") for value in values]
        assert table.numbers(at).values.to_list() == pytest.approx(expected, abs=0), name
