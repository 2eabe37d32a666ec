"""A run as a notebook holds it: loaded from a folder, a log or a frame."""

from __future__ import annotations

import html
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.values import dataclass

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

    from ingest.check_sheet import Checked, Outcome
    from ingest.run import Finding, Run


@dataclass(frozen=True, repr=False)
class LoadedRun:
    """A run that was loaded and not analyzed yet.

    Parameters
    ----------
    data
        The run itself: readings, controls, sensors, findings.
    place
        Where it came from; None for a frame.
    """

    data: Run
    place: Path | None = None

    @property
    def name(self) -> str:
        """Short name: the run folder's."""
        return self.data.name

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What reading the log found worth saying."""
        return self.data.findings

    def to_frame(self, grid: float | None = None) -> pl.DataFrame:
        """The readings in physical units with the controls joined, as `lukewarm convert` writes.

        Parameters
        ----------
        grid
            Step of an even grid, s; None for the logger's own times.

        Returns
        -------
        polars.DataFrame
            ``time_s`` (s from engine start), then a column a measuring point with its unit
            (``outlet_degC``) and one a control; null where there is no valid reading.

        Examples
        --------
        >>> import lukewarm as lw
        >>> run = lw.load("sample_logs/SC-014-complaint")
        >>> run.to_frame().columns[:3]
        ['time_s', 'outlet_degC', 'outlet_defrost_degC']
        """
        from ingest.export.readings import readings_with_controls

        return readings_with_controls(self.data, grid)

    def to_pandas(self, grid: float | None = None) -> pd.DataFrame:
        """The same as `to_frame` as a pandas frame.

        Examples
        --------
        >>> import lukewarm as lw
        >>> lw.load("sample_logs/SC-014-complaint").to_pandas(grid=60.0)["time_s"].tolist()[:3]
        [-60.0, 0.0, 60.0]
        """
        from dashboard.notebook.frames import to_pandas

        return to_pandas(self.to_frame(grid))

    def checked(self) -> Mapping[str, Outcome]:
        """By check, whether it found something: the newest lines of the run folder's sheet."""
        from dashboard.places import checks_on_sheet

        return {} if self.place is None else checks_on_sheet(self.place)

    def sheet(self) -> list[Checked]:
        """All lines of the run folder's check sheet; none for a log without a folder."""
        from ingest.check_sheet import read_sheet

        return [] if self.place is None or not self.place.is_dir() else read_sheet(self.place)

    def _told(self) -> str:
        about = self.data.setup.run
        return ", ".join(
            (
                f"{self.name}: {about.vehicle}",
                f"{self.data.readings.height} readings over {self.data.duration_s / 60.0:.1f} min",
                f"{len(self.data.sensors)} measuring points",
                f"{len(self.findings)} findings",
            )
        )

    def __repr__(self) -> str:
        from dashboard.text.shown import clean

        return f"<run {clean(self._told())}>"

    def _repr_html_(self) -> str:
        from dashboard.text.result import check_lines
        from dashboard.text.shown import clean

        lines = (clean(line) for line in check_lines(self.data, "si"))
        return f"<pre>{html.escape(chr(10).join(lines))}</pre>"


def load(
    source: str | Path | pl.DataFrame | pd.DataFrame, setup: str | Path | None = None
) -> LoadedRun:
    """Load a run: a run folder, a log, or a table that is in memory already.

    Parameters
    ----------
    source
        A run folder, its run.toml, a log (then `setup` is needed), or a polars or pandas frame with
        the log's columns (then too).
    setup
        The run.toml; instead of the folder's own where both are there. For a frame, an events file
        it names lies beside it, and what it says of the log's delimiter and marks does not count.

    Returns
    -------
    LoadedRun
        Give it to `analyze`; ``to_frame()`` and ``to_pandas()`` hold its readings.

    Raises
    ------
    UnusableRun
        Where the data cannot be used; its ``faults`` say why, one line each.

    Examples
    --------
    >>> import lukewarm as lw
    >>> lw.load("sample_logs/SC-014-complaint").name
    'SC-014-complaint'

    A frame gives the same run as the log it was read from:

    >>> import polars as pl
    >>> frame = pl.read_csv("sample_logs/SC-019-complaint/log.csv")
    >>> run = lw.load(frame, setup="sample_logs/SC-019-complaint/run.toml")
    >>> run.to_frame().equals(lw.load("sample_logs/SC-019-complaint").to_frame())
    True
    """
    from ingest.errors import Fault, UnusableRun

    where = None if setup is None else Path(setup)
    if isinstance(source, str | Path):
        from ingest.load.load import load_run

        return LoadedRun(load_run(Path(source), where), Path(source))
    if where is None:
        raise UnusableRun(
            Fault(
                "the frame",
                "no set-up",
                'a run.toml that says what its columns are: load(frame, setup="run.toml")',
                "write the frame to a file and draft one with `lukewarm setup FILE`",
            )
        )
    from dashboard.notebook.frames import as_polars
    from ingest.load.frame import load_frame

    return LoadedRun(load_frame(as_polars(source), where))
