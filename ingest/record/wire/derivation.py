"""Which table a recording's lines make, and the run.toml that describes it.

Two ways. *As received*: one port of CSV lines that carry the logger's own time; the log is what the
logger printed, whatever its dialect, less what is no line. *By column*: every other case; one wide
CSV whose first column is the host's clock, each port filling its own columns.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ingest.bus.values import unit_faults
from ingest.errors import Fault, UnusableRun
from ingest.files import SETUP_NAME, read_text
from ingest.setup.model import Setup, parse_setup
from ingest.setup.serial import HOST_COLUMN, PortTable, SerialTable, read_serial, with_ports
from ingest.setup.toml_text import parse_document
from ingest.values import dataclass

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

LOG_NAME: Final = "log.csv"
EVENTS_NAME: Final = "events.csv"
_DIALECT: Final = ("delimiter", "decimal", "thousands", "encoding", "units_row", "header")


@dataclass(frozen=True)
class Derivation:
    """How the lines of a recording become its log.

    Parameters
    ----------
    ports
        The ports.
    as_received
        Whether the log is the lines as they came.
    host_time
        Whether the log's time is the host's clock.
    header
        The log's first line; None where the logger prints it itself, or there is none.
    columns
        By column only: the log's columns, `HOST_COLUMN` first.
    first_column
        By column only: for each port, where its columns begin in `columns`.
    port_columns
        For each port, its columns in the order of its cells, without prefix; empty where the
        lines themselves name them or stay as they are.
    setup
        The set-up, as the run folder's run.toml has it.
    """

    ports: tuple[PortTable, ...]
    as_received: bool
    host_time: bool
    header: str | None
    columns: tuple[str, ...]
    first_column: tuple[int, ...]
    port_columns: tuple[tuple[str, ...], ...]
    setup: Setup


def make_derivation(setup: Setup, serial: SerialTable) -> Derivation:
    """Work out the log of a recording.

    Raises
    ------
    UnusableRun
        Where the ports cannot fill the columns that the set-up names.
    """
    ports = serial.port
    host = _host_time(setup, ports)
    if len(ports) == 1 and ports[0].format == "csv" and not host:
        own = ports[0].columns
        delimiter = ports[0].delimiter or setup.log.delimiter or ","
        header = delimiter.join(own) if own and setup.log.header is not False else None
        _raise(_missing(setup, own) if own and setup.log.layout == "wide" else [])
        return Derivation(ports, True, False, header, (), (0,), (own,), setup)
    faults: list[Fault] = []
    columns, first, each_own = [HOST_COLUMN], [], []
    wanted = _wanted(setup, faults)
    for at, port in enumerate(ports):
        own = port.own_columns or tuple(
            name.removeprefix(port.prefix)
            for name in wanted
            if name.startswith(port.prefix) and not _is_anothers(name, port, ports)
        )
        if not own:
            faults.append(
                Fault(
                    f"run.toml [serial] port {at + 1}",
                    "no columns",
                    "the names of what its lines hold, in their order",
                    'write columns = ["...", "..."]',
                )
            )
        first.append(len(columns))
        each_own.append(own)
        columns += [port.prefix + name for name in own]
    twice = sorted({name for name in columns if columns.count(name) > 1})
    if twice:
        faults.append(
            Fault(
                "run.toml [serial]",
                f"columns of one name: {', '.join(twice)}",
                "every column once",
                'give each port its own prefix = "..."',
            )
        )
    _raise([*faults, *_missing(setup, columns), *unit_faults(setup, ports)])
    return Derivation(
        ports, False, host, ",".join(map(_quoted, columns)), tuple(columns), tuple(first),
        tuple(each_own), setup,
    )  # fmt: skip


def _raise(faults: list[Fault]) -> None:
    if faults:
        raise UnusableRun(faults)


def _quoted(name: str) -> str:
    if any(mark in name for mark in ',"\n'):
        return '"' + name.replace('"', '""') + '"'
    return name


def _host_time(setup: Setup, ports: tuple[PortTable, ...]) -> bool:
    time = setup.log.time
    own = time is not None and time.column != HOST_COLUMN
    asked = {port.time for port in ports if port.time}
    if len(ports) > 1 or ports[0].format in {"query", "modbus", "can"}:
        if own or "logger" in asked:
            raise UnusableRun(
                Fault(
                    "run.toml [log] time" if own else "run.toml [serial] time",
                    "a logger's own time for a log of "
                    + ("several ports" if len(ports) > 1 else "answers"),
                    "the host's clock, which all readings share",
                    "leave time out; it is filled in",
                )
            )
        return True
    if asked:
        return asked == {"host"}
    if time is not None:
        return not own
    return ports[0].format != "csv"


def _wanted(setup: Setup, faults: list[Fault]) -> list[str]:
    """The columns the set-up names, once each."""
    names: list[str] = []
    refs: list[tuple[str, str | int]] = [
        (f"[channels.{point}] column", table.column)
        for point, table in setup.channels.items()
        if table.column is not None
    ]
    time = setup.log.time
    if time is not None and time.column is not None:
        refs.insert(0, ("[log] time.column", time.column))
    for where, ref in refs:
        if isinstance(ref, int):
            faults.append(
                Fault(
                    f"run.toml {where}",
                    f"the number {ref}",
                    "a column's name: this log is put together from the lines",
                    "name the columns in [serial] and write the name here",
                )
            )
        elif ref not in names and ref != HOST_COLUMN:
            names.append(ref)
    if setup.log.layout == "long":
        faults.append(
            Fault(
                'run.toml [log] layout = "long"',
                "one reading a line",
                "one column a channel, with the host's clock or several ports",
                'record with time = "logger" from one port, or name the columns',
            )
        )
    return names


def _is_anothers(name: str, port: PortTable, ports: tuple[PortTable, ...]) -> bool:
    """Whether a port with a longer prefix, or one that states the column, claims a name."""
    for other in ports:
        if other is port:
            continue
        if name in {other.prefix + own for own in other.own_columns}:
            return True
        if len(other.prefix) > len(port.prefix) and name.startswith(other.prefix):
            return True
    return False


def _missing(setup: Setup, columns: Iterable[str]) -> list[Fault]:
    there = list(columns)
    bare = {name.strip() for name in there}
    return [
        Fault(
            f"run.toml [channels.{point}] column",
            repr(table.column),
            f"one of the columns of the line: {', '.join(there)}",
            "correct the name here or in [serial] columns",
        )
        for point, table in setup.channels.items()
        if isinstance(table.column, str) and table.column.strip() not in bare
    ]


def complete_setup(text: str, derivation: Derivation) -> str:
    """The text of a run folder's run.toml: the technician's own, with what recording fills in."""
    import tomlkit

    document = parse_document(text, SETUP_NAME)
    log: Any = document.setdefault("log", tomlkit.table())
    log["file"] = LOG_NAME
    if derivation.as_received:
        log.pop("encoding", None)  # the log is written as UTF-8
    else:
        for key in _DIALECT:
            log.pop(key, None)
        log.update({"delimiter": ",", "decimal": ".", "header": True})
        if derivation.host_time:
            time = tomlkit.inline_table()
            time.update({"column": HOST_COLUMN, "unit": "s"})
            log["time"] = time
    events: Any = document.setdefault("events", tomlkit.table())
    events["file"] = EVENTS_NAME
    if derivation.host_time:
        events.pop("offset", None)  # both are the host's clock
    _store_ports(document, derivation)
    return tomlkit.dumps(document)


def _store_ports(document: TOMLDocument, derivation: Derivation) -> None:
    """Write down where the ports were, so that a recording can go on without being told again."""
    import tomlkit

    serial: Any = document.setdefault("serial", tomlkit.table())
    tables = serial.get("port")
    for at, port in enumerate(derivation.ports):
        table = serial if tables is None else tables[at]
        for key in ("url", "usb", "serial_number", "description"):
            value = getattr(port, key)
            if value is None:
                table.pop(key, None)
            else:
                table[key] = value


def open_derivation(path: Path, ports: tuple[str, ...] = ()) -> tuple[Derivation, str]:
    """Read a run.toml for recording.

    Parameters
    ----------
    path
        The run.toml; its ``[log] file`` may be missing.
    ports
        Ports named on the command line (`ingest.setup.serial.with_ports`).

    Returns
    -------
    tuple
        The derivation, and the text of the run.toml that belongs in the run folder.

    Raises
    ------
    UnusableRun
        Where it is no set-up for recording.
    """
    text = read_text(path)
    setup = parse_setup(_with_log(text, path.name), path.name)
    derivation = make_derivation(setup, with_ports(read_serial(setup, path.name), ports))
    completed = complete_setup(text, derivation)
    setup = parse_setup(completed, SETUP_NAME)
    return make_derivation(setup, SerialTable(port=derivation.ports)), completed


def _with_log(text: str, file: str) -> str:
    """The text with a ``[log] file``, which a set-up for recording need not name."""
    import tomlkit

    document = parse_document(text, file)
    log: Any = document.setdefault("log", tomlkit.table())
    if isinstance(log, dict):
        log.setdefault("file", LOG_NAME)
    return tomlkit.dumps(document)
