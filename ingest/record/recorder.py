"""Records serial ports into a run folder.

::

    with Recorder.create(Path("run.toml"), Path("SC-014"), ("COM5",)) as recorder:
        recorder.note_event("temp_lever", "100")
        recorder.counters.rows

What the ports give goes to the journal first (`ingest.record.journal`); a thread makes the log of
it (`ingest.record.wire.deriver`) a few times a second. After a crash the same code makes the log
again.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

from ingest.access import usual, write
from ingest.errors import LukewarmError, UnusableRun
from ingest.files import write_text
from ingest.findings import finding
from ingest.record import recover
from ingest.record.folder import cannot_write, hold, known_folder, new_folder
from ingest.record.inbox import Inbox
from ingest.record.journal import FOLDER, Damage, Journal, JournalError, Kind, Record, monotonic_ns
from ingest.record.ports.open import make_reader
from ingest.record.ports.reader import PortReader, claim_all
from ingest.record.said import CAUTIONS as CAUTIONS
from ingest.record.said import PortState as PortState
from ingest.record.said import Summary as Summary
from ingest.record.wire.count import Counters
from ingest.record.wire.deriver import Deriver, Latest, Message
from ingest.record.wire.events import NotedEvent, check_event
from ingest.record.wire.files import DerivedFiles
from ingest.record.wire.stamp import see_line
from ingest.record.wire.time import clock_note
from ingest.run import Finding
from ingest.setup.serial import SerialTable

if TYPE_CHECKING:
    from collections.abc import Callable

    from ingest.record.wire.derivation import Derivation
    from ingest.setup.model import Setup

RECORDING_STOPPED: Final = finding(
    "recording_stopped",
    "The recording stopped by itself: {failure}",
    do="Put right what is named and go on with lukewarm record --resume.",
)

DERIVE_EVERY_S: Final = 0.2
CLOCK_EVERY_S: Final = 10.0
RESERVE_BYTES: Final = 1 << 18
"""Room set aside so that a recording on a full disk can still be ended in order."""
_RESERVE: Final = "reserve"
_JOIN_S: Final = 5.0


class Recorder:
    """One recording; made by `create` or `resume`. Safe to use from several threads.

    Parameters
    ----------
    folder
        The run folder, with its run.toml.
    derivation
        How lines become the log.
    on_sync
        See `Journal`.
    """

    def __init__(
        self,
        folder: Path,
        derivation: Derivation,
        *,
        on_sync: Callable[[int, int], None] | None = None,
    ) -> None:
        self.folder = folder
        self.derivation = derivation
        self.failure: str | None = None
        self._on_sync = on_sync
        self._lock = threading.Lock()
        self._queue: deque[Record] = deque()
        self._take_lock = threading.Lock()
        self._stopping = threading.Event()
        self._damage = Damage()
        self._summary: Summary | None = None
        self._readers: list[PortReader] = []
        self._thread: threading.Thread | None = None
        self._held = recover.recording_lock(folder)
        self._files: DerivedFiles | None = None
        self._journal: Journal | None = None
        self._deriver: Deriver | None = None
        self._files_whole = True
        self._inbox = Inbox(folder)
        self._doubts: dict[str, str] = {}

    @classmethod
    def create(
        cls,
        setup_path: Path,
        folder: Path,
        ports: tuple[str, ...] = (),
        *,
        on_sync: Callable[[int, int], None] | None = None,
    ) -> Recorder:
        """Make a new run folder to record into.

        Parameters
        ----------
        setup_path
            The run.toml to begin with.
        folder
            The run folder; it must not exist or be empty.
        ports
            Ports, see `ingest.setup.serial.with_ports`.

        Raises
        ------
        UnusableRun
            With one fault for each thing that is wrong.
        """
        return cls(folder, new_folder(setup_path, folder, ports), on_sync=on_sync)

    @classmethod
    def resume(
        cls,
        folder: Path,
        ports: tuple[str, ...] = (),
        *,
        on_sync: Callable[[int, int], None] | None = None,
    ) -> Recorder:
        """Go on recording into a run folder.

        Raises
        ------
        UnusableRun
            Where it is no recorded run.
        """
        return cls(folder, known_folder(folder, ports), on_sync=on_sync)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def setup(self) -> Setup:
        """The set-up in the run folder."""
        return self.derivation.setup

    @property
    def serial(self) -> SerialTable:
        """Its ports."""
        return SerialTable(port=self.derivation.ports)

    @property
    def running(self) -> bool:
        """Whether it records."""
        thread = self._thread
        return thread is not None and thread.is_alive() and not self._stopping.is_set()

    def start(self) -> None:
        """Start recording.

        Raises
        ------
        UnusableRun
            Where another process records into this folder, or it cannot be written.
        """
        hold(self._held, self.folder)
        self._readers = [
            make_reader(at, table, self._take) for at, table in enumerate(self.derivation.ports)
        ]
        try:
            claim_all(self._readers)
            self._open()
        except OSError as error:
            self._give_up()
            raise UnusableRun(cannot_write(self.folder, error)) from error
        except LukewarmError:
            self._give_up()
            raise
        self._thread = threading.Thread(target=self._derive_loop, name="recorder", daemon=True)
        self._thread.start()
        for reader in self._readers:
            reader.start()

    def _give_up(self) -> None:
        for reader in self._readers:
            reader.release()
        self._held.release()

    def stop(self) -> Summary:
        """End the recording; everything received is written before this returns."""
        if self._summary is None:
            self._stopping.set()
            if self._thread is not None:
                self._thread.join()
            self._summary = self._close()
        return self._summary

    def host_s(self) -> float:
        """Time since the recording started, s."""
        return self._derive().clock.seconds(monotonic_ns())

    def note_event(self, control: str, position: str, when: float | None = None) -> None:
        """Note a control event.

        Parameters
        ----------
        control, position
            As in an events file.
        when
            Time of `host_s`; now, where it is not given.

        Raises
        ------
        ValueError
            Where the control cannot stand there.
        JournalError
            Where it cannot be written.
        """
        name, position = check_event(control, position)
        mono = None if when is None else self._derive().clock.mono_ns(when)
        note = json.dumps({"control": name, "position": position}, ensure_ascii=False)
        self._take(0, Kind.EVENT, note.encode(), mono)

    def undo_event(self) -> None:
        """Take back the event noted by hand last; the journal keeps both.

        Raises
        ------
        JournalError
            Where it cannot be written.
        """
        self._take(0, Kind.EVENT, b'{"undo": true}')

    def noted(self) -> tuple[NotedEvent, ...]:
        """Every control event so far, in the order of its coming, less those taken back."""
        with self._lock:
            if self.running:
                self._drain()
            return tuple(self._derive().events.noted)

    def latest(self) -> dict[str, Latest]:
        """The newest cell of each column of the log."""
        return {name: cell for name, cell in self._cells().items() if cell.text}

    def _cells(self) -> dict[str, Latest]:
        deriver = self._derive()
        with self._lock:
            if not self.derivation.as_received:
                return dict(deriver.cells)
            line, head = deriver.last_line, deriver.events.head
        seen = line and see_line(head, line[0], self.setup.log)
        if line is None or not seen:
            return {}
        return {name: Latest(cell, line[1]) for name, cell in seen.cells.items()}

    @property
    def counters(self) -> Counters:
        """What was counted so far."""
        with self._lock:
            return self._derive().counters

    def ports_state(self) -> tuple[PortState, ...]:
        """How each port is doing."""
        deriver, now = self._derive(), monotonic_ns()
        return tuple(
            reader.port_state(deriver.clock, count, now)
            for reader, count in zip(self._readers, deriver.counts, strict=True)
        )

    def messages(self) -> list[Message]:
        """What happened since this was last asked."""
        with self._lock:
            found = self._derive().messages
            taken = list(found)
            found.clear()
        return taken

    def _derive(self) -> Deriver:
        if self._deriver is None:
            msg = "the recorder was not started"
            raise RuntimeError(msg)
        return self._deriver

    def _open(self) -> None:
        """Bring the files up to the journal's state, then begin a new segment."""
        # said before the files are begun anew: after a crash in between they are not to be trusted
        write_text(
            self.folder / recover.STATE_NAME, json.dumps({"state": "recording"}) + "\n", usual()
        )
        self._files = DerivedFiles(self.folder, fresh=True)
        self._deriver = Deriver(self.derivation, self._files)
        self._damage = recover.replay_journal(self.folder, self._deriver)
        self._deriver.messages.clear()
        reserve = self.folder / FOLDER / _RESERVE
        write(reserve, bytes(RESERVE_BYTES))
        self._write_state("recording", [])
        self._journal = Journal(self.folder, self._on_sync)
        self._take(0, Kind.CLOCK, clock_note(first=True))
        with self._lock:
            self._drain()

    def _take(self, port: int, kind: Kind, payload: bytes, mono_ns: int | None = None) -> None:
        if self._journal is None:
            raise JournalError("the recording has ended")
        with self._take_lock:  # the journal's order is the order in which records are made use of
            self._queue.append(self._journal.append(port, kind, payload, mono_ns))

    def _drain(self) -> None:
        deriver = self._derive()
        while self._queue:
            deriver.feed(self._queue.popleft())
        try:
            deriver.files.flush()
        except OSError:
            self._files_whole = False
            raise

    def _derive_loop(self) -> None:
        clock_due = monotonic_ns()
        try:
            while not self._stopping.wait(DERIVE_EVERY_S):
                if monotonic_ns() - clock_due > CLOCK_EVERY_S * 1e9:
                    clock_due = monotonic_ns()
                    self._take(0, Kind.CLOCK, clock_note(first=False))
                self._inbox.empty(self.note_event, self._say)
                with self._lock:
                    self._drain()
                self._look_at_readers()
            self._stop_readers()
            self._take(0, Kind.CLOCK, clock_note(first=False))
            with self._lock:
                self._drain()
        except JournalError as error:
            self._fail(str(error))
        except OSError as error:
            self._fail(str(cannot_write(self.folder, error)))

    def _look_at_readers(self) -> None:
        for reader in self._readers:
            if isinstance(reader.error, JournalError):
                raise reader.error
        for port in self.ports_state():
            if port.state == "open" and port.reason != self._doubts.get(port.name, ""):
                if port.reason and not self._doubts.get(port.name):
                    self._say(f"{port.name}: {port.reason}")
                self._doubts[port.name] = port.reason
        if self._readers and all(reader.error is not None for reader in self._readers):
            self._fail(str(self._readers[0].error))

    def _say(self, text: str) -> None:
        with self._lock:
            deriver = self._derive()
            deriver.messages.append(Message(deriver.clock.seconds(monotonic_ns()), text))

    def _stop_readers(self) -> None:
        for reader in self._readers:
            reader.stop()
        for reader in self._readers:
            if reader.is_alive():
                reader.join(_JOIN_S)

    def _fail(self, reason: str) -> None:
        """Stop by itself: what was received is kept, and the files are ended in order."""
        self.failure = reason
        self._stopping.set()
        self._stop_readers()
        with contextlib.suppress(OSError):
            (self.folder / FOLDER / _RESERVE).unlink(missing_ok=True)
        self._say(f"Recording has stopped: {reason}")
        if self._files_whole:
            with contextlib.suppress(OSError), self._lock:
                self._drain()

    def _close(self) -> Summary:
        deriver = self._derive()
        if self._journal is not None:
            self._journal.close()
        findings: list[Finding] = []
        try:
            with self._lock:
                deriver.finish()
                if self._files_whole:
                    self._drain()
            if self._files is not None:
                self._files.close(durable=self._files_whole)
            if self._files_whole:
                findings = self._findings(deriver)
                (self.folder / FOLDER / _RESERVE).unlink(missing_ok=True)
                self._write_state("closed", findings)
        except (OSError, UnusableRun) as error:
            # the journal has everything; the files are made again when the run is loaded
            self.failure = self.failure or str(error)
        finally:
            self._held.release()
        return Summary(
            deriver.counters, tuple(findings), round(deriver.clock.last_s, 3), self.failure
        )

    def _findings(self, deriver: Deriver) -> list[Finding]:
        log = self.folder / self.setup.log.file
        findings = recover.recording_findings(deriver, log, self._damage, closed=True)
        if self.failure is not None:
            findings.append(RECORDING_STOPPED.found(failure=self.failure))
        return findings

    def _write_state(self, state: str, findings: list[Finding]) -> None:
        found: dict[str, Any] = recover.state_of(self.folder, self._derive(), state, findings)
        write_text(self.folder / recover.STATE_NAME, json.dumps(found, indent=1) + "\n", usual())
