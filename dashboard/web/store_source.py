"""A run store as a source of runs; the store's own decision judges them."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Collection, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dashboard.plots.readings import Readings
from dashboard.web.service import Recent, limits_in_force
from ingest.errors import Fault, UnusableRun

if TYPE_CHECKING:
    import polars as pl

    from analysis.compare.judging import Judging
    from analysis.limits import Limit
    from analysis.pipeline import Analysis
    from ingest.check_sheet import Checked
    from ingest.store.store import Store

FRESH_S: Final = 2.0


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
        self._others: tuple[float, frozenset[str]] | None = None
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
        from analysis.causes.knowledge import check_names
        from analysis.pipeline import analyze
        from ingest.check_sheet import found_by_check
        from ingest.load.load import load_run

        with tempfile.TemporaryDirectory(prefix="lukewarm-") as place:
            run = load_run(self.store.restore(run_id, Path(place)))
        run = run.with_(name=self.store.name(run_id))
        checked = found_by_check(self.sheet(run_id), check_names())
        return analyze(run, **self.judging(), checked=checked)

    def sheet(self, run_id: str) -> list[Checked]:
        """Lines of a run's check sheet, oldest first."""
        from ingest.store.sheets import sheet_of

        return sheet_of(self.store.folder, run_id)

    def note(self, run_id: str, check: str, remark: str, *, found: bool) -> None:
        """Note a check on a run's sheet and work its result out again.

        Raises
        ------
        UnusableRun
            Where the sheet cannot be written, or the run can no longer be worked out.
        """
        from ingest.store.many import refresh_many
        from ingest.store.sheets import note_stored
        from ingest.work.outcome import Workers

        now = datetime.now().astimezone()
        note_stored(self.store.folder, run_id, check, remark, now, found=found)
        task = self._judging().task(self.store.folder)
        for report in refresh_many(task, [run_id], Workers(jobs=1)):
            if report.faults:
                raise UnusableRun(
                    Fault(line, "noted, but not counted in", "a run that can be worked out",
                          "see lukewarm store verify")
                    for line in report.faults
                )  # fmt: skip
        self._runs = self._others = None
        self._analyses.forget(run_id)

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
        """Ids of runs whose stored verdict was given by other limits or good cars.

        At most `FRESH_S` old, as one visit asks for them several times.
        """
        from ingest.store.many import judged_otherwise

        now = time.monotonic()
        kept = self._others
        if kept is None or now - kept[0] > FRESH_S:
            found = frozenset(judged_otherwise(self.store, self._judging().versions))
            self._others = kept = now, found
        return kept[1]

    def _judging(self) -> Judging:
        """The store's decision; at most `FRESH_S` old."""
        from analysis.compare.judging import judging_of

        now = time.monotonic()
        kept = self._decision
        if kept is None or now - kept[0] > FRESH_S:
            self._decision = kept = now, judging_of(self.store)
        return kept[1]
