"""A process of this machine that works on one item at a time, and is made again when it is gone."""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

from ingest.work.outcome import MAX_TRIES, Failed, ended, too_long
from ingest.work.served import Order


class Child:
    """One process; not for two threads at once, except `end`.

    Parameters
    ----------
    order
        What it is to do.
    limit_s
        How long one item may take, s.
    """

    def __init__(self, order: Order, limit_s: float) -> None:
        self._order = order
        self._limit_s = limit_s
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = threading.Event()
        self._late = False

    def answer(self, item: object) -> Any:
        """The function's value for an item, or `Failed`; a process that dies is tried again."""
        code: int | None = None
        for _ in range(MAX_TRIES):
            process = self._started()
            if process is None:
                break
            self._late = False
            alarm = threading.Timer(self._limit_s, self._too_late, (process,))
            alarm.daemon = True
            alarm.start()
            try:
                found = self._asked(process, item)
            except (EOFError, OSError, pickle.UnpicklingError):
                code = self._gone(process)
                if self._late:
                    return too_long(self._limit_s)
                continue
            finally:
                alarm.cancel()
            if isinstance(found, Failed):
                self._gone(process)  # what it left behind in there is not for the next
            return found
        return ended(code)

    def end(self) -> None:
        """End the process, at once and for good."""
        self._closed.set()
        if self._process is not None:
            self._gone(self._process)

    def _started(self) -> subprocess.Popen[bytes] | None:
        if self._closed.is_set():
            return None
        if self._process is not None and self._process.poll() is not None:
            self._gone(self._process)
            self._process = None
        if self._process is None:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "ingest.work.served"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env=_surroundings(),
            )
            if self._closed.is_set():  # in this very moment, by another thread
                self._gone(self._process)
                return None
            self._send(self._process, self._order)
        return self._process

    def _asked(self, process: subprocess.Popen[bytes], item: object) -> Any:
        self._send(process, item)
        assert process.stdout is not None  # noqa: S101 - a pipe
        # from a process of this program, over a pipe nobody else holds
        return pickle.loads(pickle.load(process.stdout))  # noqa: S301

    @staticmethod
    def _send(process: subprocess.Popen[bytes], thing: object) -> None:
        assert process.stdin is not None  # noqa: S101 - a pipe
        with contextlib.suppress(OSError):  # it is gone: the answer that does not come will say so
            pickle.dump(thing, process.stdin)
            process.stdin.flush()

    def _too_late(self, process: subprocess.Popen[bytes]) -> None:
        self._late = True
        process.kill()

    def _gone(self, process: subprocess.Popen[bytes]) -> int:
        """End a process and take it off the system's list."""
        process.kill()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):  # something unsent was left in it
                    pipe.close()
        return process.wait()


def _surroundings() -> dict[str, str]:
    """The environment of a process that must find the same modules as this one."""
    places = [each or str(Path.cwd()) for each in sys.path]
    # the fits are small: threads inside one matrix product would only be in each other's way
    return {
        "OPENBLAS_NUM_THREADS": "1",
        **os.environ,
        "PYTHONPATH": os.pathsep.join(places),
    }
