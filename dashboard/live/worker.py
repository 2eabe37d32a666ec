"""Live figures in a process of their own, so that reading the ports is never held up."""

from __future__ import annotations

import contextlib
import os
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from analysis.live import LiveFigures
from dashboard.live.companion import Companion

SHORTEST_S: Final = 1.5
"""Between two measurements, at least; longer runs take longer and are measured less often."""
MAX_SHARE: Final = 0.05
"""Of one processor core that the figures may take."""


class FiguresWorker:
    """Measures a growing run again and again.

    Parameters
    ----------
    folder
        The run folder.
    """

    def __init__(self, folder: Path) -> None:
        self._companion = Companion(work, folder, name="live figures")
        self._pipe = self._companion.pipe
        self._busy_since: float | None = None
        self._due = 0.0
        self.latest: LiveFigures | None = None
        self.reason = "the figures come with the first readings"

    def poll(self) -> bool:
        """Take what is ready and ask for more where it is due; True where something new came."""
        now = time.monotonic()
        try:
            came = self._receive(now) if self._busy_since is not None else False
            if self._busy_since is None and now >= self._due:
                self._pipe.send("measure")
                self._busy_since = now
        except (EOFError, OSError):
            self.reason = "the figures have stopped; the recording goes on"
            self._due = float("inf")
            return False
        return came

    def _receive(self, now: float) -> bool:
        if not self._pipe.poll():
            return False
        answer, cost = self._pipe.recv()
        self._busy_since = None
        self._due = now + max(SHORTEST_S, cost / MAX_SHARE)
        if isinstance(answer, LiveFigures):
            self.latest, self.reason = answer, ""
            return True
        self.reason = answer
        return False

    def close(self) -> None:
        """End the process."""
        self._companion.close()


def work(pipe: Connection, folder: Path) -> None:
    """What the process does: measure whenever asked, until the other end is gone."""
    if hasattr(os, "nice"):
        os.nice(10)
    with contextlib.suppress(EOFError, OSError):
        while True:
            pipe.recv()
            started = time.process_time()
            answer = measure_folder(folder)
            pipe.send((answer, time.process_time() - started))


def measure_folder(folder: Path) -> LiveFigures | str:
    """Figures of a run folder as far as it is written, or why there are none."""
    from analysis.live import measure_so_far
    from ingest.errors import LukewarmError
    from ingest.load.load import load_run

    try:
        return measure_so_far(load_run(folder))
    except LukewarmError as error:
        return str(error).splitlines()[0]
    except Exception as error:
        # half a run may be anything; the recording goes on
        return _odd(error)


def _odd(error: Exception) -> str:
    where: Any = error.__traceback__
    while where is not None and where.tb_next is not None:
        where = where.tb_next
    line = "" if where is None else f", {Path(where.tb_frame.f_code.co_filename).stem}"
    return f"the figures could not be made just now ({error.__class__.__name__}{line})"
