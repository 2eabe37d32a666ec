"""Events on their way into a recording: their times, their order, and taking one back."""

from __future__ import annotations

import pytest

from ingest.events.controls import PositionError
from ingest.record.wire.derivation import make_derivation
from ingest.record.wire.events import WAITING_CAP, EventBook, check_event
from ingest.setup.model import parse_setup
from ingest.setup.serial import read_serial

HEAD = '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\n'
OWN = 'time = { column = "t", unit = "s" }\n'
HOST = 'time = { column = "host_s", unit = "s" }\n'
CHANNEL = '[channels.outlet]\ncolumn = "out"\nunit = "degC"\n'
LOG = ["t,out", *(f"{at}.0,{20 + at}.5" for at in range(100, 112))]


def book(more: str = "", time: str = OWN) -> EventBook:
    text = HEAD + time + CHANNEL + more
    text += '[serial]\n[[serial.port]]\nurl = "socket://127.0.0.1:1"\ncolumns = ["t", "out"]\n'
    setup = parse_setup(text, "run.toml")
    return EventBook(make_derivation(setup, read_serial(setup)))


def with_log(made: EventBook) -> EventBook:
    for line in LOG:
        made.see_log(line)
    return made


def test_events_noted_by_hand_take_the_log_s_time_in_their_order() -> None:
    """The newest line says 111 s and came at 511 s of the host."""
    made = with_log(book())
    for at, control, position in ((509.0, "blower", "2"), (510.5, "mode", "floor")):
        made.note(at, control, position)
    found = made.timed((LOG[-1], 511.0))
    assert [(float(time), each.control, each.position) for time, each in found] == [
        (109.0, "blower", "2"),
        (110.5, "mode", "floor"),
    ]
    assert made.waiting == []
    assert made.written == found
    assert made.count == 2
    assert made.timed((LOG[-1], 511.0)) == []


def test_the_events_own_offset_is_taken_off() -> None:
    """Log time is event time plus offset, so that an event is written that much earlier."""
    made = with_log(book('[events]\nfile = "events.csv"\noffset = 5.0\n'))
    made.note(510.0, "blower", "2")
    ((time, _),) = made.timed((LOG[-1], 511.0))
    assert float(time) == 105.0


def test_an_event_waits_until_a_line_has_a_time() -> None:
    made = book()
    made.note(509.0, "blower", "2")
    assert made.timed(None) == []
    assert len(made.waiting) == 1
    # after 1, 2, 4, 8 ... lines it is worth another look
    assert [made.try_again() for _ in range(9)] == [
        True, True, False, True, False, False, False, True, False
    ]  # fmt: skip
    made.note(510.0, "blower", "3")
    assert made.try_again()
    assert [each.position for each in made.give_up()] == ["2", "3"]
    assert made.waiting == []


def test_a_sender_s_own_time_stands_as_it_was_sent() -> None:
    made = with_log(book())
    assert made.from_line("@104.5!temp_lever,50", 600.0) is None
    assert made.from_line("blower,2", 511.0) is None
    (stated, first), (time, second) = made.timed((LOG[-1], 511.0))
    assert (stated, first.control, first.position) == ("104.5", "temp_lever", "50")
    assert (float(time), second.control) == (111.0, "blower")
    # what was sent cannot be taken back by hand
    assert made.undo() is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("blower", "without a position"),
        ("sunroof,1", "no control is called"),
        ("temp_lever,101", "no event"),
        ("@104.5!blower", "without a position"),
    ],
)
def test_what_is_no_event_is_said(text: str, said: str) -> None:
    made = book()
    assert said in str(made.from_line(text, 1.0))
    assert made.count == 0
    assert made.waiting == []
    with pytest.raises(PositionError):
        check_event("sunroof", "1")


def test_the_newest_noted_by_hand_is_taken_back_wherever_it_is() -> None:
    made = with_log(book())
    made.note(505.0, "blower", "1")
    made.timed((LOG[-1], 511.0))
    assert made.from_line("@104.5!temp_lever,50", 600.0) is None
    made.note(508.0, "blower", "2")
    made.from_line("@108.5!temp_lever,100", 600.0)
    gone = made.undo()
    assert gone is not None
    assert gone.position == "2"
    assert [each.position for each in made.waiting] == ["50", "100"]
    gone = made.undo()
    assert gone is not None
    assert gone.position == "1"
    assert made.written == []
    assert made.undo() is None
    assert [each.position for each in made.noted] == ["50", "100"]


def test_no_more_than_so_many_wait() -> None:
    made = book()
    for at in range(WAITING_CAP + 5):
        made.note(float(at), "blower", "2")
    assert made.count == WAITING_CAP + 5
    assert len(made.waiting) == len(made.noted) == WAITING_CAP
