"""Records to files, without ports, threads or waiting."""

from __future__ import annotations

import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from ingest.record.journal import Kind, Record
from ingest.record.wire.derivation import make_derivation
from ingest.record.wire.deriver import Deriver
from ingest.record.wire.files import DerivedFiles
from ingest.record.wire.first import is_whole
from ingest.setup.model import parse_setup
from ingest.setup.serial import read_serial
from tests.support.loggers import with_nmea

HEAD = '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\n'
TIMED = HEAD + 'time = { column = "t", unit = "s" }\n'
CHANNEL = '[channels.outlet]\ncolumn = "outlet"\nunit = "degC"\n'
COLUMNS = '[serial]\ncolumns = ["t", "outlet"]\n'


@dataclass
class Bench:
    """A deriver and the moments its records come at."""

    deriver: Deriver
    folder: Path

    def at(self, second: float, data: bytes, port: int = 0) -> None:
        self._feed(second, Kind.DATA, data, port)

    def mark(self, second: float, what: str, port: int = 0) -> None:
        self._feed(second, Kind.MARK, json.dumps({"what": what}).encode(), port)

    def clock(self, second: float) -> None:
        note = {"first": True, "boot": "one"}
        self._feed(second, Kind.CLOCK, json.dumps(note).encode())

    def log(self) -> list[str]:
        self.deriver.finish()
        self.deriver.files.flush()
        return (self.folder / "log.csv").read_text(encoding="utf-8").splitlines()

    def _feed(self, second: float, kind: Kind, payload: bytes, port: int = 0) -> None:
        moment = round(second * 1e9)
        self.deriver.feed(Record(port, kind, 10**12 + moment, 10**18 + moment, payload))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


def bench(folder: Path, setup: str) -> Bench:
    parsed = parse_setup(setup)
    made = Bench(
        Deriver(make_derivation(parsed, read_serial(parsed)), DerivedFiles(folder, fresh=True)),
        folder,
    )
    made.clock(0.0)
    made.mark(0.0, "opened")
    return made


@pytest.mark.parametrize(
    ("first", "kept"),
    [("232.50,20", False), (".50,20", False), ("1232.50,20", True), ("1228.50,20", True)],
)
def test_a_first_line_cut_in_its_time_is_not_a_reading(
    folder: Path,
    first: str,
    kept: bool,  # noqa: FBT001
) -> None:
    made = bench(folder, TIMED + CHANNEL + COLUMNS)
    made.at(0.001, first.encode() + b"\n1233.50,21\n1234.50,22\n1235.50,23\n")
    assert len(made.log()) == 1 + 3 + kept
    assert made.deriver.counters.half_lines == (not kept)


def test_after_a_silence_the_first_line_is_whole_whatever_it_says(folder: Path) -> None:
    made = bench(folder, TIMED + CHANNEL + COLUMNS)
    made.at(0.5, b"2.5,20\n1233.5,21\n1234.5,22\n")
    assert made.log()[1] == "2.5,20"


def test_too_few_lines_to_tell_are_all_kept(folder: Path) -> None:
    made = bench(folder, TIMED + CHANNEL + COLUMNS)
    made.at(0.001, b"2.5,20\n1233.5,21\n")
    assert made.log() == ["t,outlet", "2.5,20", "1233.5,21"]


@pytest.mark.parametrize(
    ("cells", "whole"),
    [
        (("9.8", "9.9", "10.0"), True),
        (("0.9", "10.9", "11.0"), False),
        (("", "10.9", "11.0"), False),
        (("5", "5", "5"), True),
        (("07:31:00", "07:31:01", "07:31:02"), True),
        (("31:00", "07:31:01", "07:31:02"), False),
        (("65535", "3", "6"), False),
    ],
)
def test_whole_or_not(cells: tuple[str, str, str], whole: bool) -> None:  # noqa: FBT001
    assert is_whole(cells) is whole


def test_lines_of_one_read_get_the_times_their_bytes_took(folder: Path) -> None:
    setup = HEAD + CHANNEL + '[serial]\ntime = "host"\nbaud = 9600\ncolumns = ["outlet"]\n'
    made = bench(folder, setup)
    made.at(1.0, b"20.00\n21.00\n22.00\n")  # 6 bytes of 10 bits at 9600 baud: 6.25 ms a line
    assert made.log()[1:] == ["0.987500,20.00", "0.993750,21.00", "1.000000,22.00"]


def test_times_never_turn_round(folder: Path) -> None:
    setup = (
        HEAD
        + CHANNEL
        + (
            '[channels.ambient]\ncolumn = "b_t"\nunit = "degC"\n'
            '[[serial.port]]\nbaud = 300\nurl = "a"\n[[serial.port]]\nurl = "b"\nprefix = "b_"\n'
            'columns = ["t"]\n'
        )
    )
    made = bench(folder, setup)
    made.mark(0.0, "opened", 1)
    made.at(0.5, b"outlet\n")
    made.at(2.0, b"-5\n", 1)
    made.at(2.1, b"20\n21\n22\n23\n24\n25\n26\n27\n28\n29\n30\n")
    times = [float(line.split(",")[0]) for line in made.log()[1:]]
    assert len(times) == 12
    assert all(later > earlier for earlier, later in pairwise(times))


def test_a_gap_of_the_whole_recording_ends_every_half_line(folder: Path) -> None:
    made = bench(folder, TIMED + CHANNEL + COLUMNS)
    made.at(0.5, b"0.5,20\n0.6,2")
    made.clock(30.0)
    made.mark(30.1, "opened")
    made.at(30.15, b"0\n30.1,21\n")
    made.at(30.4, b"30.4,22\n30.5,23\n")
    assert made.log() == ["t,outlet", "0.5,20", "30.1,21", "30.4,22", "30.5,23"]
    assert made.deriver.counters.half_lines == 1
    assert made.deriver.counters.rejected == 2
    (gap,) = made.deriver.all_gaps()
    assert (gap.port, gap.from_s, gap.to_s) == (None, pytest.approx(0.5), pytest.approx(30.0))


@pytest.mark.parametrize(
    ("first", "kept"),
    [("1240.00,30", True), ("240.00,30", False), ("0.00,30", False), (",30", False)],
)
@pytest.mark.parametrize("columns", ["", COLUMNS])
def test_a_first_line_after_a_reconnect_counts_if_its_time_goes_on(
    folder: Path,
    columns: str,
    first: str,
    kept: bool,  # noqa: FBT001
) -> None:
    made = bench(folder, TIMED + CHANNEL + columns)
    made.at(0.5, b"t,outlet\n" + b"".join(b"%.1f,20\n" % (1230 + at / 10) for at in range(20)))
    made.mark(5.0, "lost")
    made.mark(8.0, "opened")
    made.at(8.001, first.encode() + b"\n1240.10,31\n1240.20,32\n1240.30,33\n")
    assert len(made.log()) == 1 + 20 + 3 + kept
    assert made.deriver.counters.half_lines == (not kept)


def test_a_cut_in_a_reading_cannot_be_told_by_the_time(folder: Path) -> None:
    made = bench(folder, TIMED + CHANNEL + '[serial]\ncolumns = ["outlet", "t"]\n')
    made.at(0.5, b"64.5,10.0\n64.5,10.1\n64.5,10.2\n")
    made.mark(5.0, "lost")
    made.mark(8.0, "opened")
    made.at(8.001, b"4.5,18.0\n64.5,18.1\n64.5,18.2\n")
    assert "4.5,18.0" not in made.log()


def test_checked_lines_count_at_once_after_a_reconnect(folder: Path) -> None:
    made = bench(folder, TIMED + CHANNEL + COLUMNS + 'checksum = "nmea"\n')
    made.at(0.5, with_nmea(b"0.5,20") + b"\n" + with_nmea(b"0.6,20") + b"\n$0.7,20*00\n")
    made.mark(1.0, "lost")
    made.mark(2.0, "opened")
    made.at(2.001, with_nmea(b"2.0,21") + b"\n")
    assert made.log() == ["t,outlet", "0.5,20", "0.6,20", "2.0,21"]
    assert made.deriver.counters.bad_checksums == 1


def test_what_nobody_thought_of_is_listed_and_the_rest_goes_on(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = bench(folder, TIMED + CHANNEL + COLUMNS)
    made.at(0.5, b"0.5,20\n")
    with monkeypatch.context() as patch:
        patch.setattr("ingest.record.wire.deriver.decode_line", lambda *_: 1 / 0)
        made.at(0.6, b"0.6,20\n")
    made.at(0.7, b"0.7,20\n")
    assert made.log() == ["t,outlet", "0.5,20", "0.7,20"]
    assert made.deriver.counters.rejected == 1
    assert "ZeroDivisionError" in (folder / "rejected.csv").read_text(encoding="utf-8")


def test_cells_that_hold_a_comma_are_quoted(folder: Path) -> None:
    setup = HEAD + CHANNEL + '[serial]\nformat = "json"\ncolumns = ["outlet", "say"]\n'
    made = bench(folder, setup)
    made.at(1.0, b'{"outlet": 20, "say": "hot, \\"very\\""}\n')
    assert made.log()[1].endswith(',20,"hot, ""very"""')


def test_a_late_answer_belongs_to_the_question_before(folder: Path) -> None:
    setup = (
        HEAD
        + CHANNEL
        + (
            '[channels.ambient]\ncolumn = "ambient"\nunit = "degC"\n'
            '[serial]\nformat = "query"\nquery = [\n{ ask = "A?", columns = ["outlet"] },\n'
            '{ ask = "B?", columns = ["ambient"] }]\n'
        )
    )
    made = bench(folder, setup)
    for second, at in ((1.0, 0), (1.1, 1), (1.2, 0)):
        note = json.dumps({"what": "asked", "query": at}).encode()
        made._feed(second, Kind.MARK, note)
        made.at(second + 0.01, b"%d\n" % (at + 10))
    assert [line.split(",")[1:] for line in made.log()[1:]] == [["10", ""], ["", "11"], ["10", ""]]


def test_what_came_is_counted_by_its_kind(folder: Path) -> None:
    made = bench(folder, TIMED + CHANNEL + COLUMNS)
    sent = b"1.0,20\n2.0,21\n\n3.0,22\n"
    made.at(0.5, sent)
    made.at(1.5, b"4.0,2")
    assert made.deriver.counters.lines == 3  # an empty one is none
    assert made.deriver.counters.bytes == len(sent) + len(b"4.0,2")
    made.at(2.0, b"3\n")
    assert made.deriver.counters.lines == 4
    assert made.log()[1:] == ["1.0,20", "2.0,21", "3.0,22", "4.0,23"]
    assert made.deriver.counters.rows == 4


def test_a_header_that_comes_again_is_counted_and_no_row(folder: Path) -> None:
    host = HEAD + 'time = { column = "host_s", unit = "s" }\n'
    made = bench(folder, host + CHANNEL + COLUMNS)
    made.at(0.5, b"t,outlet\n1.0,20\nt,outlet\n2.0,21\n")
    assert len(made.log()) == 1 + 2
    assert made.deriver.counters.headers == 2
    assert made.deriver.counters.rows == 2
