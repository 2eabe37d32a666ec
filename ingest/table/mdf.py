"""A measurement file (ASAM MDF) → its channels, through asammdf, which is an extra (``mf4``).

A file holds groups of channels, each with a clock of its own. Where several groups count time,
their channels stand side by side on the union of the times, with no reading where a group has
none; channels of one name are told apart by ``[log] sheet``, which names the group. Conversion
rules are carried out, and samples that the file marks as invalid hold no reading.
"""

from __future__ import annotations

import contextlib
import gc
import io
import sys
import warnings
import weakref
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.run import Finding
from ingest.table.typed import TypedColumns
from ingest.table.units import clean_unit, names_no_unit, unit_of_name
from ingest.values import dataclass

if TYPE_CHECKING:
    from asammdf import MDF

    from ingest.setup.model import LogTable

LARGEST: Final = 1 << 30
"""Bytes; read whole, as the file may lie in an archive."""
MAX_CELLS: Final = 200_000_000
"""Most samples that the groups together may unpack to."""
GROUPS_LEFT_OUT: Final = finding(
    "groups_left_out",
    "groups that do not count time were left out: {names}",
    do="Nothing, where the channels you need are elsewhere; else export them with their time.",
)
GROUPS_JOINED: Final = finding(
    "groups_joined",
    "{count} groups with clocks of their own stand side by side on all their times; a channel has "
    "no reading where its group has none",
    do="Nothing: each channel keeps its own times.",
)

_NAMED: Final = 20
_MASTERS: Final = (2, 3)
"""Channel types of clocks: master and virtual master (ASAM MDF 4, channel block)."""
_TIME: Final = 1
"""Synchronization type of a clock that counts seconds."""


@dataclass(frozen=True)
class _Group:
    """One group of channels with its clock.

    Parameters
    ----------
    index
        Its place in the file.
    name
        As the file calls it, else its number.
    time
        Shape (n,), s.
    channels
        Places of its channels but the clock.
    """

    index: int
    name: str
    time: Floats
    channels: tuple[int, ...]


def read_mdf(path: Path, log: LogTable) -> TypedColumns:
    """Open a measurement file.

    Raises
    ------
    UnusableRun
        Where asammdf is not installed, the file is damaged, or no group counts time.
    """
    file, name = _open(path), path.name
    try:
        groups, others = _groups(file)
        chosen = _chosen(groups, log.sheet, name)
        time, rows = _on_one_clock(chosen, name)
    except UnusableRun:
        file.close()
        raise
    except Exception as error:  # whatever the library makes of a damaged file
        file.close()
        raise UnusableRun(_damaged(name, error)) from error
    columns = [(group, at) for group in chosen for at in group.channels]
    titles = [_channel(file, group, at).name.strip() for group, at in columns]
    place = {group.index: index for group, index in zip(chosen, rows, strict=True)}

    def read(index: int) -> pl.Series:
        if index == 0:
            return pl.Series(time)
        group, at = columns[index - 1]
        try:
            return _read(file, group, at, place[group.index], time.size)
        except Exception as error:
            raise UnusableRun(_damaged(name, error)) from error

    table = TypedColumns(
        file=name,
        names=("time", *titles),
        units=("s", *(_unit(file, group, at) for group, at in columns)),
        height=time.size,
        read=read,
        no_reading=log.no_reading,
        findings=tuple(_findings(chosen, others)),
        groups=("the clock", *(group.name for group, _ in columns)),
    )
    weakref.finalize(table, file.close)
    return table


def _open(path: Path) -> MDF:
    try:
        from asammdf import MDF
    except ImportError as error:
        raise UnusableRun(
            Fault(
                path.name,
                "a measurement file (MDF), whose reader is not installed",
                "the extra mf4",
                "`pip install lukewarm[mf4]`, or export the log as CSV",
            )
        ) from error
    size = path.stat().st_size
    if size > LARGEST:
        raise UnusableRun(
            Fault(
                path.name,
                f"a measurement file of {size >> 20} MiB",
                f"at most {LARGEST >> 20} MiB",
                "cut it to the test drive",
            )
        )
    found: UnusableRun
    with _quiet():
        try:
            return MDF(io.BytesIO(path.read_bytes()))
        except Exception as error:  # whatever the library makes of a damaged file
            found = UnusableRun(_damaged(path.name, error))
        gc.collect()  # what is left of the library's half-made file complains when it goes
    raise found


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep to itself what the library's objects complain of while they are taken apart."""
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        sys.unraisablehook = hook


def _damaged(name: str, error: Exception) -> Fault:
    first = (str(error).splitlines() or [""])[0] or type(error).__name__
    return Fault(
        name, f"a damaged measurement file ({first[:120]})", "a whole one", "export it again"
    )


def _channel(file: MDF, group: _Group, at: int) -> Any:
    return file.groups[group.index].channels[at]


def _groups(file: MDF) -> tuple[list[_Group], list[str]]:
    """Groups that count time and hold samples, and the names of those that count otherwise."""
    groups: list[_Group] = []
    others: list[str] = []
    samples = 0
    for index, each in enumerate(file.groups):
        group: Any = each
        count = int(group.channel_group.cycles_nr)
        master = file.masters_db.get(index)
        name = _name(group.channel_group, index)
        if not count:
            continue
        if master is None or not _counts_time(group.channels[master], file.version):
            others.append(name)
            continue
        samples += count * len(group.channels)
        if samples > MAX_CELLS:
            msg = f"more than {MAX_CELLS} samples"
            raise ValueError(msg)
        channels = tuple(at for at in range(len(group.channels)) if at != master)
        time = np.asarray(file.get_master(index), dtype=np.float64)
        groups.append(_Group(index, name, time, channels))
    return groups, others


def _counts_time(channel: Any, version: str) -> bool:
    if version < "4":
        return True  # MDF 3 knows no other clock
    return channel.channel_type in _MASTERS and channel.sync_type == _TIME


def _name(block: Any, index: int) -> str:
    name = getattr(block, "acq_name", None) or getattr(block, "comment", None) or ""
    return str(name).strip()[:80] or f"group {index + 1}"


def _chosen(groups: list[_Group], wanted: str | int | None, file: str) -> list[_Group]:
    if not groups:
        raise UnusableRun(
            Fault(
                file,
                "no group of channels that counts time and holds samples",
                "channels sampled in time",
                "check that the logger was recording",
            )
        )
    if wanted is None:
        return groups
    if isinstance(wanted, int):
        found = [group for group in groups if group.index + 1 == wanted]
    else:
        found = [group for group in groups if group.name == wanted.strip()]
    if len(found) == 1:
        return found
    named = ", ".join(f"{group.name!r} ({group.index + 1})" for group in groups[:_NAMED])
    raise UnusableRun(
        Fault(
            "run.toml [log] sheet",
            f"{wanted!r}, which {len(found) or 'no'} groups of {file} are called",
            "a group of the file by its name or number",
            f"the groups are {named}",
        )
    )


def _on_one_clock(groups: Sequence[_Group], file: str) -> tuple[Floats, list[NDArray[np.int64]]]:
    """The union of all times, and for each group the rows its samples stand in.

    Samples of one group that share a time keep a row each; groups with the same times share rows.

    Raises
    ------
    UnusableRun
        Where clocks differ and one of them goes back.
    """
    first = groups[0].time
    if all(np.array_equal(group.time, first) for group in groups[1:]):
        return first, [np.arange(first.size)] * len(groups)
    for group in groups:
        if not np.all(np.diff(group.time) >= 0):
            named = ", ".join(repr(each.name) for each in groups[:_NAMED])
            raise UnusableRun(
                Fault(
                    file,
                    f"groups with different clocks, of which that of {group.name!r} goes back",
                    "one group, or clocks that go on",
                    f'name one group in [log] sheet = "...": {named}',
                )
            )
    keys = [np.stack([group.time, _repeat(group.time)], axis=1) for group in groups]
    union, inverse = np.unique(np.concatenate(keys), axis=0, return_inverse=True)
    ends = np.cumsum([len(key) for key in keys])[:-1]
    return union[:, 0].copy(), list(np.split(inverse.reshape(-1), ends))


def _repeat(time: Floats) -> Floats:
    """Of each sample, how many before it have the same time."""
    place = np.arange(time.size)
    starts = np.flatnonzero(np.diff(time, prepend=np.nan) != 0)
    first = np.zeros(time.size, dtype=np.int64)
    first[starts] = starts
    return (place - np.maximum.accumulate(first)).astype(np.float64)


def _read(file: MDF, group: _Group, at: int, rows: NDArray[np.int64], height: int) -> pl.Series:
    """One channel in its rows; null where it has no valid sample or holds arrays."""
    signal = file.get(group=group.index, index=at, ignore_invalidation_bits=True)
    samples: NDArray[Any] = np.asarray(signal.samples)
    if samples.ndim != 1 or samples.dtype.fields or samples.size != rows.size:
        return pl.Series([None] * height, dtype=pl.Float64)
    if samples.dtype.kind in "SUO":
        values = pl.Series(_texts(samples), dtype=pl.String)
    else:
        values = pl.Series(samples.astype(samples.dtype.newbyteorder("=")))
    invalid = getattr(signal, "invalidation_bits", None)
    if invalid is not None:
        values = values.set(pl.Series(np.asarray(invalid, dtype=bool)), None)
    back = np.full(height, rows.size, dtype=np.int64)
    back[rows] = np.arange(rows.size)
    return values.extend(pl.Series([None], dtype=values.dtype)).gather(back)


def _texts(samples: NDArray[Any]) -> list[str]:
    return [
        each.decode("utf-8", errors="replace").rstrip("\0 ")
        if isinstance(each, bytes)
        else str(each)
        for each in samples.tolist()
    ]


def _unit(file: MDF, group: _Group, at: int) -> str | None:
    unit = str(file.get_channel_unit(group=group.index, index=at) or "").strip()
    if unit and not names_no_unit(unit):
        return clean_unit(unit)
    return unit_of_name(_channel(file, group, at).name)


def _findings(groups: Sequence[_Group], others: Sequence[str]) -> list[Finding]:
    found: list[Finding] = []
    if others:
        more = f" and {len(others) - _NAMED} more" if len(others) > _NAMED else ""
        found.append(
            GROUPS_LEFT_OUT.found(
                names=f"{', '.join(others[:_NAMED])}{more}", evidence={"count": float(len(others))}
            )
        )
    clocks = {group.time.size for group in groups}
    if len(clocks) > 1:
        found.append(
            GROUPS_JOINED.found(count=len(groups), evidence={"groups": float(len(groups))})
        )
    return found
