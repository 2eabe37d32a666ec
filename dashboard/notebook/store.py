"""A run store in a notebook: its tables, comparisons, limits tuned from labels."""

from __future__ import annotations

import html
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Self

from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

    from analysis.limits import Limits
    from analysis.tune.change import Changed
    from analysis.tune.tuning import Tuning
    from dashboard.places import UnitSystem
    from ingest.store import store as store_module

By = Literal["family", "plant", "month", "vehicle", "purpose", "repair", "cause"]


class Store:
    """An open run store; closed with the block it is opened for.

    Parameters
    ----------
    place
        The store's folder.
    database
        URL of a PostgreSQL catalog, where the store does not know it.

    Raises
    ------
    UnusableRun
        Where the folder is no store, or its catalog cannot be reached.

    Examples
    --------
    >>> import lukewarm as lw
    >>> with lw.Store("fleet") as store:
    ...     store.runs(family="Plover")["family"].unique().to_list()
    ['Plover']
    """

    def __init__(self, place: str | Path, database: str | None = None) -> None:
        from dashboard.places import open_store

        self.opened: store_module.Store = open_store(Path(place), database)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<store {self.opened.folder.name}>"

    def close(self) -> None:
        """Release the catalog."""
        self.opened.close()

    def runs(
        self,
        *,
        family: str | None = None,
        vehicle: str | None = None,
        verdict: str | None = None,
        purpose: str | None = None,
        plant: str | None = None,
    ) -> pl.DataFrame:
        """One row a run, newest first (columns: `ingest.store.read.runs`)."""
        from ingest.store.read import Filter, runs

        return runs(self.opened, Filter(family, vehicle, verdict, purpose, plant))

    def figures(self, names: Collection[str] | None = None) -> pl.DataFrame:
        """One row a run and figure (columns: `ingest.store.read.figures`).

        Examples
        --------
        >>> import lukewarm as lw
        >>> with lw.Store("fleet") as store:
        ...     store.figures(["warm_up_time"])["unit"].unique().to_list()
        ['s']
        """
        from ingest.store.read import figures

        return figures(self.opened, names)


def compare(
    store: Store,
    by: By | None = None,
    *,
    car: str | None = None,
    figures: Sequence[str] = (),
    against: str | None = None,
    family: str | None = None,
    purpose: str | None = None,
    over_time: bool = False,
) -> pl.DataFrame:
    """Runs against baselines and against each other: effects with intervals.

    Parameters
    ----------
    store
        The open store.
    by
        What is put side by side; None for a `car` against the good cars of its family.
    car, family, purpose
        Only these.
    figures
        Only these; all where empty.
    against
        A group to compare with instead of all others.
    over_time
        Whether the level has changed, and since when.

    Returns
    -------
    polars.DataFrame
        As ``lukewarm compare STORE --out FILE`` writes it; ``runs`` lists the runs behind a row.

    Raises
    ------
    UnusableRun
        Where a name is not in the store or nothing can be compared.

    Examples
    --------
    >>> import lukewarm as lw
    >>> with lw.Store("fleet") as store:
    ...     found = lw.compare(store, by="family", figures=["steady_outlet_rise"])
    >>> found["unit"].unique().to_list()
    ['K']
    """
    from analysis.compare.answer import Question
    from analysis.compare.ask import ask

    question = Question(by, car, tuple(figures), against, family, purpose, over_time=over_time)
    answer, _ = ask(store.opened, question)
    return answer.sheet.frame


@dataclass(frozen=True, repr=False)
class Tuned:
    """Limits tuned from labelled runs; ``print`` says all that is worth reading.

    Parameters
    ----------
    tuning
        Everything that was found.
    changed
        Runs of the store that would change sides.
    units
        ``si`` or ``us``: what is printed.
    """

    tuning: Tuning
    changed: Sequence[Changed]
    units: UnitSystem = "si"

    @property
    def limits(self) -> Limits:
        """The limits in force with the tuned ones in place; `analyze` takes them."""
        return self.tuning.limits

    def to_frame(self) -> pl.DataFrame:
        """One row a figure, a family of it and a cause: limit, interval, risks, costs."""
        from dashboard.text.tuning_table import report_frame

        return report_frame(self.tuning)

    def write(self, out: str | Path) -> Path:
        """Write the limits file.

        Raises
        ------
        UnusableRun
            Where it cannot be written.
        """
        from analysis.tune.limits_file import limits_text
        from ingest.load.load import write_text

        write_text(Path(out), limits_text(self.limits))
        return Path(out)

    def __str__(self) -> str:
        from dashboard.text.tuning import tuning_lines

        return "\n".join(tuning_lines(self.tuning, self.changed, self.units))

    def __repr__(self) -> str:
        moved = sum(each.limit is not None for each in self.tuning.figures)
        return f"<tuned {moved} limits, {len(self.changed)} runs change sides>"

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"


def tune(
    store: Store,
    labels: str | Path,
    *,
    cost_missed: float = 3.0,
    cost_needless: float = 1.0,
    bad_share: float | None = None,
    families: Sequence[str] = (),
    against: str | Path | Limits | None = None,
    seed: int = 0,
    units: UnitSystem = "si",
) -> Tuned:
    """Limits from labelled runs: what they catch, what they cost, what they would change.

    Parameters
    ----------
    store
        The open store.
    labels
        A CSV file: run or car, label (good, bad), cause, source, date.
    cost_missed, cost_needless
        Cost of passing a bad car and of failing a good one.
    bad_share
        Share of bad cars in use, where it is known.
    families
        Only these; all where empty.
    against
        The limits in force; those each run was judged with where None.
    seed
        Of everything drawn at random.
    units
        ``si`` or ``us``: what is printed.

    Raises
    ------
    UnusableRun
        Where the labels are wrong or belong to no run of the store.

    Examples
    --------
    >>> import lukewarm as lw
    >>> with lw.Store("fleet") as store:
    ...     tuned = lw.tune(store, labels="labels.csv")
    >>> lw.analyze("sample_logs/SC-014-complaint", limits=tuned.limits).verdict
    'fail'
    """
    from analysis.tune.search.choice import Costs
    from analysis.tune.stored import tune_store
    from analysis.tune.tuning import Options
    from dashboard.places import limits_of
    from ingest.load.load import read_text

    path = Path(labels)
    in_force = None if against is None else limits_of(against)
    options = Options(Costs(cost_missed, cost_needless, bad_share), tuple(families), seed=seed)
    tuning, changed = tune_store(store.opened, read_text(path), path.name, in_force, options)
    return Tuned(tuning, changed, units)
