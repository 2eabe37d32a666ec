"""A log parsed before its lines are looked at gives what sorting them line by line gives."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.errors import UnusableRun
from ingest.setup.model import LogTable
from ingest.table.text import parse as table_parse
from ingest.table.text import read as tables
from ingest.table.text.parse import parse_whole
from ingest.table.text.read import TextTable, iter_text, read_text_table
from ingest.table.text.reading import make_scheme
from ingest.table.text.source import Source

LOG = LogTable(file="log.csv")
ROWS = 60

ODD_LINES = st.sampled_from(
    [
        *(
            "",
            " ",
            ",,",
            ",,,",
            "#",
            "# a remark",
            "t,a,b",
            "t,x,y",
            "s,V,C",
            "the end",
            "1",
            "1,2",
        ),
        *("1,2,3,4", "1,2,3,", ",1,2,3", '"', 'a"b,2,3', "1,2;3", "\0\0\0", "1,\0,3", "nan,1,2"),
        *("1, 2, 3 ", "\ufeff1,2,3", "1.5.2026,2,3", "1\t2\t3", "\x1f", "1,2,3\n1,2", "-9999,1,2"),
    ]
)
ODD_CELLS = st.sampled_from(
    [
        *(
            "",
            " ",
            "  1.5",
            "1.5 ",
            '"1.5"',
            '"1,5"',
            "nan",
            "NaN",
            "inf",
            "-inf",
            "1e400",
            "-9999",
        ),
        *("---", "OVER", "1.5 V", "1,5", "1;5", "1.234.567", "0x10", "+1.5", "1e3", "--1", "#1"),
        *("1.5\0", "°", "−1.5", "1_000", ".5", "5.", "-0", "true", "\t", "9.9e37", "-9999"),
    ]
)


def plain_lines(*, words: bool) -> list[str]:
    """Readings without anything odd; with words, one column is text."""
    return [
        f"{row / 10:.1f},{'low' if words else -row * 0.25:},{row + 0.125}" for row in range(ROWS)
    ]


def everything(read: Any) -> Any:
    """All that can be asked of a log, or its faults."""
    try:
        parts: list[TextTable] = read()
        return [
            (
                part.names, part.units, part.dialect, part.height, part.first_row, part.restarts,
                part.rejected, part.rejected_count, part.findings,
                [part.line(row) for row in range(part.height)],
                [
                    (n.values.to_list(), n.words, n.bad, n.bad_count, n.cell_units, n.findings)
                    for n in map(part.numbers, range(part.width))
                ],
                [part.text(at).to_list() for at in range(part.width)],
            )
            for part in parts
        ]  # fmt: skip
    except UnusableRun as error:
        return [str(fault) for fault in error.faults]


def check_same(path: Path, read: Any) -> None:
    """Reading with and without the early parse gives the same."""
    early = everything(read)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tables, "parse_whole", lambda *_, **__: None)
        assert everything(read) == early


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode("utf-8"))
    return path


def is_proven(path: Path) -> bool:
    """Whether the parse alone proves every line of a file a row."""
    with Source(path, LOG) as source:
        scheme = make_scheme(source, LOG)
        text = source.whole(None).text
    body = text.split(b"\n", scheme.dialect.first_data_line - 1)[-1]
    whole = parse_whole(body, scheme, scheme.dialect.first_data_line, cut_off=True)
    return whole is not None and whole.rows is not None


FIXTURES = settings(
    deadline=None,
    max_examples=80,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@FIXTURES
@given(
    lines=st.lists(st.tuples(st.integers(0, ROWS), ODD_LINES), max_size=2),
    cells=st.lists(st.tuples(st.integers(0, ROWS - 1), st.integers(0, 2), ODD_CELLS), max_size=2),
    words=st.booleans(),
    ending=st.sampled_from(["\n", "", "\n\n", "\x1a", "\n,,\n", "\r\n"]),
)
def test_nearly_plain_logs(tmp_path, lines, cells, words, ending):
    rows = plain_lines(words=words)
    for row, column, cell in cells:
        parts = rows[row].split(",", 2)
        parts[column] = cell
        rows[row] = ",".join(parts)
    for at, line in sorted(lines, reverse=True):
        rows.insert(at, line)
    path = written(tmp_path, "\n".join(["t,a,b", *rows]) + ending)
    check_same(path, lambda: [read_text_table(path, LOG)])
    check_same(path, lambda: list(iter_text(path, LOG, chunk_bytes=1024)))


@pytest.mark.parametrize("words", [False, True])
def test_a_plain_log_is_proven_by_its_parse(tmp_path, words):
    path = written(tmp_path, "\n".join(["t,a,b", *plain_lines(words=words)]) + "\n")
    assert is_proven(path)
    check_same(path, lambda: [read_text_table(path, LOG)])


@pytest.mark.parametrize("at", [1, ROWS // 2, ROWS])
@pytest.mark.parametrize(
    "line",
    [
        "1,2",
        "1,2,3,4",
        "",
        "# remark",
        "t,a,b",
        "1,,3",
        "1,2,\0",
        "low,low,low",
        "1,\0,3",
        '1,"2",3',
    ],
)
@pytest.mark.parametrize("words", [False, True])
def test_one_odd_line_is_never_proven(tmp_path, at, line, words):
    rows = plain_lines(words=words)
    rows.insert(at, line)
    path = written(tmp_path, "\n".join(["t,a,b", *rows]) + "\n")
    assert not is_proven(path)
    check_same(path, lambda: [read_text_table(path, LOG)])


def test_too_many_cells_in_one_line_do_not_make_up_for_too_few_in_another(tmp_path):
    # as many delimiters as a regular log has
    rows = plain_lines(words=True)
    rows[20:22] = ["2.0,low", "2.1,low,3,4"]
    path = written(tmp_path, "\n".join(["t,a,b", *rows]) + "\n")
    assert not is_proven(path)
    check_same(path, lambda: [read_text_table(path, LOG)])


def test_a_header_of_numbers_repeated_among_numbers(tmp_path):
    rows = plain_lines(words=False)
    rows.insert(30, "1,2,3")
    path = written(tmp_path, "\n".join(["1,2,3", *rows]) + "\n")
    log = LogTable(file="log.csv", header=True)
    check_same(path, lambda: [read_text_table(path, log)])
    assert read_text_table(path, log).restarts == (30,)


def test_lines_longer_than_allowed_are_refused(tmp_path, monkeypatch):
    rows = plain_lines(words=False)
    rows[40] = f"4.0,1.{'5' * 400},2"
    path = written(tmp_path, "\n".join(["t,a,b", *rows]) + "\n")
    monkeypatch.setattr(table_parse, "LONGEST_LINE", 300)
    assert not is_proven(path)


def test_bytes_are_counted_across_blocks(tmp_path, monkeypatch):
    monkeypatch.setattr(table_parse, "BLOCK", 7)
    path = written(tmp_path, "\n".join(["t,a,b", *plain_lines(words=True)]) + "\n")
    assert is_proven(path)


@pytest.mark.parametrize("head", ["t,a,b", "a remark\n\nt,a,b", "# °\nt,a,b", "t,a,b\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_what_stands_above_the_readings_is_left_out_or_cut_off(tmp_path, head, encoding):
    # long enough that the file is read once more behind its sample
    rows = [f"{row / 10:.1f},low,{row + 0.125}" for row in range(3000)]
    rows[2500] = "250.0,low"
    path = tmp_path / "log.csv"
    path.write_bytes("\n".join([head, *rows]).encode(encoding))
    table = read_text_table(path, LOG)
    above = head.replace("\r", "").count("\n") + 1
    assert (table.height, table.line(0), table.line(2998)) == (2999, above + 1, above + 3000)
    assert [each.line for each in table.rejected] == [above + 2501]
    assert table.text(1).to_list() == ["low"] * 2999
    (parts,) = iter_text(path, LOG)
    assert parts.numbers(2).values.to_list() == table.numbers(2).values.to_list()
