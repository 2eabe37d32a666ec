"""The edge where pandas frames come in and go out; nothing else in the program knows pandas.

Column by column, by way of NumPy and plain lists: the general converters of both libraries need a
third one, 170 MB large, for the same.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl


def to_pandas(frame: pl.DataFrame) -> pd.DataFrame:
    """A polars frame as a pandas one: null becomes NaN, NaT or None, texts stay texts."""
    import pandas as pd

    return pd.DataFrame({name: _out(frame[name]) for name in frame.columns})


def _out(column: pl.Series) -> pd.Series:
    import pandas as pd
    import polars as pl

    kind = column.dtype
    if isinstance(kind, pl.Datetime):
        moments = pd.Series(column.dt.replace_time_zone(None).to_numpy())
        if kind.time_zone is None:
            return moments
        # polars holds instants, which taking the zone away has turned into its wall clock
        instants = pd.Series(
            column.dt.convert_time_zone("UTC").dt.replace_time_zone(None).to_numpy()
        )
        return instants.dt.tz_localize("UTC").dt.tz_convert(kind.time_zone)
    if kind.is_float() or (kind.is_integer() and not column.null_count()):
        return pd.Series(column.to_numpy())
    return pd.Series(column.to_list(), dtype="object" if kind.is_nested() else None)


def as_polars(frame: pl.DataFrame | pd.DataFrame) -> pl.DataFrame:
    """A frame of either kind as a polars one.

    Of a pandas frame an index that has a name becomes a column.

    Raises
    ------
    UnusableRun
        Where it is no frame, or two columns have one name.
    """
    import polars as pl

    from ingest.errors import Fault, UnusableRun

    if isinstance(frame, pl.DataFrame):
        return frame
    # who has a pandas frame has loaded pandas
    if "pandas" not in sys.modules or not isinstance(frame, sys.modules["pandas"].DataFrame):
        raise UnusableRun(
            Fault(
                "load",
                f"a {type(frame).__name__}",
                "a path, or a polars or pandas frame",
                "give one of these",
            )
        )
    table: pd.DataFrame = frame
    if table.index.name is not None and table.index.name not in table.columns:
        table = table.reset_index()
    names = [str(name) for name in table.columns]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UnusableRun(
            Fault(
                "the frame",
                f"several columns named {', '.join(map(repr, twice))}",
                "every name once",
                "rename the columns",
            )
        )
    return pl.DataFrame([_in(name, table.iloc[:, place]) for place, name in enumerate(names)])


def _in(name: str, column: pd.Series) -> pl.Series:
    import pandas as pd
    import polars as pl

    kind = column.dtype
    if isinstance(kind, pd.DatetimeTZDtype):
        instants = column.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy()
        return pl.Series(name, instants).dt.replace_time_zone("UTC")
    if getattr(kind, "kind", "O") in "iufbmM" and not isinstance(
        kind, pd.api.extensions.ExtensionDtype
    ):
        return pl.Series(name, column.to_numpy(), nan_to_null=True)
    missing = column.isna()
    if pd.api.types.is_numeric_dtype(kind):  # those with their own mark for no value
        return pl.Series(name, column.to_numpy("float64", na_value=float("nan")), nan_to_null=True)
    return pl.Series(
        name,
        [None if gone else str(cell) for cell, gone in zip(column, missing, strict=True)],
        dtype=pl.String,
    )
