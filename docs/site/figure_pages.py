"""One page a figure, from its registry, its docstring and a sample run."""

from __future__ import annotations

import math

from analysis.limits import Limit
from analysis.vocabulary import FigureWords, cause_words, figure_words
from dashboard.text.shown import COVERAGE, conversion, value_and_uncertainty, words
from dashboard.text.shown import plain as number
from docs.site.markdown import code, contents, page, plain, table
from docs.site.pictures import Shown, picture, shown


def figure_pages() -> dict[str, str]:
    """Text of every page by its path, and of the page that lists them."""
    names = list(figure_words())
    listed = page(
        "# Figures",
        "What is measured. Each page has the definition, the equation, what its uncertainty holds "
        "with the budget of a sample run, when it is not measured, and a picture.",
        contents(names),
    )
    pages = {f"figures/{name}.md": _page(figure) for name, figure in figure_words().items()}
    return pages | {"figures/index.md": listed}


def _page(figure: FigureWords) -> str:
    sample = shown(figure.name)
    unit = conversion(figure.unit, "si").unit
    moved = [f"[{plain(words(cause))}](../causes/{cause}.md)" for cause in _movers(figure.name)]
    return page(
        f"# {plain(figure.label)}",
        f"{code(figure.name)}, {plain(unit) or 'a ratio'}",
        "## Definition",
        plain(figure.definition),
        "## Equation",
        f"```text\n{figure.equation}\n```",
        "## In a sample run",
        _sample(figure, sample),
        "## Uncertainty",
        plain(figure.uncertainty),
        "" if sample is None else _budget(sample, unit),
        "## When it is not measured",
        plain(figure.missing),
        "## Limits",
        _limits(figure),
        "## What moves it",
        ", ".join(moved) if moved else "No cause of this program's list by itself.",
        "## Source",
        plain(figure.source),
    )


def _movers(figure: str) -> list[str]:
    return [
        cause for cause, rows in cause_words().items() if any(figure in row.moves for row in rows)
    ]


def _sample(figure: FigureWords, sample: Shown | None) -> str:
    if sample is None:
        return "No run of the sample logs has it: it is measured of a part on the bench."
    value, spread = value_and_uncertainty(
        sample.measured.known(), COVERAGE * (sample.measured.u or 0.0)
    )
    unit = conversion(figure.unit, "si").unit
    told = f"{code(sample.run)}: {value} ± {spread} {plain(unit)} (k = 2), from what is shaded."
    drawn = picture(figure.name, figure.equation, sample)
    return f"{told}\n\n```{{raw}} html\n{drawn}\n```"


def _budget(sample: Shown, unit: str) -> str:
    measured = sample.measured
    u = measured.u or 0.0
    parts = {"scatter, drift and fit": measured.random} | dict(measured.shared)
    kept = {name: part for name, part in parts.items() if abs(part) > 1e-3 * u}
    rows = [
        (plain(name), _two_digits(abs(part)), f"{100.0 * (part / u) ** 2:.0f} %")
        for name, part in sorted(kept.items(), key=lambda item: -abs(item[1]))
    ]
    rows.append(("together (root of the sum of squares)", _two_digits(u), "100 %"))
    told = f"The budget of {code(sample.run)}, standard uncertainties (k = 1):"
    return f"{told}\n\n{table(('part', unit or 'u', 'share of the variance'), rows)}"


def _two_digits(value: float) -> str:
    if value <= 0.0 or not math.isfinite(value):
        return "0"
    return value_and_uncertainty(value, value)[1]


def _limits(figure: FigureWords) -> str:
    rows = [
        (plain(layout or "all heaters"), _bounds(limit, figure.unit), plain(limit.basis))
        for layout, limit in figure.limits.items()
    ]
    told = table(("heater", "limit", "basis"), rows)
    return told or "None by default; good cars of the family, or tuning, can set one."


def _bounds(limit: Limit, unit: str) -> str:
    told = conversion(unit, "si").unit
    bounds = [
        f"{number(bound)} {told} or {side}".replace("  ", " ")
        for bound, side in ((limit.low, "more"), (limit.high, "less"))
        if bound is not None
    ]
    return plain(" and ".join(bounds) or "none")
