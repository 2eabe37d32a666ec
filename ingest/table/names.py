"""Finds a column (or a channel of a long log) by what the set-up calls it."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from typing import Final

from ingest.errors import Fault, UnusableRun
from ingest.table.units import demangle, split_unit

_SHOWN: Final = 8
_COMPARED: Final = 4096
"""Names that are looked at for one that is close."""
_LISTED: Final = 60
"""A logger of eight channels and the car's own data have fewer names than this."""


def match_name(ref: str, names: Sequence[str], where: str, kind: str = "column") -> int:
    """Index of the one name that `ref` means.

    Tried in turn: the name as it stands, with its degree signs put right, without its unit,
    without regard to case and blanks. The first of these that any name answers decides.

    Raises
    ------
    UnusableRun
        Where no name answers (close ones are named), or more than one.
    """
    for form in _FORMS:
        wanted = form(ref)
        found = [at for at, name in enumerate(names) if wanted and form(name) == wanted]
        if len(found) == 1:
            return found[0]
        if found:
            numbers = ", ".join(str(at + 1) for at in found[:_SHOWN])
            raise UnusableRun(
                Fault(
                    where,
                    f"{len(found)} {kind}s that {ref!r} may mean (numbers {numbers})",
                    f"one {kind} of that name",
                    f"give the {kind}'s number instead of its name",
                )
            )
    raise UnusableRun(no_such_name(ref, names, where, kind))


def match_number(ref: int, width: int, where: str) -> int:
    """Index of the column with a 1-based number.

    Raises
    ------
    UnusableRun
        Where the table has no such column.
    """
    if 1 <= ref <= width:
        return ref - 1
    raise UnusableRun(
        Fault(
            where,
            f"no column {ref}",
            f"a number from 1 to {width}",
            "columns are numbered from 1",
        )
    )


def no_such_name(ref: str, names: Sequence[str], where: str, kind: str) -> Fault:
    """The fault for a name that is not there, with the close ones."""
    plain = {_plain(name): name for name in names[:_COMPARED] if name}
    near = [plain[key] for key in difflib.get_close_matches(_plain(ref), plain, n=3, cutoff=0.6)]
    shown = near or [name for name in names if name][:_LISTED]
    listed = ", ".join(repr(name[:60]) for name in shown)
    remedy = f"did you mean {listed}?" if near else f"the {kind}s are {listed}" if listed else ""
    if len(names) > len(shown) and not near and listed:
        remedy += f" and {len(names) - len(shown)} more"
    return Fault(
        where,
        f"no {kind} {ref[:80]!r}",
        f"the name of a {kind} of the log, or its number",
        remedy or f"give the {kind}'s number",
    )


def _bare(name: str) -> str:
    return split_unit(name)[0]


def _plain(name: str) -> str:
    return "".join(_bare(name).casefold().split())


_FORMS: Final[tuple[Callable[[str], str], ...]] = (
    lambda name: name.strip(),
    lambda name: demangle(name).strip(),
    _bare,
    lambda name: "".join(demangle(name).casefold().split()),
    _plain,
)
