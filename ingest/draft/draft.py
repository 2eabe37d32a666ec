"""A first run.toml for a log: proposes points and units, and marks what is not clear.

Everything is inferred from names and units, never from the size of numbers. What is sure stands in
the text as it is; what is only likely carries ``CHECK``; what is not clear is left out and
listed in a comment, and ``FILL IN`` marks what no log can say (which car it was).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.items import InlineTable
from tomlkit.items import Table as TomlTable

from ingest.clock.detect import complete_time, time_unit
from ingest.draft.beside import dbc_beside
from ingest.draft.long_layout import LongLayout, find_long
from ingest.draft.names import Proposal, propose
from ingest.errors import Fault, UnusableRun, WrongUse
from ingest.events.beside import events_beside
from ingest.load.doubts import PLACEHOLDER
from ingest.points import POINTS
from ingest.regular import NO_FILE
from ingest.sensors.units import UnknownUnit, conversion
from ingest.setup.model import LogTable, TimeTable
from ingest.table.open import kind_of_log, open_log
from ingest.table.text.layout import are_summaries
from ingest.values import dataclass

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.table.columns import Columns

_PREVIEW: Final = 1 << 20
"""Bytes of the log that are looked at."""
_LISTED: Final = 200
"""Columns without a point that are listed one by one."""


@dataclass(frozen=True)
class Draft:
    """A drafted set-up.

    Parameters
    ----------
    text
        Of the run.toml.
    proposals
        One a column (a channel of a long log) besides the time.
    time
        The time column or columns, or None where they are not clear.
    time_note
        What is to be said about the time; empty where there is nothing.
    """

    text: str
    proposals: tuple[Proposal, ...]
    time: TimeTable | None
    time_note: str


def draft_setup(path: Path, sheet: str | int | None = None) -> Draft:
    """Draft a run.toml from the names and units of a log.

    Parameters
    ----------
    path
        The log.
    sheet
        Of a workbook the sheet, of a measurement file the group; asked for where several may be
        the log.

    Raises
    ------
    WrongUse
        Where a sheet is asked for of a log that has none.
    UnusableRun
        Where there is no such file, or it holds no table.
    """
    if not path.is_file():
        found = NO_FILE if path.exists() else "no such file"
        raise UnusableRun(Fault(str(path), found, "the log to draft for", "correct the path"))
    dbc = dbc_beside(path)
    if sheet is not None and kind_of_log(path) not in ("workbook", "mdf"):
        raise WrongUse(
            Fault("--sheet", repr(sheet), "none: this log has no sheets", "leave --sheet out")
        )
    table = open_log(path, LogTable(file=path.name, sheet=sheet, dbc=dbc), max_bytes=_PREVIEW)
    assert table is not None  # noqa: S101 - no size was named that it may not have
    time, time_note = _find_time(table)
    long = find_long(table, _indices(table, time))
    cut = path.stat().st_size > _PREVIEW
    proposals = _of_wide(table, time, cut=cut) if long is None else _of_long(table, long)
    by_number = _numbered(table)
    document = tomlkit.document()
    _write_run(document)
    log = _write_log(document, path.name, table, time, time_note, by_number=by_number)
    if sheet is not None:
        log["sheet"] = sheet
    if dbc is not None:
        log["dbc"] = dbc
    if long is not None:
        log["layout"] = "long"
        if not long.sure:
            log["layout"].comment(
                "CHECK: inferred from repeated words, not from the columns' names"
            )
        for key, place in (("name", long.name), ("value", long.value), ("unit", long.unit)):
            if place is not None:
                log[key] = _reference(table, place, by_number=by_number)
    _write_events(document, events_beside(path))
    _write_channels(document, proposals, by_number=by_number and long is None)
    return Draft(tomlkit.dumps(document), proposals, time, time_note)


def _of_long(table: Columns, long: LongLayout) -> tuple[Proposal, ...]:
    channels = [(0, name, unit) for name, unit in long.channels]
    return tuple(propose(channels, of_station=_of_station(table)))


def _of_wide(table: Columns, time: TimeTable | None, *, cut: bool) -> tuple[Proposal, ...]:
    """Proposals for the columns besides the time; one without a reading claims no point."""
    table.prepare(numbers=range(table.width))
    reason = "it holds no reading" + (" in the first part of the log" if cut else "")
    taken = _indices(table, time)
    columns: list[tuple[int, str, str | None]] = []
    bare: list[Proposal] = []
    for at, name in enumerate(table.names):
        if at in taken:
            continue
        unit = table.units[at] or _cell_unit(table, at)
        if _has_readings(table, at):
            columns.append((at + 1, name, unit))
        else:
            bare.append(Proposal(at + 1, name, None, unit, "unknown", reason))
    found = [*propose(columns, of_station=_of_station(table)), *bare]
    return tuple(sorted(found, key=lambda each: each.column))


def _find_time(table: Columns) -> tuple[TimeTable | None, str]:
    try:
        return complete_time(table, None), ""
    except UnusableRun as error:
        fault = error.faults[0]
    unit = time_unit(_cell_unit(table, 0) or "")
    if unit is not None:
        return TimeTable(column=1, unit=unit), ""
    return None, f"{fault.found}; {fault.remedy}"


def _indices(table: Columns, time: TimeTable | None) -> tuple[int, ...]:
    if time is None:
        return ()
    refs = time.columns if time.columns is not None else (time.column,)
    return tuple(table.find(ref) for ref in refs if ref is not None)


def _cell_unit(table: Columns, at: int) -> str | None:
    """The unit that stands inside the cells, where it is always the same."""
    units = table.numbers(at).cell_units
    return next(iter(units)) if len(units) == 1 else None


def _has_readings(table: Columns, at: int) -> bool:
    """Whether a column holds a number, or a word that is none for no reading."""
    numbers = table.numbers(at)
    return numbers.values.null_count() < len(numbers.values) or numbers.bad_count > 0


def _of_station(table: Columns) -> bool:
    """Whether a row above the readings says how each was made of many (``,,Mean,Max``)."""
    return any(are_summaries(row) for row in table.remarks)


def _numbered(table: Columns) -> bool:
    """Whether columns are better named by their numbers: no header, or names that repeat."""
    return not table.has_names or not all(table.names)


def _reference(table: Columns, at: int, *, by_number: bool) -> str | int:
    name = table.names[at]
    return at + 1 if by_number or table.names.count(name) > 1 else name


def _write_run(document: TOMLDocument) -> None:
    document.add(tomlkit.comment("Drafted from the log. FILL IN what no log can say, CHECK what"))
    document.add(tomlkit.comment("is only likely, and add what is missing."))
    run = tomlkit.table()
    run.add("vehicle", PLACEHOLDER)
    run["vehicle"].comment("FILL IN: which car")
    for line in (
        'family = "..."         # which cars it may be compared with',
        'purpose = "complaint"  # complaint | after-repair | baseline | road-test',
        'heater = "blend-air"   # FILL IN: blend-air | water-valve | combined',
    ):
        run.add(tomlkit.comment(line))
    document.add("run", run)


def _write_log(
    document: TOMLDocument,
    file: str,
    table: Columns,
    time: TimeTable | None,
    note: str,
    *,
    by_number: bool,
) -> TomlTable:
    log = tomlkit.table()
    log.add("file", file)
    if time is not None:
        log.add("time", _time_value(table, time, by_number=by_number))
    else:
        log.add(tomlkit.comment(f"FILL IN the time: {_one_line(note)}"))
        if "time = {" not in note:
            log.add(tomlkit.comment('time = { column = "...", unit = "s" }'))
    if not table.has_names:
        log.add("header", False)
    for finding in table.findings:
        log.add(tomlkit.comment(f"CHECK: {_one_line(finding.detail)}"))
    document.add(tomlkit.nl())
    document.add("log", log)
    return log


def _time_value(table: Columns, time: TimeTable, *, by_number: bool) -> InlineTable:
    value = tomlkit.inline_table()
    refs = [_reference(table, at, by_number=by_number) for at in _indices(table, time)]
    if time.columns is not None:
        value["columns"] = refs
    else:
        value["column"] = refs[0]
    for key in ("unit", "format", "timezone"):
        if getattr(time, key) is not None:
            value[key] = getattr(time, key)
    return value


def _write_events(document: TOMLDocument, beside: Path | None) -> None:
    if beside is None:
        return
    events = tomlkit.table()
    events.add("file", beside.name)
    document.add(tomlkit.nl())
    document.add("events", events)


def _write_channels(
    document: TOMLDocument, proposals: tuple[Proposal, ...], *, by_number: bool
) -> None:
    told = [proposal for proposal in proposals if proposal.point is not None]
    names = [proposal.name for proposal in proposals]
    has_junction = any(proposal.point == "cold_junction" for proposal in told)
    channels = tomlkit.table(is_super_table=True)
    for proposal in told:
        numbered = by_number or names.count(proposal.name) > 1
        channel = _channel(proposal, numbered=numbered, has_junction=has_junction)
        channels.add(str(proposal.point), channel)
    if told:
        document.add(tomlkit.nl())
        document.add("channels", channels)
    unknown = [proposal for proposal in proposals if proposal.point is None]
    if not unknown:
        return
    document.add(tomlkit.nl())
    document.add(
        tomlkit.comment("No measuring point was found for these. Where there is one, add:")
    )
    document.add(tomlkit.comment("  [channels.POINT]"))
    document.add(tomlkit.comment('  column = "NAME"   # or its number'))
    left = sorted(set(POINTS) - {str(proposal.point) for proposal in told})
    document.add(tomlkit.comment("Points without a column: " + ", ".join(left)))
    for proposal in unknown[:_LISTED]:
        document.add(tomlkit.comment(_listed(proposal)))
    if len(unknown) > _LISTED:
        document.add(tomlkit.comment(f"  and {len(unknown) - _LISTED} more"))


def _listed(proposal: Proposal) -> str:
    number = f"column {proposal.column}, " if proposal.column else ""
    unit = f" in {proposal.unit}" if proposal.unit else ""
    return _one_line(f"  {number}{proposal.name!r}{unit}: {proposal.reason}")


def _channel(proposal: Proposal, *, numbered: bool, has_junction: bool) -> TomlTable:
    channel = tomlkit.table()
    channel.add("column", proposal.column if numbered else proposal.name)
    if proposal.confidence != "sure":
        channel["column"].comment(f"CHECK: {_one_line(proposal.reason)}")
    dimension = reference = None
    if proposal.unit is None:
        channel.add(tomlkit.comment('unit = "..."   # FILL IN: the log does not say it'))
    else:
        channel.add("unit", proposal.unit)
        try:
            found = conversion(proposal.unit, POINTS[str(proposal.point)].name)
        except UnknownUnit:
            channel["unit"].comment("CHECK: no unit that is known")
        else:
            dimension, reference = found.dimension, found.reference
    quantity = POINTS[str(proposal.point)].name
    if quantity == "temperature" and dimension == "voltage":
        _add_thermocouple(channel, proposal, has_junction=has_junction)
    elif dimension is not None and dimension != quantity:
        channel.add(tomlkit.comment('FILL IN: scale = { from = [...], to = [...], unit = "..." }'))
    elif quantity == "pressure" and reference is None:
        channel.add(tomlkit.comment('reference = "vacuum"   # CHECK: vacuum | gauge | absolute'))
    return channel


def _add_thermocouple(channel: TomlTable, proposal: Proposal, *, has_junction: bool) -> None:
    channel.add("sensor", "thermocouple")
    channel.add("type", proposal.thermocouple or "K")
    channel["type"].comment(
        "CHECK: from its name" if proposal.thermocouple else "CHECK: the log does not say the type"
    )
    if has_junction:
        channel.add("cold_junction", "cold_junction")
    else:
        channel.add(
            tomlkit.comment('cold_junction = "23 degC"   # FILL IN: a channel or a temperature')
        )


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
