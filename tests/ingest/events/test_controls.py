"""Events files in and out of order, and what becomes of their positions."""

from __future__ import annotations

import contextlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.clock.log_clock import Clock
from ingest.clock.order import put_in_order
from ingest.clock.reader import TimeReader
from ingest.clock.text import CLOCK
from ingest.errors import UnusableRun
from ingest.events.controls import (
    Events,
    PositionError,
    lever_disagreement,
    read_events,
    read_position,
)
from ingest.points import CONTROLS
from tests.support.signals.runs import make_controls

PLAIN = "time,control,position\n"


def make_clock(length: float = 1500.0, first: float = 0.0, unit: str = "s") -> Clock:
    """Clock of a log with a row every half second."""
    ordered = put_in_order(first + 0.5 * np.arange(int(length * 2) + 1))
    return Clock(
        TimeReader(("t",), unit=unit),
        ordered.time,
        ordered.rows,
        0.0,
        ordered.segments,
        ordered.tail,
    )


def events_of(
    tmp_path: Path, text: str | bytes, clock: Clock | None = None, offset: float = 0.0
) -> Events:
    path = tmp_path / "events.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_events(path, clock or make_clock(), offset)


def rows(events: Events) -> list[tuple[object, ...]]:
    return events.frame.rows()


def test_every_control_is_read(tmp_path: Path) -> None:
    events = events_of(
        tmp_path,
        PLAIN + "0,engine,start\n5,temp_lever,100\n5,blower,3\n6,mode,Floor\n7,air_door,0\n"
        "8,defrost,25.5\n9,vacuum_isolated,1\n10,note,hiss behind the glove box\n900,engine,STOP\n",
    )
    assert rows(events) == [
        (0.0, "engine", "start", 1.0),
        (5.0, "temp_lever", "100", 100.0),
        (5.0, "blower", "3", 3.0),
        (6.0, "mode", "floor", None),
        (7.0, "air_door", "0", 0.0),
        (8.0, "defrost", "25.5", 25.5),
        (9.0, "vacuum_isolated", "1", 1.0),
        (10.0, "note", "hiss behind the glove box", None),
        (900.0, "engine", "stop", 0.0),
    ]
    assert events.findings == ()
    assert events.frame.schema == make_controls([]).schema


@pytest.mark.parametrize(
    "text",
    [
        "Position;TIME;Control\n50;10,5;Temp Lever\n3;20;BLOWER\n",
        "control\tposition\ttime\ntemp-lever\t50\t10.5\nblower\t3\t20\n",
        "# noted by hand\n\n time | control | position \n10.5 | temp_lever | 50 %\n20|blower|3\n",
        "time (s),control,position (%),who\n10.5,temp_lever,50,JM\n20,blower,3,\n",
        '"time","control","position"\r\n"10.5","temp_lever","50"\r\n"20","blower","3"\r\n',
        "10.5,temp_lever,50\n20,blower,3\n",  # no header: the contract's order
        "time control position\n10.5 temp_lever 50\n20 blower 3\n",
        "time,control,position\n20,blower,3\n10.5,temp_lever,50\n",  # out of order
        "time,control,position,,\n10.5,temp_lever,50,,\n20,blower,3,,\n",
        'time,control,position,\n,,,\n10.5,temp_lever,50,\n20,blower,3,\n,,,\n"","","",""\n',
        ";;\n ; ; \n10.5;temp_lever;50\n;;\n20;blower;3\n;;\n",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_dialects_of_events_files(tmp_path: Path, text: str, encoding: str) -> None:
    events = events_of(tmp_path, text.encode(encoding))
    assert [(time, control, value) for time, control, _, value in rows(events)] == [
        (10.5, "temp_lever", 50.0),
        (20.0, "blower", 3.0),
    ]
    assert events.rejected_count == 0


def test_remarks_may_hold_the_delimiter(tmp_path: Path) -> None:
    events = events_of(
        tmp_path, PLAIN + '5,note,"cold, then warm"\n6,note,cold, then warm\n7,note,\n'
    )
    assert events.frame["position"].to_list() == ["cold, then warm", "cold, then warm", ""]


def test_wrong_lines_are_kept_apart_and_said(tmp_path: Path) -> None:
    events = events_of(
        tmp_path,
        PLAIN + "1,temp_lever,120\n2,temp_leaver,50\n3,mode,sideways\nlater,blower,2\n5,blower\n"
        "6,blower,-1\n7,engine,running\n8,vacuum_isolated,2\n9,temp_lever,45,5\n10,temp_lever,nan\n"
        "11,blower,2\n",
    )
    assert rows(events) == [(11.0, "blower", "2", 2.0)]
    reasons = {each.line: each.reason for each in events.rejected}
    assert reasons == {
        2: "temp_lever is 0 to 100 (%), cold, hot",
        3: "no control is called 'temp_leaver' (did you mean temp_lever?)",
        4: "mode is one of off, vent, floor, defrost, mixed, recirculate",
        5: "the time 'later' is not a number (s), as in the log",
        6: "fewer cells than the header has names",
        7: "blower is 0 (off), 1, 2, ...",
        8: "engine is start or stop",
        9: "vacuum_isolated is 1 (on) or 0 (off)",
        10: "more cells than the header has names",
        11: "temp_lever is 0 to 100 (%), cold, hot",
    }
    (finding,) = events.findings
    assert finding.fault == "event_rejected"
    assert finding.evidence == {"events": 10}
    assert finding.detail.startswith("10 of 11 lines of events.csv could not be used (line 2: ")
    assert finding.detail.endswith("; and 5 more).")


@pytest.mark.parametrize("text", ["", "\n\n", "\ufeff", PLAIN, "Time;Control;Position"])
def test_a_file_without_an_event_is_a_finding(tmp_path: Path, text: str) -> None:
    events = events_of(tmp_path, text)
    assert events.frame.height == 0
    assert [finding.fault for finding in events.findings] == ["no_events"]


def test_events_beyond_the_log_are_kept_and_said(tmp_path: Path) -> None:
    events = events_of(
        tmp_path, PLAIN + "-120,temp_lever,100\n-60,mode,floor\n10,blower,3\n1700,blower,0\n"
    )
    assert events.frame["time_s"].to_list() == [-120.0, -60.0, 10.0, 1700.0]
    assert [finding.fault for finding in events.findings] == ["event_outside_log"] * 2
    assert "before the log starts: 2" in events.findings[0].detail
    assert "after the log ends: 1" in events.findings[1].detail


def test_all_events_before_the_log_tell_how_the_controls_stood(tmp_path: Path) -> None:
    assert events_of(tmp_path, PLAIN + "-120,temp_lever,100\n").frame.height == 1


@pytest.mark.parametrize("times", [(1600, 1700), (-5000, 99999), (1768375860, 1768375900)])
def test_events_that_cannot_belong_to_the_log_are_a_fault(
    tmp_path: Path, times: tuple[int, int]
) -> None:
    text = PLAIN + "".join(f"{time},blower,2\n" for time in times)
    with pytest.raises(UnusableRun, match="no event within the log") as caught:
        events_of(tmp_path, text)
    assert "[events] offset" in str(caught.value)


def test_the_offset_is_added(tmp_path: Path) -> None:
    events = events_of(tmp_path, PLAIN + "100,blower,2\n", offset=-7.5)
    assert events.frame["time_s"].to_list() == [92.5]


def test_event_times_are_in_the_logs_unit(tmp_path: Path) -> None:
    events = events_of(tmp_path, PLAIN + "2000,blower,2\n", make_clock(unit="ms"))
    assert events.frame["time_s"].to_list() == [2.0]


def test_times_of_day_go_on_after_midnight(tmp_path: Path) -> None:
    raw = (86000.0 + np.arange(1000.0)) % 86400.0
    ordered = put_in_order(raw, period=86400.0)
    clock = Clock(
        TimeReader(("t",), form=CLOCK),
        ordered.time,
        ordered.rows,
        0.0,
        ordered.segments,
        ordered.tail,
    )
    events = events_of(tmp_path, PLAIN + "23:59:00,blower,2\n00:01:00,blower,3\n", clock)
    assert events.frame["time_s"].to_list() == [86340.0, 86460.0]


@pytest.mark.parametrize(
    ("text", "phrases"),
    [
        ("time,control,value\n1,blower,2\n", ["column 'position'", "'time,control,value'"]),
        ("1;2;3\n", ["column 'time'", "column 'control'", "column 'position'"]),
        (b"\x00\x01\x02\x03\x04\x05\x06\x07" * 40, ["events.csv"]),
        (b"PK\x03\x04 workbook", ["spreadsheet"]),
    ],
)
def test_files_that_are_no_events(tmp_path: Path, text: str | bytes, phrases: list[str]) -> None:
    with pytest.raises(UnusableRun) as caught:
        events_of(tmp_path, text)
    for phrase in phrases:
        assert phrase in str(caught.value)


def test_a_file_of_megabytes_is_no_list_of_events(tmp_path: Path) -> None:
    line = b"10,blower,2," + b"x" * 4000 + b"\n"
    for count, refused in ((1000, False), (1100, True)):  # 3.8 and 4.2 MiB
        text = PLAIN.encode() + line * count
        if refused:
            with pytest.raises(UnusableRun, match=r"a file of 4\.2 MiB"):
                events_of(tmp_path, text)
        else:
            events_of(tmp_path, text)


@pytest.mark.parametrize(
    ("control", "text", "expected"),
    [
        ("temp_lever", "37,5", ("37,5", 37.5)),
        ("temp_lever", "0", ("0", 0.0)),
        ("blower", "off", ("off", 0.0)),
        ("blower", "2.0", ("2.0", 2.0)),
        ("mode", " RECIRCULATE ", ("recirculate", None)),
        ("vacuum_isolated", "0", ("0", 0.0)),
    ],
)
def test_positions(control: str, text: str, expected: tuple[str, float | None]) -> None:
    assert read_position(control, text) == expected


@pytest.mark.parametrize("text", ["-0.1", "100.1", "inf", "nan", "half", "", "1e400"])
def test_positions_outside_the_travel(text: str) -> None:
    with pytest.raises(PositionError, match="0 to 100"):
        read_position("temp_lever", text)


def test_a_logged_lever_that_disagrees_for_long_is_said() -> None:
    time = np.arange(600.0)
    logged = np.where(time < 300, 100.0, 40.0)
    noted = make_controls([(0.0, "temp_lever", 100), (330.0, "temp_lever", 40)])
    assert lever_disagreement(noted, time, logged) == ()  # noted half a minute late
    late = make_controls([(0.0, "temp_lever", 100), (450.0, "temp_lever", 40)])
    (finding,) = lever_disagreement(late, time, logged)
    assert (finding.fault, finding.from_s, finding.to_s) == ("lever_disagrees", 300.0, 449.0)
    assert finding.evidence["difference_pct"] == 60.0


def test_nothing_to_compare_is_no_disagreement() -> None:
    time = np.arange(600.0)
    assert lever_disagreement(make_controls([]), time, np.full(600, 50.0)) == ()
    noted = make_controls([(0.0, "temp_lever", 100)])
    assert lever_disagreement(noted, time, np.full(600, np.nan)) == ()


CELLS = st.one_of(
    st.sampled_from(["time", "control", "position", "engine", "start", "mode", "50", '"', "note"]),
    st.floats().map(str),
    st.text(max_size=8),
)


@given(
    st.lists(st.lists(CELLS, max_size=5), max_size=12),
    st.sampled_from([",", ";", "\t", "|", " "]),
    st.booleans(),
)
def test_no_events_file_whatever_crashes(
    tmp_path_factory: pytest.TempPathFactory,
    lines: list[list[str]],
    delimiter: str,
    headed: bool,  # noqa: FBT001 - drawn by hypothesis
) -> None:
    folder = tmp_path_factory.getbasetemp()
    text = (delimiter.join(("time", "control", "position")) + "\n") * headed
    text += "\n".join(delimiter.join(cells) for cells in lines)
    with contextlib.suppress(UnusableRun):
        events = events_of(folder, text.encode("utf-8", errors="surrogatepass"))
        assert events.frame["time_s"].is_sorted()
        assert events.frame["time_s"].is_finite().all()
        assert set(events.frame["control"].to_list()) <= set(CONTROLS)


@given(st.binary(max_size=300))
def test_no_bytes_whatever_crash(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    with contextlib.suppress(UnusableRun):
        events = events_of(tmp_path_factory.getbasetemp(), raw)
        assert events.frame["time_s"].is_finite().all()


def test_words_where_people_write_them(tmp_path: Path) -> None:
    events = events_of(
        tmp_path,
        PLAIN + "1,temp_lever,hot\n2,temp_lever,Cold\n3,vacuum_isolated,on\n4,vacuum_isolated,off\n"
        "5,defrost,on\n6,engine,on\n7,engine,off\n8,blower,off\n9,blower,on\n10,air_door,on\n",
    )
    assert [(row[1], row[3]) for row in rows(events)] == [
        ("temp_lever", 100.0),
        ("temp_lever", 0.0),
        ("vacuum_isolated", 1.0),
        ("vacuum_isolated", 0.0),
        ("defrost", 100.0),
        ("engine", 1.0),
        ("engine", 0.0),
        ("blower", 0.0),
    ]
    assert [each.line for each in events.rejected] == [10, 11]  # which step? how far?


def test_minutes_and_hours_in_a_column_of_seconds(tmp_path: Path) -> None:
    events = events_of(
        tmp_path,
        PLAIN + "0:30,blower,1\n01:30.5,blower,2\n0:02:00,blower,3\n150,blower,1\n1:75,blower,2\n",
    )
    assert events.frame["time_s"].to_list() == [30.0, 90.5, 120.0, 150.0]
    assert [each.line for each in events.rejected] == [6]
