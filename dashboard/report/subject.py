"""What a report is made from: the run, an earlier one, the check sheet, what was done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any, Final

from analysis.repair.changes import compare_repair
from analysis.result import document
from ingest.errors import Fault, UnusableRun
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.baseline import Baseline
    from analysis.pipeline import Analysis
    from analysis.repair.changes import Repair
    from ingest.check_sheet import Checked


@dataclass(frozen=True)
class Papers:
    """What stands on a shop's papers; a field that is empty is printed to be filled in by hand.

    Parameters
    ----------
    order
        Number of the order.
    odometer
        As it was read, with its unit.
    technician
        Who did the work.
    """

    order: str = ""
    odometer: str = ""
    technician: str = ""


@dataclass(frozen=True)
class Subject:
    """Everything the pages are written from.

    Parameters
    ----------
    now
        The run the report is about.
    before
        The run before the repair, where there is one.
    repair
        Their comparison.
    checks
        Lines of the check sheets, oldest first.
    done
        What was done to the car, in the technician's words.
    family
        Smallest and largest value of each figure among the family's good cars, where a baseline
        has at least `MIN_CARS`.
    units
        ``si`` or ``us``.
    made
        When the report was made.
    doubts
        What makes the comparison doubtful.
    papers
        What stands on the shop's papers.
    """

    now: Analysis
    units: str
    made: datetime
    before: Analysis | None = None
    repair: Repair | None = None
    checks: Sequence[Checked] = ()
    done: Sequence[str] = ()
    family: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    doubts: tuple[str, ...] = ()
    papers: Papers = Papers()

    @property
    def first(self) -> Analysis:
        """The run that shows what was wrong."""
        return self.before or self.now

    @property
    def result(self) -> dict[str, Any]:
        """The result document of the run the report is about."""
        return document(self.now)

    @property
    def us(self) -> bool:
        """Whether the reader wants US units."""
        return self.units == "us"


MIN_CARS: Final = 3


def subject_of(
    analyses: Sequence[Analysis],
    checks: Sequence[Checked],
    done: Sequence[str],
    baseline: Baseline | None,
    units: str,
    papers: Papers | None = None,
) -> Subject:
    """Put a report's material together.

    Parameters
    ----------
    analyses
        The run, or the run before the repair and the run after it.
    checks
        Lines of their check sheets, in the same order.
    done
        What was done, in the technician's words.
    baseline
        Known-good cars, where given.
    units
        ``si`` or ``us``.
    papers
        What stands on the shop's papers, where given.

    Raises
    ------
    UnusableRun
        Where the two runs are of different cars, or one is of a part on the bench.
    """
    now = analyses[-1]
    before = analyses[0] if len(analyses) > 1 else None
    doubts: tuple[str, ...] = ()
    if before is not None:
        _require_cars(before, now)
        _require_one_car(before, now)
        doubts = _doubts(before, now)
    return Subject(
        now=now,
        units=units,
        made=datetime.now().astimezone(),
        before=before,
        repair=compare_repair(before, now) if before is not None else None,
        checks=tuple(checks),
        done=tuple(line for line in done if line.strip()),
        family=family_range(baseline, now),
        doubts=doubts,
        papers=papers or Papers(),
    )


def _require_cars(before: Analysis, now: Analysis) -> None:
    for each in (before, now):
        if each.run.setup.bench is not None:
            raise UnusableRun(
                Fault(
                    f"{each.run.name} [bench] part",
                    "a part on the bench",
                    "two runs of a car",
                    "report the bench run alone, without --before",
                )
            )


def _require_one_car(before: Analysis, now: Analysis) -> None:
    one, other = (each.run.setup.run for each in (before, now))
    if one.vehicle != other.vehicle:
        raise UnusableRun(
            Fault(
                f"{before.run.name} (--before)",
                f"vehicle {one.vehicle!r}",
                f"an earlier run of {other.vehicle!r}",
                "give a run of the same car, or correct vehicle in run.toml",
            )
        )


def _doubts(before: Analysis, now: Analysis) -> tuple[str, ...]:
    """What makes the comparison of two runs doubtful."""
    said = []
    if before.run.sha256 and before.run.sha256 == now.run.sha256:
        said.append("both runs are one and the same log")
    started = (before.run.started, now.run.started)
    if started[0] and started[1] and _later(started[0], started[1]):
        said.append("the run given as before was started later than the other")
    if before.run.setup.run.heater != now.run.setup.run.heater:
        said.append("the two set-ups name different heater layouts")
    return tuple(said)


def _later(one: datetime, other: datetime) -> bool:
    if (one.tzinfo is None) != (other.tzinfo is None):
        # one clock does not say its zone: the wall clocks are compared
        return one.replace(tzinfo=None) > other.replace(tzinfo=None)
    return one > other


def family_range(baseline: Baseline | None, analysis: Analysis) -> dict[str, tuple[float, float]]:
    """Smallest and largest value of each figure among the good cars of a run's family."""
    if baseline is None:
        return {}
    about = analysis.run.setup.run
    cars = baseline.kin(about.family, about.heater, about.vehicle)
    found: dict[str, tuple[float, float]] = {}
    for name in analysis.figures:
        values = [
            value
            for figures in cars
            if name in figures and (value := figures[name].value) is not None
        ]
        if len(values) >= MIN_CARS:
            found[name] = (min(values), max(values))
    return found


def software_version() -> str:
    """Version of the program that made the report."""
    try:
        return version("lukewarm")
    except PackageNotFoundError:
        return "not installed as a package"
