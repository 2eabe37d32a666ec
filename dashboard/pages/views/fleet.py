"""The fleet as a table and a picture: choosing, sorting and paging rows, nothing more."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from dashboard.plots import theme
from dashboard.text.shown import clean, conversion, figure_text, words

if TYPE_CHECKING:
    import plotly.graph_objects as go

ROWS_A_PAGE: Final = 50

WORST_FIRST: Final = {"fail": 0, "undecided": 1, "not measured": 2, "pass": 3}

SORTS: Final = {
    "worst": "worst verdict first",
    "newest": "newest first",
    "low": "lowest figure first",
    "high": "highest figure first",
    "car": "by car",
}

NO_FAMILY: Final = "no family"


@dataclass(frozen=True)
class Choice:
    """Which runs are shown and how; empty leaves a property free.

    Parameters
    ----------
    figure
        The figure shown beside each run.
    family, verdict, purpose
        As the table of runs writes them.
    cause
        The likeliest cause, by its name.
    text
        Looked for in car, name, likeliest cause and figures that failed, in the page's words.
    sort
        A key of `SORTS`.
    """

    figure: str
    family: str = ""
    verdict: str = ""
    purpose: str = ""
    cause: str = ""
    text: str = ""
    sort: str = "worst"


def chosen(runs: pl.DataFrame, figures: pl.DataFrame, choice: Choice) -> pl.DataFrame:
    """The runs chosen, sorted, with the chosen figure joined.

    Parameters
    ----------
    runs
        One row a run.
    figures
        One row a run and figure.
    choice
        What is wanted.

    Returns
    -------
    DataFrame
        Columns of `runs`, then ``value, u, unit, figure_verdict, low, high`` (null where the
        figure was not measured).
    """
    one = figures.filter(pl.col("figure") == choice.figure).select(
        pl.col("run_id").alias("id"),
        "value",
        "u",
        "unit",
        pl.col("verdict").alias("figure_verdict"),
        "low",
        "high",
    )
    frame = runs.join(one, on="id", how="left", maintain_order="left")
    for column in ("family", "verdict", "purpose"):
        wanted = getattr(choice, column)
        if wanted:
            frame = frame.filter(pl.col(column).fill_null(NO_FAMILY) == wanted)
    if choice.cause:
        frame = frame.filter(pl.col("first_cause") == choice.cause)
    if choice.text:
        frame = _having(frame, figures, choice.text)
    return _sorted(frame, choice.sort)


def _having(frame: pl.DataFrame, figures: pl.DataFrame, text: str) -> pl.DataFrame:
    """Runs in whose car, name, cause or failed figures a text stands, as the page writes them."""
    failed = (
        figures.filter(pl.col("verdict") == "fail")
        .group_by("run_id")
        .agg(pl.col("figure").map_elements(words, return_dtype=pl.String).str.join(", "))
    )
    titles = {name: cause_title(name) for name in frame["first_cause"].unique() if name}
    told = frame.join(
        failed.select(pl.col("run_id").alias("id"), pl.col("figure").alias("failed")),
        on="id",
        how="left",
        maintain_order="left",
    ).with_columns(
        pl.col("first_cause")
        .replace_strict(titles, default="", return_dtype=pl.String)
        .alias("title"),
        pl.col("first_cause").map_elements(words, return_dtype=pl.String),
    )
    hit = pl.any_horizontal(
        pl.col(column).fill_null("").str.to_lowercase().str.contains(text.casefold(), literal=True)
        for column in ("vehicle", "name", "first_cause", "title", "failed")
    )
    return frame.filter(told.select(hit).to_series())


def cause_title(name: str) -> str:
    """A cause in plain words; its name as words where the table has no such cause."""
    from analysis.causes.knowledge import NO_FAULT, knowledge

    if name == NO_FAULT:
        return "nothing wrong"
    titles = {row.name: row.title for row in knowledge().cause}
    return titles.get(name, words(name))


def _sorted(frame: pl.DataFrame, sort: str) -> pl.DataFrame:
    if sort == "worst":
        rank = pl.col("verdict").replace_strict(WORST_FIRST, default=9, return_dtype=pl.Int64)
        return frame.sort(rank, maintain_order=True)
    if sort in ("low", "high"):
        return frame.sort("value", descending=sort == "high", nulls_last=True, maintain_order=True)
    if sort == "car":
        return frame.sort("vehicle", maintain_order=True)
    return frame


def page_of(frame: pl.DataFrame, page: int) -> tuple[pl.DataFrame, int, int]:
    """One page of rows, its number and how many there are; beyond the last is the last."""
    pages = max(1, -(-frame.height // ROWS_A_PAGE))
    page = min(max(1, page), pages)
    return frame.slice((page - 1) * ROWS_A_PAGE, ROWS_A_PAGE), page, pages


def families(runs: pl.DataFrame) -> list[dict[str, Any]]:
    """Cars, runs and verdicts of each family, the one with most failures first."""
    verdicts = [(pl.col("verdict") == word).sum().alias(word) for word in WORST_FIRST]
    return (
        runs.with_columns(pl.col("family").fill_null(NO_FAMILY))
        .group_by("family")
        .agg(
            pl.col("vehicle").n_unique().alias("cars"),
            pl.len().alias("runs"),
            (pl.col("purpose") == "baseline").sum().alias("good"),
            *verdicts,
        )
        .sort(["fail", "family"], descending=[True, False])
        .to_dicts()
    )


def row_figure(row: dict[str, Any]) -> dict[str, Any]:
    """The figure of a row as the result document writes it."""
    limit = {side: row[side] for side in ("low", "high") if row[side] is not None}
    return {
        "value": row["value"],
        "u": row["u"],
        "unit": row["unit"],
        "verdict": row["figure_verdict"],
        "limit": limit or None,
    }


SYMBOLS: Final = {
    "good": ("diamond-open", theme.INK, "known good"),
    "pass": ("circle", theme.GREEN, "pass"),
    "undecided": ("triangle-up", theme.VERDICTS["undecided"].color, "undecided"),
    "fail": ("x", theme.VERDICTS["fail"].color, "fail"),
    "": ("circle-open", theme.SOFT_INK, "no limit"),
}
"""Shape, color and word of the marks."""

GOLDEN: Final = 0.618033988749895
ROW_PX: Final = 74


def fleet_plot(frame: pl.DataFrame, figure: str, units: str) -> go.Figure:
    """Every run's value of one figure, a row a family, with the limits it was judged by.

    Parameters
    ----------
    frame
        From `chosen`.
    figure
        The figure's name.
    units
        ``si`` or ``us``.
    """
    import plotly.graph_objects as go

    known = frame.filter(pl.col("value").is_not_null()).with_columns(
        pl.col("family").fill_null(NO_FAMILY)
    )
    rows = sorted(known["family"].unique().to_list(), reverse=True)
    unit = str(known["unit"][0]) if known.height else ""
    shown = conversion(unit, units)
    picture = go.Figure(layout=theme.base_layout())
    marked: dict[str, list[tuple[dict[str, Any], float]]] = {}
    counts = dict.fromkeys(rows, 0)
    for row in known.iter_rows(named=True):
        place = counts[row["family"]] = counts[row["family"]] + 1
        # marks side by side instead of over each other, the same way every time
        lift = 0.62 * (place * GOLDEN % 1.0 - 0.5)
        marked.setdefault(_mark(row), []).append((row, rows.index(row["family"]) + lift))
    for mark, (symbol, color, word) in SYMBOLS.items():
        told = marked.get(mark, [])
        if told:
            picture.add_trace(
                go.Scatter(
                    x=[round(row["value"] * shown.factor + shown.offset, 4) for row, _ in told],
                    y=[round(height, 3) for _, height in told],
                    mode="markers",
                    name=word,
                    marker={"symbol": symbol, "color": color, "size": 10, "line": {"width": 1.5}},
                    text=[_hover(row, units) for row, _ in told],
                    customdata=[row["id"] for row, _ in told],
                    hovertemplate="%{text}<extra></extra>",
                )
            )
    _limits(picture, known, rows, shown.factor, shown.offset)
    picture.update_layout(
        hovermode="closest",
        height=110 + ROW_PX * max(1, len(rows)),
        showlegend=True,
        legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0},
        margin={"l": 12, "r": 14, "t": 40, "b": 52},
        xaxis=theme.axis(title={"text": f"{words(figure)}, {shown.unit}".rstrip(", ")}),
        yaxis=theme.axis(
            tickvals=list(range(len(rows))),
            ticktext=[_plotly_text(row) for row in rows],
            range=[-0.55, max(0, len(rows) - 1) + 0.55],
            automargin=True,
            showgrid=False,
            fixedrange=True,
        ),
    )
    return picture


def _mark(row: dict[str, Any]) -> str:
    if row["purpose"] == "baseline":
        return "good"
    limited = row["low"] is not None or row["high"] is not None
    return row["figure_verdict"] if limited and row["figure_verdict"] in SYMBOLS else ""


def _plotly_text(text: str) -> str:
    """Text for Plotly, which reads a little HTML."""
    return clean(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")[:60]


def _hover(row: dict[str, Any], units: str) -> str:
    told = (row["vehicle"], row["purpose"] or "", figure_text(row_figure(row), units))
    return "<br>".join(_plotly_text(each) for each in told if each)


def _limits(
    picture: go.Figure, known: pl.DataFrame, rows: list[str], factor: float, offset: float
) -> None:
    """A bracket at each limit of each family, opening towards the allowed side."""
    pairs = known.select("family", "low", "high").unique()
    for family, low, high in pairs.iter_rows():
        middle = rows.index(family)
        for limit, inward in ((low, 5), (high, -5)):
            if limit is None:
                continue
            at = limit * factor + offset
            picture.add_shape(
                type="path",
                xsizemode="pixel",
                xanchor=at,
                path=f"M{inward},{middle - 0.42}L0,{middle - 0.42}L0,{middle + 0.42}"
                f"L{inward},{middle + 0.42}",
                line={"color": theme.INK, "width": 2.5},
            )
