"""One run's result as a notebook shows it: six lines, a table, frames, the document."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from ingest.values import dataclass

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

    from analysis.baseline import Baseline
    from analysis.pipeline import Analysis
    from dashboard.notebook.runs import LoadedRun
    from dashboard.places import UnitSystem


@dataclass(frozen=True, slots=True)
class FoundFigure:
    """One figure of a result, in stored units.

    Parameters
    ----------
    value
        None where it was not measured.
    unit
        Of `value`, `u` and the limits.
    u
        Standard uncertainty (k = 1); None where `value` is.
    verdict
        ``pass``, ``fail``, ``undecided`` or ``not measured``.
    low, high
        Limits it was judged by; None where that side is open.
    note
        What is to be said of it; where it was not measured, what was missing.
    window
        First and last time of the readings it rests on, s from engine start.
    """

    value: float | None
    unit: str
    u: float | None
    verdict: str
    low: float | None
    high: float | None
    note: str | None
    window: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class FoundCause:
    """One possible cause: `title` in plain words, its `probability`, why, the check that tells."""

    cause: str
    title: str
    probability: float
    evidence: tuple[str, ...]
    next_check: str


@dataclass(frozen=True, slots=True)
class FoundCheck:
    """The one check to do next: what to do, with what care, how long it takes, minutes."""

    check: str
    title: str
    how: str
    caution: str
    minutes: float
    information_bits: float


@dataclass(frozen=True, repr=False)
class Found:
    """What `analyze` found: figures, verdict, causes, next check.

    ``print`` gives six lines; a notebook shows a table.

    Parameters
    ----------
    analysis
        Everything the analysis holds, for who wants more than this.
    run
        What was analyzed.
    baseline
        The good cars it was judged against.
    units
        ``si`` or ``us``: what is printed and drawn. Numbers here, in frames and in the document
        are always SI.
    """

    analysis: Analysis = field(repr=False)
    run: LoadedRun
    baseline: Baseline | None = None
    units: UnitSystem = "si"

    @cached_property
    def _document(self) -> dict[str, Any]:
        from analysis.result import document

        return document(self.analysis)

    @property
    def verdict(self) -> str:
        """Of the whole run: ``pass``, ``fail``, ``undecided`` or ``not measured``."""
        return str(self._document["verdict"])

    @cached_property
    def figures(self) -> Mapping[str, FoundFigure]:
        """Every figure by name, those that were not measured too.

        Examples
        --------
        >>> import lukewarm as lw
        >>> warm_up = lw.analyze("sample_logs/SC-014-complaint").figures["warm_up_time"]
        >>> warm_up.unit, warm_up.u is not None
        ('s', True)
        """
        return {name: _figure(entry) for name, entry in self._document["figures"].items()}

    @cached_property
    def causes(self) -> tuple[FoundCause, ...]:
        """Possible causes, the likeliest first; probabilities sum to 1.

        Examples
        --------
        >>> import lukewarm as lw
        >>> lw.analyze("sample_logs/SC-014-complaint").causes[0].cause
        'lever_short_of_hot'
        """
        return tuple(
            FoundCause(
                each["cause"],
                each["title"],
                each["probability"],
                tuple(each["evidence"]),
                each["next_check"],
            )
            for each in self._document["causes"]
        )

    @cached_property
    def next_check(self) -> FoundCheck | None:
        """The check to do next; None where there is none to do.

        Examples
        --------
        >>> import lukewarm as lw
        >>> lw.analyze("sample_logs/SC-014-complaint").next_check.check
        'cable_adjustment'
        """
        told = self._document["next_check"]
        names = ("check", "title", "how", "caution", "minutes", "information_bits")
        return None if told is None else FoundCheck(*(told[name] for name in names))

    def to_dict(self) -> dict[str, Any]:
        """The result document, as `lukewarm analyze --json` writes it.

        Examples
        --------
        >>> import lukewarm as lw
        >>> lw.analyze("sample_logs/SC-014-complaint").to_dict()["schema"]
        2
        """
        from copy import deepcopy

        return deepcopy(self._document)

    def to_frame(self) -> pl.DataFrame:
        """One row a figure, as a polars frame (columns: `analysis.tables.figures_frame`).

        Examples
        --------
        >>> import lukewarm as lw
        >>> found = lw.analyze("sample_logs/SC-014-complaint")
        >>> found.to_frame().height == len(found.figures)
        True
        """
        from analysis.tables import figures_frame

        return figures_frame([self._document]).drop("error")

    def to_pandas(self) -> pd.DataFrame:
        """The same as `to_frame` as a pandas frame.

        Examples
        --------
        >>> import lukewarm as lw
        >>> frame = lw.analyze("sample_logs/SC-014-complaint").to_pandas()
        >>> frame.set_index("figure").loc["warm_up_time", "unit"]
        's'
        """
        from dashboard.notebook.frames import to_pandas

        return to_pandas(self.to_frame())

    def __str__(self) -> str:
        from dashboard.notebook.page import found_lines

        return "\n".join(found_lines(self._document, self.units))

    def __repr__(self) -> str:
        from dashboard.text.shown import clean

        likeliest = self.causes[0] if self.causes else None
        cause = f", {likeliest.cause} {100.0 * likeliest.probability:.0f} %" if likeliest else ""
        return f"<found {clean(self.run.name)}: {self.verdict}{cause}>"

    def _repr_html_(self) -> str:
        from dashboard.notebook.page import found_html

        return found_html(self._document, self.units)


def _figure(entry: Mapping[str, Any]) -> FoundFigure:
    limit, window = entry["limit"] or {}, entry["window"]
    return FoundFigure(
        entry["value"],
        entry["unit"],
        entry["u"],
        entry["verdict"],
        limit.get("low"),
        limit.get("high"),
        entry["note"],
        None if window is None else (window[0], window[1]),
    )
