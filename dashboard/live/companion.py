"""A process of its own beside a recording, at the other end of a pipe."""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any, Final

_JOIN_S: Final = 3.0
"""What a process gets for its end before it is ended."""


class Companion:
    """A process and the pipe to it.

    Parameters
    ----------
    work
        What it does: gets its end of the pipe and `args`, and ends when the other end is gone.
    args
        More for it; whatever can be pickled.
    name
        For lists of processes.
    """

    def __init__(self, work: Callable[..., None], *args: Any, name: str) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, other = context.Pipe()
        self._process = context.Process(
            target=_undisturbed, args=(work, other, args), name=name, daemon=True
        )
        self._process.start()
        other.close()

    def close(self) -> None:
        """End the process."""
        with contextlib.suppress(OSError):
            self.pipe.close()
        self._process.join(_JOIN_S)
        if self._process.is_alive():
            self._process.terminate()
            self._process.join(_JOIN_S)


def _undisturbed(work: Callable[..., None], pipe: Connection, args: tuple[Any, ...]) -> None:
    # Ctrl-C is the recorder's, which ends this process by closing the pipe
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    work(pipe, *args)
