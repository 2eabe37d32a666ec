"""What the pages ask for, behind one small interface; a store or plain run folders answer.

A run is asked for by its id, 64 hexadecimal digits made from its files' contents, or by the token
of an upload. Ids are looked up in a table; none ever becomes part of a path.
"""

from __future__ import annotations

import importlib
import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

if TYPE_CHECKING:
    from analysis.baseline import Baseline
    from analysis.limits import Limit, Limits
    from analysis.pipeline import Analysis
    from dashboard.plots.readings import Readings
    from dashboard.web.source import Source
    from dashboard.web.uploads import Uploads
    from ingest.check_sheet import Checked

RUN_ID: Final = re.compile(r"[0-9a-f]{64}")
UPLOAD_ID: Final = re.compile(r"u-[0-9a-f]{32}")

Held = TypeVar("Held")


class Board:
    """A source of runs together with what was uploaded; what pages are given.

    Parameters
    ----------
    source
        The runs.
    uploads
        Logs that visitors dropped on the page; None where uploading is switched off.
    units
        ``si`` or ``us``: what is shown where the address does not say.
    live
        Run folder that is being recorded, or a folder in which recordings are made; None where
        there is nothing live to look at.
    """

    def __init__(
        self,
        source: Source,
        uploads: Uploads | None = None,
        units: str = "si",
        live: Path | None = None,
    ) -> None:
        self.source = source
        self.uploads = uploads
        self.units = units
        self.live = live

    def document(self, run_id: str) -> dict[str, Any] | None:
        """The result of a run or an upload; None where the id means nothing."""
        if self.uploads and UPLOAD_ID.fullmatch(run_id):
            return self.uploads.document(run_id)
        return self.source.document(run_id) if RUN_ID.fullmatch(run_id) else None

    def readings(self, run_id: str) -> Readings | None:
        """The readings of a run or an upload."""
        if self.uploads and UPLOAD_ID.fullmatch(run_id):
            return self.uploads.readings(run_id)
        return self.source.readings(run_id) if RUN_ID.fullmatch(run_id) else None

    def ambient(self, run_id: str) -> float | None:
        """Mean outside temperature of an upload, °C; None where it was not logged."""
        from ingest.store.rows import ambient

        found = self.analysis(run_id)
        return ambient(found.run) if found else None

    def analysis(self, run_id: str) -> Analysis | None:
        """A run or an upload analyzed afresh."""
        if self.uploads and UPLOAD_ID.fullmatch(run_id):
            return self.uploads.analysis(run_id)
        return self.source.analysis(run_id) if RUN_ID.fullmatch(run_id) else None

    def sheet(self, run_id: str) -> list[Checked]:
        """Lines of the check sheet of a run or an upload, oldest first."""
        if self.uploads and UPLOAD_ID.fullmatch(run_id):
            return self.uploads.sheet(run_id)
        return self.source.sheet(run_id) if RUN_ID.fullmatch(run_id) else []

    def note(self, run_id: str, check: str, remark: str, *, found: bool) -> None:
        """Note a check on the sheet of a run or an upload; its result follows.

        Raises
        ------
        UnusableRun
            Where there is no such run or check, or the sheet cannot be written.
        """
        from analysis.causes.knowledge import check_names
        from ingest.errors import Fault, UnusableRun

        if check not in check_names():
            raise UnusableRun(Fault("check", repr(check)[:80], "a check of the list", "choose one"))
        if self.document(run_id) is None:
            raise UnusableRun(Fault("run", "none of this id", "a run shown here", "open it again"))
        holder = self.uploads if self.uploads and UPLOAD_ID.fullmatch(run_id) else self.source
        holder.note(run_id, check, remark, found=found)


def warm() -> None:
    """Import in the background what the first visit would else wait for."""
    threading.Thread(target=_import_ahead, name="warm", daemon=True).start()


def _import_ahead() -> None:
    for name in ("plotly.graph_objects", "analysis.compare.car", "analysis.repair.changes"):
        importlib.import_module(name)


class Recent(Generic[Held]):
    """The last few things made, so that a zoom does not read a run again.

    Parameters
    ----------
    most
        How many are kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._held: OrderedDict[str, Held] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: str, make: Callable[[], Held]) -> Held:
        """The thing kept under a key, made where it is not there."""
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
        made = make()
        with self._lock:
            self._held[key] = made
            while len(self._held) > self._most:
                self._held.popitem(last=False)
        return made

    def forget(self, key: str) -> None:
        """Let go of what is kept under a key."""
        with self._lock:
            self._held.pop(key, None)


def limits_in_force(
    limits: Limits | None, baseline: Baseline | None, family: str | None, heater: str
) -> Mapping[str, Limit]:
    """The limits file's limits for a car, or its family's own where there are enough good cars."""
    from analysis.limits import default_limits, limits_for

    stand = limits_for(limits or default_limits(), family, heater)
    return baseline.limits(family, heater, stand) if baseline is not None else stand
