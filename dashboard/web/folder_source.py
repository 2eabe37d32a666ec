"""Plain run folders as a source of runs: read and analyzed once, kept in memory."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dashboard.plots.readings import Readings
from dashboard.web.frames import figure_records, figures_frame, run_record, runs_frame
from dashboard.web.service import Recent, limits_in_force
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

    from analysis.baseline import Baseline
    from analysis.limits import Limit, Limits
    from analysis.pipeline import Analysis
    from ingest.check_sheet import Checked

GOOD: Final = "baseline"
"""Purpose of runs of known-good cars."""


@dataclass
class FolderSource:
    """Run folders.

    Parameters
    ----------
    title
        What is shown, for the head of every page.
    unusable
        Folders that could not be read, with what is wrong.
    """

    title: str
    unusable: dict[str, list[str]] = field(default_factory=dict)
    limits_file: Limits | None = None
    baseline: Baseline | None = None
    _folders: dict[str, Path] = field(default_factory=dict)
    _documents: dict[str, dict[str, Any]] = field(default_factory=dict)
    _runs: list[dict[str, Any]] = field(default_factory=list)
    _figures: list[dict[str, Any]] = field(default_factory=list)
    _readings: Recent[Readings] = field(default_factory=lambda: Recent(3))
    _analyses: Recent[Analysis] = field(default_factory=lambda: Recent(6))

    @classmethod
    def read(
        cls,
        folders: Iterable[Path],
        title: str,
        limits: Limits | None = None,
    ) -> FolderSource:
        """Read and analyze run folders; those that cannot be used are listed with what is wrong.

        Parameters
        ----------
        folders
            Run folders.
        title
            What to call them together.
        limits
            The limits file in force; the default where None.
        """
        from analysis.baseline import Baseline
        from analysis.pipeline import judge_measured, measure
        from dashboard.places import checks_on_sheet
        from ingest.errors import LukewarmError
        from ingest.load.load import load_run

        source = cls(title, limits_file=limits)
        measured, sheets = [], {}
        for folder in folders:
            try:
                sheets[folder] = checks_on_sheet(folder)
                measured.append((folder, measure(load_run(folder))))
            except LukewarmError as error:
                source.unusable[folder.name] = str(error).splitlines()
        good = [each for _, each in measured if each.run.setup.run.purpose == GOOD]
        source.baseline = Baseline.of(good) if good else None
        for folder, each in measured:
            source._keep(folder, judge_measured(each, limits, source.baseline, sheets[folder]))
        return source

    def _keep(self, folder: Path, analysis: Analysis) -> None:
        from analysis.result import document
        from ingest.store.rows import ambient
        from ingest.store.store import run_identity

        run = analysis.run
        run_id = run_identity(run.sha256)
        if self._folders.get(run_id, folder) != folder:
            return  # the same run, lying twice
        told = document(analysis)
        self._runs = [row for row in self._runs if row["id"] != run_id]
        self._figures = [row for row in self._figures if row["run_id"] != run_id]
        self._folders[run_id] = folder
        self._documents[run_id] = told
        about = run.setup.run
        more = {"plant": about.plant, "operator": about.operator, "logger": about.logger}
        self._runs.append(run_record(run_id, told, ambient(run), **more))
        random = {name: each.random for name, each in analysis.figures.items()}
        self._figures += figure_records(run_id, told, random)

    def runs(self) -> pl.DataFrame:
        """One row a run, newest first."""
        return runs_frame(self._runs)

    def figures(
        self, names: Collection[str] | None = None, family: str | None = None
    ) -> pl.DataFrame:
        """One row a run and figure."""
        import polars as pl

        frame = figures_frame(self._figures)
        if family is not None:
            ours = [row["id"] for row in self._runs if row["family"] == family]
            frame = frame.filter(pl.col("run_id").is_in(ours))
        return frame if names is None else frame.filter(pl.col("figure").is_in(list(names)))

    def document(self, run_id: str) -> dict[str, Any] | None:
        """The result of a run."""
        return self._documents.get(run_id)

    def readings(self, run_id: str) -> Readings | None:
        """The readings of a run."""
        from ingest.load.load import load_run

        folder = self._folders.get(run_id)
        if folder is None:
            return None
        return self._readings.get(run_id, lambda: Readings.of(load_run(folder)))

    def analysis(self, run_id: str) -> Analysis | None:
        """A run analyzed afresh."""
        from analysis.pipeline import analyze
        from dashboard.places import checks_on_sheet
        from ingest.load.load import load_run

        folder = self._folders.get(run_id)
        if folder is None:
            return None
        checked = checks_on_sheet(folder)
        return self._analyses.get(
            run_id, lambda: analyze(load_run(folder), **self.judging(), checked=checked)
        )

    def judging(self) -> dict[str, Any]:
        """Limits file and baseline."""
        return {"limits": self.limits_file, "baseline": self.baseline}

    def limits(self, family: str | None, heater: str) -> Mapping[str, Limit]:
        """Limits in force for a family of cars."""
        return limits_in_force(self.limits_file, self.baseline, family, heater)

    def judged_by(self, family: str | None, heater: str) -> str:
        """Limits and good cars that judge a family, in words."""
        from analysis.compare.judging import judged_by

        return judged_by(self.limits_file, self.baseline, family, heater, "of this folder")

    def judged_otherwise(self) -> frozenset[str]:
        """None: every run was judged when the folder was read."""
        return frozenset()

    def sheet(self, run_id: str) -> list[Checked]:
        """Lines of a run's check sheet, oldest first."""
        from ingest.check_sheet import read_sheet

        folder = self._folders.get(run_id)
        return [] if folder is None else read_sheet(folder)

    def note(self, run_id: str, check: str, remark: str, *, found: bool) -> None:
        """Note a check in the run's folder and judge the run again.

        Raises
        ------
        UnusableRun
            Where the sheet cannot be written.
        """
        from ingest.check_sheet import note_check

        folder = self._folders[run_id]
        note_check(folder, check, remark, datetime.now().astimezone(), found=found)
        self._analyses.forget(run_id)
        again = self.analysis(run_id)
        if again is not None:
            self._keep(folder, again)
