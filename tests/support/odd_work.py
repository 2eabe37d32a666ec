"""Work that goes wrong in every way; processes import it by name."""

from __future__ import annotations

import os
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path


def square(number: int) -> int:
    """Harmless, and slower for even numbers, so that answers do not come in order."""
    time.sleep(0.02 * (number % 2 == 0))
    return number * number


def stumble(number: int) -> int:
    """Raises for 3."""
    if number == 3:
        msg = "no such luck"
        raise ZeroDivisionError(msg)
    return number


def hang(number: int) -> int:
    """Never ends for 3."""
    while number == 3:
        time.sleep(0.1)
    return number


def gorge(number: int) -> int:
    """Wants a million times the memory there is for 3."""
    return len(bytearray(2**60)) if number == 3 else number


def chatter(number: int) -> int:
    """Prints where answers go."""
    print("words", number)
    sys.stdout.flush()
    os.write(1, b"more words\n")
    return number


def place_and_process(_: int) -> tuple[str, int]:
    """Where it stands and who it is."""
    return str(Path.cwd()), os.getpid()


@dataclass(frozen=True)
class KillsItself:
    """Ends its process for 3, as lack of memory would: always, or the first few times.

    Parameters
    ----------
    marks
        Folder in which it counts.
    times
        How often.
    """

    marks: Path
    times: int

    def __call__(self, number: int) -> int:
        """The number, where it lives."""
        if number == 3 and len(list(self.marks.iterdir())) < self.times:
            (self.marks / f"{os.getpid()}-{time.monotonic_ns()}").touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return number


@dataclass(frozen=True)
class SaysWho:
    """Leaves its process's number in a folder, then takes its time."""

    marks: Path

    def __call__(self, number: int) -> int:
        """The number, after a minute."""
        (self.marks / str(os.getpid())).touch()
        time.sleep(60.0)
        return number
