"""A journal's records to the recording's files. The same code live and when they are made again.

What a record does depends on the records before it and on nothing else, so that a journal always
gives the same files.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import field
from typing import TYPE_CHECKING, Any, Final

from ingest.json_text import parse_json
from ingest.record.journal import Kind, Record
from ingest.record.wire.count import ClockSamples, Counters, Gap, PortCounters
from ingest.record.wire.damage import DamageCheck, Ready
from ingest.record.wire.events import EventBook
from ingest.record.wire.files import REJECTED_CAP, DerivedFiles
from ingest.record.wire.first import NEEDED, is_continued, is_whole, time_cell
from ingest.record.wire.lines import LineSplitter, check_nmea, decode_line
from ingest.record.wire.rows import (
    CHANGED_COLUMNS,
    GARBAGE,
    CellCount,
    Header,
    Refused,
    RowMaker,
    bus_cells,
    count_cuts,
    register_cells,
    sniff_delimiter,
)
from ingest.record.wire.time import HostClock
from ingest.setup.serial import PortTable
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.record.wire.derivation import Derivation

HALF: Final = "half a line"
CHECKSUM: Final = "a wrong or missing checksum"
SILENCE_S: Final = 0.1
"""After a port is opened again, its first line is whole if it was silent this long before it."""
_TICK_S: Final = 1e-6
_MESSAGES: Final = 200


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest cell of a column and when it was received, s."""

    text: str
    host_s: float


@dataclass(frozen=True, slots=True)
class Message:
    """Something that happened, in a plain sentence, and when, s."""

    host_s: float
    text: str


@dataclass(eq=False)
class _Port:
    table: PortTable
    rows: RowMaker
    splitter: LineSplitter = field(default_factory=LineSplitter)
    counters: PortCounters = field(default_factory=PortCounters)
    opened_s: float | None = None
    was_open: bool = False
    reopened: bool = False
    """Opened again and not a line since."""
    lost_s: float | None = None
    reason: str = ""
    last_s: float = 0.0
    query: int = 0
    delimiter: str | None = None
    count: CellCount = field(default_factory=CellCount)
    held: list[tuple[str, bytes, float]] | None = None
    """The first lines, while they do not tell whether the very first is whole."""

    @property
    def seconds_per_byte(self) -> float:
        """Time a byte takes on the wire: start bit, data, parity and stop bits."""
        data = self.table.bytesize + int(self.table.parity != "N")
        return (1.0 + data + float(self.table.stopbits)) / self.table.baud


class Deriver:
    """Makes the files of a recording from its records.

    Parameters
    ----------
    derivation
        How its lines become its log.
    files
        Where they go, begun anew; nothing is flushed here.
    """

    def __init__(self, derivation: Derivation, files: DerivedFiles) -> None:
        self.derivation = derivation
        self.files = files
        self.clock = HostClock()
        self.events = EventBook(derivation)
        self.samples = ClockSamples()
        self.gaps: list[Gap] = []
        self.messages: deque[Message] = deque(maxlen=_MESSAGES)
        self.last_line: tuple[str, float] | None = None
        self.cells: dict[str, Latest] = {}
        self._ports = [
            _Port(
                table,
                RowMaker(table, own),
                delimiter=table.delimiter or derivation.setup.log.delimiter,
            )
            for table, own in zip(derivation.ports, derivation.port_columns, strict=True)
        ]
        self._time_cell = time_cell(derivation)
        own = derivation.port_columns[0] if derivation.as_received else ()
        self.damage = DamageCheck(derivation.setup, own)
        self._line_number = 0
        self._row_s = -1.0
        self._rejected = 0
        if derivation.header is not None:
            self._log(derivation.header)

    @property
    def counters(self) -> Counters:
        """What was counted so far."""
        by_port = {
            port.table.label if len(self._ports) == 1 else f"{at}: {port.table.label}":
            port.counters for at, port in enumerate(self._ports, start=1)
        }  # fmt: skip
        return Counters.of(by_port, self._rejected, self.events.count)

    @property
    def counts(self) -> list[PortCounters]:
        """What was counted of each port, in their order."""
        return [port.counters for port in self._ports]

    def all_gaps(self) -> list[Gap]:
        """Every gap, those that still last included."""
        lasting = [
            Gap(port.table.label, port.lost_s, None, port.reason)
            for port in self._ports
            if port.lost_s is not None
        ]
        return [*self.gaps, *lasting]

    def feed(self, record: Record) -> None:
        """Take the next record."""
        if record.kind is Kind.CLOCK:
            self._clock(record)
            return
        now = self.clock.see(record)
        try:
            self._use(record, now)
        except Exception as error:  # no line that was not thought of may end a recording
            reason = f"not made use of ({type(error).__name__}: {error})"
            self._reject(now, "", reason, record.payload)

    def _use(self, record: Record, now: float) -> None:
        if record.kind is Kind.EVENT:
            note = parse_json(record.payload)
            if note.get("undo"):
                self._undo(now)
            else:
                self._note(now, note["control"], note["position"])
        elif record.port < len(self._ports):
            port = self._ports[record.port]
            if record.kind is Kind.MARK:
                self._mark(port, parse_json(record.payload), now)
            elif port.table.format in ("modbus", "can"):
                self._reading(port, record.payload, now)
            else:
                self._data(port, record.payload, now)

    def finish(self) -> None:
        """Set the half lines aside that wait for a rest, and events that never got a time."""
        for port in self._ports:
            self._cut(port, self.clock.last_s)
        self._ready(self.damage.flush())
        for event in self.events.give_up():
            text = f"{event.control},{event.position}"
            self._reject(event.host_s, "", "an event without a line of the log near it", text)

    def _clock(self, record: Record) -> None:
        if not parse_json(record.payload).get("first"):
            self.clock.compare(record)
            self.clock.see(record)
            return
        resumed, before = self.clock.started_ns is not None, self.clock.last_s
        self.clock.begin(record)
        if not resumed:
            return
        now = self.clock.last_s
        self.gaps.append(Gap(None, before, now, "the recording was interrupted"))
        self._say(now, f"Recording goes on after a gap of {now - before:.1f} s.")
        for port in self._ports:
            self._cut(port, before)
            port.lost_s = None

    def _mark(self, port: _Port, note: dict[str, Any], now: float) -> None:
        what = note.get("what")
        if what == "opened":
            port.reopened = port.was_open = port.opened_s is not None
            port.opened_s = port.last_s = now
            if port.lost_s is not None:
                self.gaps.append(Gap(port.table.label, port.lost_s, now, port.reason))
                away = now - port.lost_s
                self._say(now, f"{port.table.label} is back after {away:.1f} s.")
                port.lost_s = None
            else:
                self._say(now, f"{port.table.label} is open.")
        elif what == "lost":
            self._cut(port, now)
            port.counters.losses += 1
            port.lost_s, port.reason = now, str(note.get("reason", ""))
            self._say(now, f"{port.table.label} is gone ({port.reason}); waiting for it.")
        elif what == "asked":
            self._cut(port, now)
            port.query = int(note.get("query", 0))
        elif what == "unanswered":
            port.counters.unanswered += 1
            if port.counters.unanswered == 1:
                self._say(now, f"{port.table.label} does not answer.")
        elif what == "said":
            self._say(now, str(note.get("text", "")))

    def _cut(self, port: _Port, now: float) -> None:
        self._let_go(port)
        self._ready(self.damage.flush())
        rest = port.splitter.cut()
        if rest.strip():
            port.counters.half_lines += 1
            self._reject(now, port.table.label, HALF, rest)

    def _data(self, port: _Port, data: bytes, now: float) -> None:
        port.counters.bytes += len(data)
        lines, long = port.splitter.feed(data)
        # the bytes came one after the other, at the latest as fast as the wire carries them
        span = min(len(data) * port.seconds_per_byte, max(now - port.last_s, 0.0))
        silent = now - port.last_s >= SILENCE_S
        first = port.counters.bytes == len(data)
        if first and not silent and self._time_cell is not None and port.table.checksum == "none":
            port.held = []
        port.last_s = now
        for raw, following in lines:
            if raw.strip():
                port.counters.lines += 1
                doubtful = port.reopened and not silent
                port.reopened = False
                self._line(port, raw, now - span * following / len(data), doubtful=doubtful)
        for stretch in long:
            self._refuse(port, GARBAGE, stretch, now)
        if silent:
            port.reopened = False

    def _line(self, port: _Port, raw: bytes, now: float, *, doubtful: bool) -> None:
        marker = port.table.events.encode()
        body = raw
        if port.table.checksum == "nmea" and not (marker and raw.startswith(marker)):
            checked = check_nmea(raw)
            if checked is None:
                self._refuse(port, CHECKSUM, raw, now)
                return
            body = checked
        elif doubtful and port.table.format == "csv":
            if not self.derivation.as_received:
                self._refuse(port, HALF, raw, now)
                return
            port.held = []
        text = decode_line(body, port.table.encoding)
        if text is None:
            self._refuse(port, GARBAGE, raw, now)
        elif marker and text.startswith(port.table.events):
            refused = self.events.from_line(text.removeprefix(port.table.events), now)
            if refused is None:
                self._write_events()
            else:
                self._refuse(port, refused, raw, now, counted_as=GARBAGE)
        elif self.derivation.as_received:
            self._as_received(port, text, raw, now)
        else:
            self._by_column(port, text, raw, now)

    def _as_received(self, port: _Port, text: str, raw: bytes, now: float) -> None:
        own = self.derivation.port_columns[0]
        delimiter = port.delimiter or port.count.delimiter or sniff_delimiter(text)
        count = count_cuts(text, delimiter)
        spare = count == len(own) and text.rstrip().endswith(delimiter)
        if own and count != len(own) - 1 and not spare:
            self._refuse(port, CHANGED_COLUMNS, raw, now)
            return
        if own and tuple(cell.strip(' "') for cell in text.split(delimiter)) == own:
            port.counters.headers += 1
            return
        if not own and not port.count.fits(text, count, delimiter):
            self._refuse(port, CHANGED_COLUMNS, raw, now)
            return
        if port.held is None:
            port.counters.rows += 1
            self._looked_at(port, text, now)
            return
        port.held.append((text, raw, now))
        if len(port.held) == NEEDED:
            self._let_go(port)

    def _let_go(self, port: _Port) -> None:
        """Log the lines held, less a first one that is only the end of one."""
        held, port.held = port.held or [], None
        if held and not self._begins_whole(port, [text for text, _, _ in held]):
            _, raw, now = held.pop(0)
            self._refuse(port, HALF, raw, now)
        for text, _, now in held:
            port.counters.rows += 1
            self._looked_at(port, text, now)

    def _looked_at(self, port: _Port, text: str, now: float) -> None:
        """Log a line once it was looked at for damage; it is the newest at once."""
        if port.table.checksum != "none":
            self._log(text, now)
            return
        self._ready(
            self.damage.take(
                text, port.delimiter or port.count.delimiter or sniff_delimiter(text), now
            )
        )
        self.last_line = (text, now)

    def _ready(self, lines: Iterable[Ready]) -> None:
        for each in lines:
            if each.was is not None:
                self.files.rejected(each.host_s, "", each.reason, _printable(each.was))
            self._log(each.text, each.host_s)

    def _begins_whole(self, port: _Port, texts: list[str]) -> bool:
        if port.was_open:
            return is_continued(self.events.head, texts, self.derivation.setup.log)
        if len(texts) < NEEDED or self._time_cell is None:
            return True
        cut = [text.split(port.delimiter or sniff_delimiter(text)) for text in texts]
        if any(len(cells) <= self._time_cell for cells in cut):
            return True
        first, second, third = (cells[self._time_cell] for cells in cut)
        return is_whole((first, second, third))

    def _by_column(self, port: _Port, text: str, raw: bytes, now: float) -> None:
        made = port.rows.cells(text, port.query)
        if isinstance(made, Refused):
            counted = GARBAGE if made.reason == GARBAGE else CHANGED_COLUMNS
            self._refuse(port, made.reason, raw, now, counted_as=counted)
        elif isinstance(made, Header):
            port.counters.headers += 1
        else:
            self._row(port, made, now)

    def _reading(self, port: _Port, payload: bytes, now: float) -> None:
        port.counters.bytes += len(payload)
        port.counters.lines += 1
        made = (bus_cells if port.table.format == "can" else register_cells)(port.table, payload)
        if isinstance(made, Refused):
            self._refuse(port, GARBAGE, payload, now)
        else:
            self._row(port, made, now)

    def _row(self, port: _Port, cells: list[str], now: float) -> None:
        now = self._row_s = max(now, self._row_s + _TICK_S)
        at = self.derivation.first_column[self._ports.index(port)]
        columns = self.derivation.columns
        before, after = at - 1, len(columns) - at - len(cells)
        row = [f"{now:.6f}", *[""] * before, *cells, *[""] * after]
        line = ",".join(row)
        if '"' in line or line.count(",") != len(row) - 1:
            line = ",".join(_quoted(cell) for cell in row)
        for name, cell in zip(columns[at:], cells, strict=False):
            if cell:
                self.cells[name] = Latest(cell, now)
        port.counters.rows += 1
        self._log(line, now)

    def _log(self, line: str, now: float | None = None) -> None:
        self._line_number += 1
        self.files.log(line)
        self.events.see_log(line)
        if now is not None:
            self.last_line = (line, now)
            self.samples.add(self._line_number, now)
            if self.events.waiting and self.events.try_again():
                self._write_events()

    def _note(self, host_s: float, control: str, position: str) -> None:
        self.events.note(host_s, control, position)
        self._write_events()

    def _undo(self, now: float) -> None:
        gone = self.events.undo()
        if gone is None:
            self._say(now, "There is no note to take back.")
            return
        rows = [(time, each.control, each.position) for time, each in self.events.written]
        self.files.events_anew(rows)
        self._say(now, f"Taken back: {gone.control.replace('_', ' ')} {gone.position}")

    def _write_events(self) -> None:
        for time, event in self.events.timed(self.last_line):
            self.files.event(time, event.control, event.position)

    def _refuse(
        self, port: _Port, reason: str, raw: bytes, now: float, *, counted_as: str | None = None
    ) -> None:
        counters, kind = port.counters, counted_as or reason
        if kind == HALF:
            counters.half_lines += 1
        elif kind == CHECKSUM:
            counters.bad_checksums += 1
        elif kind == CHANGED_COLUMNS:
            counters.changed_columns += 1
        else:
            counters.garbage += 1
        self._reject(now, port.table.label, reason, raw)

    def _reject(self, now: float, label: str, reason: str, raw: bytes | str) -> None:
        self._rejected += 1
        if self._rejected <= REJECTED_CAP:
            text = raw if isinstance(raw, str) else raw[:200].decode("ascii", "backslashreplace")
            self.files.rejected(now, label, reason, _printable(text))
        if self._rejected in (1, 10, 100, 1000, 10_000, 100_000):
            named = f"{self._rejected} line{'s' if self._rejected > 1 else ''}"
            self._say(now, f"{named} could not be used (last from {label}: {reason}).")

    def _say(self, now: float, text: str) -> None:
        self.messages.append(Message(now, text))


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if "," in cell or '"' in cell else cell


def _printable(text: str) -> str:
    return "".join(each if each.isprintable() else f"\\x{ord(each):02x}" for each in text)
