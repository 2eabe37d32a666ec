"""The main job from a notebook: one run, or many at once on all processors."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from dashboard.notebook.found import Found
from dashboard.notebook.runs import LoadedRun, load
from dashboard.places import limits_of

if TYPE_CHECKING:
    import polars as pl

    from analysis.baseline import Baseline
    from analysis.limits import Limits
    from dashboard.notebook.store import Store
    from dashboard.places import UnitSystem
    from ingest.errors import LukewarmError
    from ingest.run import Run


def analyze(
    run: LoadedRun | str | Path,
    baseline: str | Path | Store | Baseline | None = None,
    limits: str | Path | Limits | None = None,
    *,
    units: UnitSystem = "si",
) -> Found:
    """Figures, verdict and causes of one run.

    Parameters
    ----------
    run
        What `load` gave, or a place it can load.
    baseline
        Known-good cars: a run store, a folder of run folders, an open `Store`, or the ``baseline``
        of an earlier result, which saves reading them again. Where it holds enough cars of the
        run's family, they set the limits.
    limits
        A limits file, or limits as `tune` gives them; the default ones where None.
    units
        ``si`` or ``us``: what is printed and drawn; numbers stay SI.

    Returns
    -------
    Found
        ``figures``, ``verdict``, ``causes``, ``next_check``, frames and the document.

    Raises
    ------
    UnusableRun
        Where the run, the baseline or the limits cannot be used.

    Examples
    --------
    >>> import lukewarm as lw
    >>> found = lw.analyze(lw.load("sample_logs/SC-014-complaint"))
    >>> found.verdict
    'fail'
    >>> dead = found.figures["dead_travel_cold"]
    >>> dead.unit, dead.value > dead.high, dead.verdict
    ('%', True, 'fail')
    """
    from analysis.pipeline import analyze as run_pipeline

    loaded = run if isinstance(run, LoadedRun) else load(run)
    good = baseline_of(baseline)
    analysis = run_pipeline(
        loaded.data, limits=limits_with(limits, baseline), baseline=good, checked=loaded.checked()
    )
    return Found(analysis, loaded, good, units)


class Many(NamedTuple):
    """Results of many runs.

    Parameters
    ----------
    figures
        One row a run and figure (columns: `analysis.tables.figures_frame`). A run that could not be
        used has one row, whose ``error`` says why.
    causes
        One row a run and cause (columns: `analysis.tables.causes_frame`).
    """

    figures: pl.DataFrame
    causes: pl.DataFrame


def analyze_many(
    places: str | Path | Iterable[str | Path],
    jobs: int = 0,
    cluster: str | None = None,
    *,
    setup: str | Path | None = None,
    baseline: str | Path | Store | Baseline | None = None,
    limits: str | Path | Limits | None = None,
) -> Many:
    """Figures and causes of many runs, as two frames in the order of the places.

    Parameters
    ----------
    places
        Run folders, folders of run folders, patterns, or logs with `setup`.
    jobs
        Processes to use; 0 for all cores, 1 for none but this one.
    cluster
        Address of a running Dask scheduler to hand the work to; `jobs` does not count then.
    setup
        The run.toml for places that are logs.
    baseline, limits
        As for `analyze`.

    Raises
    ------
    UnusableRun
        Where the baseline, the limits or the cluster cannot be used. A run that cannot be used is
        no error: it has a row that says why.

    Examples
    --------
    >>> import lukewarm as lw
    >>> figures, causes = lw.analyze_many("sample_logs/SC-014-*", jobs=1)
    >>> figures["run"].unique().sort().to_list()
    ['SC-014-after-repair', 'SC-014-complaint']
    """
    from analysis.tables import causes_frame, figures_frame
    from dashboard.jobs import Job, documents
    from dashboard.places import expand
    from ingest.work.each import FEW
    from ingest.work.outcome import Workers

    given = [places] if isinstance(places, str | Path) else list(places)
    job = Job(
        None if setup is None else Path(setup), limits_with(limits, baseline), baseline_of(baseline)
    )
    found = expand(map(str, given))
    few = not jobs and len(found) <= FEW  # not worth a process
    told = [each for _, each in documents(found, job, Workers(1 if few else jobs, cluster))]
    return Many(figures_frame(told), causes_frame(told))


def baseline_of(baseline: str | Path | Store | Baseline | None) -> Baseline | None:
    """The good cars meant: read from a folder, of an open store, given, or none."""
    from dashboard.notebook.store import Store

    if baseline is None:
        return None
    if isinstance(baseline, Store):
        from analysis.compare.judging import judging_of
        from analysis.compare.stored import baseline_from_store

        return judging_of(baseline.opened).baseline or baseline_from_store(baseline.opened)
    if isinstance(baseline, str | Path):
        from dashboard.places import read_baseline

        return read_baseline(Path(baseline), _with_warnings)
    return baseline


def limits_with(
    limits: str | Path | Limits | None, baseline: str | Path | Store | Baseline | None
) -> Limits:
    """The limits meant; a store as the baseline brings the limits it decided on."""
    from dashboard.notebook.store import Store
    from dashboard.places import read_store_limits

    if limits is None and isinstance(baseline, Store):
        from analysis.compare.judging import judging_of

        return judging_of(baseline.opened).limits
    if limits is None and isinstance(baseline, str | Path):
        return read_store_limits(Path(baseline)) or limits_of(None)
    return limits_of(limits)


def _with_warnings(folders: list[Path]) -> Iterator[tuple[Path, Run | LukewarmError]]:
    """Load run folders; one that cannot be used is warned of and left out."""
    import warnings

    from ingest.errors import LukewarmError
    from ingest.load.load import load_run

    for folder in folders:
        try:
            yield folder, load_run(folder)
        except LukewarmError as error:
            warnings.warn(f"baseline: {folder} left out: {error}", stacklevel=2)
            yield folder, error
