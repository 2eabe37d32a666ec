"""The vocabularies as frames: every figure, cause, check and finding there is."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl


def figures() -> pl.DataFrame:
    """Every figure: ``figure, unit, label, definition, low, high`` (default limits).

    Examples
    --------
    >>> import lukewarm as lw
    >>> lw.figures()["figure"][0]
    'steady_outlet_rise'
    """
    import polars as pl

    from analysis.vocabulary import figure_words

    told = figure_words().values()
    limits = [each.limits.get("") for each in told]
    return pl.DataFrame(
        {
            "figure": [each.name for each in told],
            "unit": [each.unit for each in told],
            "label": [each.label for each in told],
            "definition": [each.definition for each in told],
            "low": pl.Series([each.low if each else None for each in limits], dtype=pl.Float64),
            "high": pl.Series([each.high if each else None for each in limits], dtype=pl.Float64),
        }
    )


def causes() -> pl.DataFrame:
    """Every cause: ``cause, title, check`` (the check that confirms it).

    Examples
    --------
    >>> import lukewarm as lw
    >>> lw.causes()["cause"][0]
    'healthy'
    """
    import polars as pl

    from analysis.vocabulary import cause_words

    rows = [rows[0] for rows in cause_words().values()]
    return pl.DataFrame(
        {
            "cause": [row.name for row in rows],
            "title": [row.title for row in rows],
            "check": [row.check for row in rows],
        }
    )


def checks() -> pl.DataFrame:
    """Every check, in the order of the trade: ``check, title, minutes, how, caution``.

    Examples
    --------
    >>> import lukewarm as lw
    >>> "thermostat_test" in lw.checks()["check"]
    True
    """
    import polars as pl

    from analysis.vocabulary import check_words

    rows = check_words().values()
    return pl.DataFrame(
        {
            "check": [row.name for row in rows],
            "title": [row.title for row in rows],
            "minutes": [row.minutes for row in rows],
            "how": [row.how for row in rows],
            "caution": [row.caution for row in rows],
        }
    )


def findings() -> pl.DataFrame:
    """Every kind of finding in a log: ``finding, meaning, remedy``.

    Examples
    --------
    >>> import lukewarm as lw
    >>> "gap" in lw.findings()["finding"]
    True
    """
    import polars as pl

    from analysis.vocabulary import finding_words

    told = finding_words().values()
    return pl.DataFrame(
        {
            "finding": [each.name for each in told],
            "meaning": [each.meaning for each in told],
            "remedy": [each.remedy for each in told],
        }
    )
