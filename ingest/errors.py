"""What can go wrong with the data, as one exception tree.

::

    LukewarmError            anything the user can do something about
    ├── UnusableRun          the data cannot be used; carries one Fault for each thing wrong
    │   └── WrongUse         what was asked for is not there: wrong usage, whatever the data
    └── LostPort             a serial port went away and did not come back
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Final

from ingest.values import dataclass

MAX_PART: Final = 600
"""Characters of a part of a fault that are said; what a file put into more is cut in its middle."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with the input, in four parts that make one line.

    Parameters
    ----------
    where
        File, row or channel, e.g. ``log.csv row 12`` or ``run.toml [channels.outlet]``.
    found
        What stands there.
    expected
        What should stand there.
    remedy
        What the user can do about it.
    """

    where: str
    found: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        where, found, expected, remedy = map(
            _one_line, (self.where, self.found, self.expected, self.remedy)
        )
        return f"{where}: found {found}; expected {expected}; {remedy}"


def _one_line(text: str) -> str:
    """A fault is one line that can be read, whatever the file put into it."""
    line = " ".join(text.split())
    if len(line) <= MAX_PART:
        return line
    half = MAX_PART // 2
    return f"{line[:half]} … {line[-half:]}"


class LukewarmError(Exception):
    """Base of every error the user can do something about."""


class UnusableRun(LukewarmError):  # noqa: N818 - a state of the data, named as users name it
    """The data cannot be used; `faults` says why, one line each."""

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class WrongUse(UnusableRun):
    """What was asked for is none of the names there are; `faults` says so, one line each."""


def did_you_mean(wanted: str, known: Collection[str], otherwise: str) -> str:
    """What to do about a name that is none of the known ones: the nearest, else `otherwise`.

    Capitals make no difference to what is near.
    """
    import difflib  # a fault is rare, and `--help` is to answer at once

    plain = {name.lower(): name for name in known}
    near = difflib.get_close_matches(wanted.lower(), plain, n=1)
    return f"did you mean {plain[near[0]]}?" if near else otherwise


class LostPort(LukewarmError):  # noqa: N818 - see UnusableRun
    """A serial port went away and did not come back."""
