"""What the pages ask for, behind one small interface; a store or plain run folders answer.

A run is asked for by its id, 64 hexadecimal digits made from its files' contents, or by the token
of an upload. Ids are looked up in a table; none ever becomes part of a path.
"""

from __future__ import annotations

import re
import tempfile
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

from dashboard.plots.readings import Readings

if TYPE_CHECKING:
    import polars as pl

    from analysis.baseline import Baseline
    from analysis.compare.judging import Judging
    from analysis.limits import Limit, Limits
    from analysis.pipeline import Analysis
    from dashboard.web.source import Source
    from dashboard.web.uploads import Uploads
    from ingest.store.store import Store

RUN_ID: Final = re.compile(r"[0-9a-f]{64}")
UPLOAD_ID: Final = re.compile(r"u-[0-9a-f]{32}")

FRESH_S: Final = 2.0

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


class StoreSource:
    """Runs of a store.

    Parameters
    ----------
    store
        The open store; what judges its runs is decided in it (see `analysis.compare.judging`).
    """

    unusable: Mapping[str, list[str]] = {}

    def __init__(self, store: Store) -> None:
        self.store = store
        self._decision: tuple[float, Judging] | None = None
        self._runs: tuple[float, pl.DataFrame] | None = None
        self._readings: Recent[Readings] = Recent(3)
        self._analyses: Recent[Analysis] = Recent(6)

    @property
    def title(self) -> str:
        """The store's folder."""
        return self.store.folder.resolve().name

    def runs(self) -> pl.DataFrame:
        """One row a run; at most `FRESH_S` old, as one visit asks for it several times."""
        from ingest.store.read import runs

        now = time.monotonic()
        kept = self._runs
        if kept is None or now - kept[0] > FRESH_S:
            self._runs = kept = now, runs(self.store)
        return kept[1]

    def figures(
        self, names: Collection[str] | None = None, family: str | None = None
    ) -> pl.DataFrame:
        """One row a run and figure."""
        from ingest.store.read import Filter, figures

        return figures(self.store, names, Filter(family=family))

    def document(self, run_id: str) -> dict[str, Any] | None:
        """The result of a run."""
        return self.store.document(run_id)

    def readings(self, run_id: str) -> Readings | None:
        """The readings of a run."""
        if not self.store.has(run_id):
            return None
        return self._readings.get(run_id, lambda: Readings(self.store.readings(run_id)))

    def analysis(self, run_id: str) -> Analysis | None:
        """A run analyzed afresh from its raw files."""
        if not self.store.has(run_id):
            return None
        return self._analyses.get(run_id, lambda: self._analyze(run_id))

    def _analyze(self, run_id: str) -> Analysis:
        from analysis.pipeline import analyze
        from ingest.load.load import load_run

        with tempfile.TemporaryDirectory(prefix="lukewarm-") as place:
            run = load_run(self.store.restore(run_id, Path(place)))
        return analyze(run, **self.judging())

    def judging(self) -> dict[str, Any]:
        """Limits file and baseline."""
        decision = self._judging()
        return {"limits": decision.limits, "baseline": decision.baseline}

    def limits(self, family: str | None, heater: str) -> Mapping[str, Limit]:
        """Limits in force for a family of cars."""
        decision = self._judging()
        return limits_in_force(decision.limits, decision.baseline, family, heater)

    def judged_by(self, family: str | None, heater: str) -> str:
        """Limits and good cars that judge a family, in words."""
        return self._judging().said(family, heater)

    def judged_otherwise(self) -> frozenset[str]:
        """Ids of runs whose stored verdict was given by other limits or good cars."""
        from ingest.store.many import judged_otherwise

        return frozenset(judged_otherwise(self.store, self._judging().versions))

    def _judging(self) -> Judging:
        """The store's decision; at most `FRESH_S` old."""
        from analysis.compare.judging import judging_of

        now = time.monotonic()
        kept = self._decision
        if kept is None or now - kept[0] > FRESH_S:
            self._decision = kept = now, judging_of(self.store)
        return kept[1]


def limits_in_force(
    limits: Limits | None, baseline: Baseline | None, family: str | None, heater: str
) -> Mapping[str, Limit]:
    """The limits file's limits for a car, or its family's own where there are enough good cars."""
    from analysis.limits import default_limits, limits_for

    stand = limits_for(limits or default_limits(), family, heater)
    return baseline.limits(family, heater, stand) if baseline is not None else stand
