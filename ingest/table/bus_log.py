"""A log of bus traffic → its signals, by a DBC file and by what control units answered.

The signals of a message are named and scaled by the DBC (``[log] dbc``, read with cantools, of the
extra ``can``). Answers to requests of SAE J1979 service 01 need no DBC: their columns are
``engine_coolant``, ``intake_air``, ``ambient``, ``road_speed``, ``engine_speed``,
``module_voltage``, as where `record` asks for them itself. A frame is a row, with no reading in
the columns of other frames. Columns of one name are told apart by ``[log] sheet``, which names the
message or the control unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from ingest.bus.frames import ANSWER_IDS, LONG_ANSWER_IDS, read_answers
from ingest.bus.traffic import Frame, Traffic, needs_extra
from ingest.bus.values import VALUES
from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.regular import check_regular
from ingest.run import Finding
from ingest.table.typed import TypedColumns
from ingest.table.units import clean_unit, names_no_unit, unit_of_name
from ingest.values import dataclass

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

    from ingest.setup.model import LogTable

LEFT_OUT: Final = finding(
    "messages_left_out",
    "{count} of the identifiers in this log are told by {told} and were left out",
    do="Nothing, where the signals you need are there; else name the DBC that describes them in "
    "[log] dbc.",
)

MAX_DBC_BYTES: Final = 64 << 20
PREVIEW: Final = 50_000
"""Messages that are looked at for a draft."""
_NAMED: Final = 20

Key = tuple[int, int, bool]
"""Number of the bus, identifier, whether that has 29 bits."""


@dataclass
class _Group:
    """All frames of one message, or of one control unit's answers.

    Parameters
    ----------
    name
        What it is called in [log] sheet.
    message
        Its description; None for answers.
    rows
        The row of each frame.
    data
        Its bytes.
    """

    name: str
    message: Message | None
    rows: list[int] = field(default_factory=list)
    data: list[bytes] = field(default_factory=list)
    _decoded: dict[str, pl.Series] = field(default_factory=dict)

    def names(self) -> list[tuple[str, str | None]]:
        """Its columns with their units."""
        if self.message is not None:
            return [(each.name, _unit(each)) for each in self.message.signals]
        met = {each.value for frame in self.data for each in read_answers(frame)}
        return [(name, value.unit) for name, value in VALUES.items() if value.identifier in met]

    def column(self, name: str) -> pl.Series:
        """One value a frame: numbers, or texts where some are words or no reading."""
        if not self._decoded:
            found = _decode(self.message, self.data) if self.message else _answers(self.data)
            self._decoded.update(found)
        return self._decoded[name]


def read_bus_log(path: Path, log: LogTable, beside: Path, *, preview: bool = False) -> TypedColumns:
    """Read a log of bus traffic.

    Parameters
    ----------
    path
        The log, unpacked.
    log
        The set-up's `[log]`.
    beside
        The folder that the DBC lies in.
    preview
        Whether the first `PREVIEW` messages are enough.

    Raises
    ------
    UnusableRun
        Where the extra is missing, the log or the DBC cannot be read, or nothing in the log is
        described.
    """
    messages = {} if log.dbc is None else _messages(beside / log.dbc)
    traffic = Traffic(path)
    time: list[float] = []
    groups: dict[Key, _Group] = {}
    unknown: set[Key] = set()
    for frame in traffic.frames(PREVIEW if preview else None):
        key = (frame.channel, frame.identifier, frame.extended)
        group = groups.get(key)
        if group is None:
            if key in unknown:
                continue
            group = _group(frame, messages)
            if group is None:
                unknown.add(key)
                continue
            groups[key] = group
        elif group.message is None and not read_answers(frame.data):
            continue
        group.rows.append(len(time))
        group.data.append(frame.data)
        time.append(frame.time)
    if not groups:
        raise UnusableRun(_nothing(path.name, log.dbc, len(unknown)))
    _tell_apart(groups)
    chosen = _chosen(list(groups.values()), log.sheet, path.name)
    return _table(path.name, log, traffic, np.array(time), chosen, _findings(unknown, log.dbc))


def _group(frame: Frame, messages: Mapping[tuple[int, bool], Message]) -> _Group | None:
    message = messages.get((frame.identifier, frame.extended))
    if message is not None:
        return _Group(message.name, message)
    answers = frame.identifier in (LONG_ANSWER_IDS if frame.extended else ANSWER_IDS)
    if answers and read_answers(frame.data):
        return _Group(f"answers of {frame.identifier:X}", None)
    return None


def _tell_apart(groups: Mapping[Key, _Group]) -> None:
    """Name the bus where one message is on several."""
    names = [group.name for group in groups.values()]
    for (channel, _, _), group in groups.items():
        if names.count(group.name) > 1:
            group.name = f"{group.name} on bus {channel}"


def _chosen(groups: list[_Group], wanted: str | int | None, file: str) -> list[_Group]:
    if wanted is None:
        return groups
    if isinstance(wanted, int):
        found = groups[wanted - 1 : wanted] if wanted > 0 else []
    else:
        found = [group for group in groups if group.name == wanted.strip()]
    if found:
        return found
    named = ", ".join(f"{group.name!r} ({at})" for at, group in enumerate(groups[:_NAMED], 1))
    raise UnusableRun(
        Fault(
            "run.toml [log] sheet",
            f"{wanted!r}, which nothing in {file} is called",
            "a message or a control unit by its name or number",
            f"there are {named}",
        )
    )


def _table(
    name: str,
    log: LogTable,
    traffic: Traffic,
    time: np.ndarray[tuple[int], np.dtype[np.float64]],
    chosen: Sequence[_Group],
    findings: Sequence[Finding],
) -> TypedColumns:
    """The columns of some groups, in order of time."""
    rows = [np.array(group.rows, dtype=np.int64) for group in chosen]
    kept = np.concatenate(rows)
    order = kept[np.argsort(time[kept], kind="stable")]
    place = np.empty(time.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    columns = [(at, each, unit) for at, group in enumerate(chosen) for each, unit in group.names()]

    def read(index: int) -> pl.Series:
        if index == 0:
            return pl.Series(time[order])
        at, title, _ = columns[index - 1]
        values = chosen[at].column(title)
        back = np.full(order.size, values.len(), dtype=np.int64)
        back[place[rows[at]]] = np.arange(values.len())
        return values.extend(pl.Series([None], dtype=values.dtype)).gather(back)

    return TypedColumns(
        file=name,
        names=("time", *(title for _, title, _ in columns)),
        units=("s", *(unit for _, _, unit in columns)),
        height=int(order.size),
        read=read,
        no_reading=log.no_reading,
        findings=(*traffic.findings, *findings),
        groups=("the clock", *(chosen[at].name for at, _, _ in columns)),
        rejected=tuple(traffic.rejected),
        rejected_count=traffic.rejected_count,
    )


def _messages(path: Path) -> dict[tuple[int, bool], Message]:
    """The messages of a DBC by identifier and its kind.

    Raises
    ------
    UnusableRun
        Where it cannot be read.
    """
    try:
        from cantools import database
        from cantools.database.can import Database
    except ImportError as error:
        raise needs_extra(path.name) from error
    check_regular(path, MAX_DBC_BYTES, "a DBC file")
    try:
        # what overlaps is still described; it is the writer's to say what it means
        found = database.load_file(path, database_format="dbc", strict=False)
    except Exception as error:  # whatever the library makes of a damaged file
        first = (str(error).splitlines() or [""])[0] or type(error).__name__
        raise UnusableRun(
            Fault(path.name, f"no DBC ({first[:120]})", "a CAN database (DBC)", "export it again")
        ) from error
    if not isinstance(found, Database):
        raise UnusableRun(
            Fault(path.name, "no CAN database", "a DBC file", "name the right file in [log] dbc")
        )
    return {(each.frame_id, each.is_extended_frame): each for each in found.messages}


def _decode(message: Message, frames: Iterable[bytes]) -> dict[str, pl.Series]:
    """Every signal of a message, one value a frame."""
    cells: dict[str, list[float | str | None]] = {each.name: [] for each in message.signals}
    switched = {each.name for each in message.signals if each.multiplexer_ids is not None}
    always = _without(message, switched)
    for data in frames:
        values = _values(message, always, data)
        for signal in message.signals:
            value = values.get(signal.name)
            if value is None:
                cut = None if signal.name in switched else f"cut short: {data.hex() or 'empty'}"
                cells[signal.name].append(cut)
            elif isinstance(value, (int, float)):
                cells[signal.name].append(_within(signal, float(value)))
            else:
                cells[signal.name].append(str(value))
    return {name: _series(values) for name, values in cells.items()}


def _without(message: Message, switched: set[str]) -> Message:
    """The message with those signals alone that every frame carries."""
    from cantools.database.can import Message

    kept = [each for each in message.signals if each.name not in switched]
    return Message(message.frame_id, message.name, message.length, kept,
                   is_extended_frame=message.is_extended_frame, strict=False)  # fmt: skip


def _values(message: Message, always: Message, data: bytes) -> Mapping[str, object]:
    """What a frame holds; of one whose page the DBC does not describe, what every page has."""
    from cantools.database import DecodeError

    for each in (message, always):
        try:
            said = each.decode(data, allow_truncated=True)
        except DecodeError:
            continue
        return said if isinstance(said, dict) else {}
    return {}


def _within(signal: Signal, value: float) -> float | str:
    """The value, or a text that says that it lies beyond what the DBC allows."""
    low, high = signal.minimum, signal.maximum
    if low is None or high is None or low >= high:
        return value
    edge = abs(float(signal.scale)) / 2.0
    if low - edge <= value <= high + edge:
        return value
    return f"beyond {low:g} to {high:g}: {value:g}"


def _answers(frames: Sequence[bytes]) -> dict[str, pl.Series]:
    """Every value that a control unit answered with, one a frame."""
    names = {value.identifier: name for name, value in VALUES.items()}
    cells: dict[str, list[float | str | None]] = {name: [None] * len(frames) for name in VALUES}
    for place, frame in enumerate(frames):
        for each in read_answers(frame):
            name = names.get(each.value)
            if name is not None:
                cells[name][place] = float(VALUES[name].number(each.data))
    return {name: _series(values) for name, values in cells.items()}


def _series(values: list[float | str | None]) -> pl.Series:
    if any(isinstance(each, str) for each in values):
        texts = [repr(each) if isinstance(each, float) else each for each in values]
        return pl.Series(texts, dtype=pl.String)
    return pl.Series(values, dtype=pl.Float64)


def _unit(signal: Signal) -> str | None:
    unit = (signal.unit or "").strip()
    if unit and not names_no_unit(unit):
        return clean_unit(unit)
    return unit_of_name(signal.name)


def _findings(unknown: set[Key], dbc: str | None) -> list[Finding]:
    if not unknown:
        return []
    told = "no DBC" if dbc is None else f"no message of {dbc}"
    return [LEFT_OUT.found(count=len(unknown), told=told, evidence={"count": float(len(unknown))})]


def _nothing(file: str, dbc: str | None, unknown: int) -> Fault:
    if not unknown:
        return Fault(file, "no data frame", "a log of bus traffic", "check that it was recording")
    if dbc is None:
        return Fault(
            file,
            f"frames under {unknown} identifiers and none that needs no description",
            "answers of control units (SAE J1979), or a DBC file that describes the frames",
            'put the DBC beside the log and name it: [log] dbc = "bus.dbc"',
        )
    return Fault(
        file,
        f"frames under {unknown} identifiers, of which {dbc} describes none",
        "the DBC of this bus",
        "name the right file in [log] dbc",
    )
