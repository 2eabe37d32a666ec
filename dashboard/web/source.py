"""What a source of runs can be asked: a store and plain run folders both answer."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    import polars as pl

    from analysis.limits import Limit
    from analysis.pipeline import Analysis
    from dashboard.plots.readings import Readings
    from ingest.check_sheet import Checked


class Source(Protocol):
    """Where runs come from."""

    @property
    def title(self) -> str:
        """What is shown, for the head of every page."""

    @property
    def unusable(self) -> Mapping[str, list[str]]:
        """Run folders that could not be read, by name, with what is wrong."""

    def runs(self) -> pl.DataFrame:
        """One row a run, as `ingest.store.read.runs` gives them."""

    def figures(
        self, names: Collection[str] | None = None, family: str | None = None
    ) -> pl.DataFrame:
        """One row a run and figure, as `ingest.store.read.figures` gives them."""

    def document(self, run_id: str) -> dict[str, Any] | None:
        """The result of a run; None where there is no such run."""

    def readings(self, run_id: str) -> Readings | None:
        """The readings of a run; None where there is no such run."""

    def analysis(self, run_id: str) -> Analysis | None:
        """A run analyzed afresh, for comparing two; None where there is no such run."""

    def limits(self, family: str | None, heater: str) -> Mapping[str, Limit]:
        """Limits in force for a family of cars, by figure."""

    def judging(self) -> dict[str, Any]:
        """Limits file and baseline, as `analysis.pipeline.judge_measured` takes them."""

    def judged_by(self, family: str | None, heater: str) -> str:
        """Limits and good cars that judge a family, in words."""

    def judged_otherwise(self) -> frozenset[str]:
        """Ids of runs whose verdict was given by other limits or good cars than those in force."""

    def sheet(self, run_id: str) -> list[Checked]:
        """Lines of a run's check sheet, oldest first."""

    def note(self, run_id: str, check: str, remark: str, *, found: bool) -> None:
        """Note a check on a run's sheet; its result follows."""
