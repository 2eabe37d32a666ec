"""Many runs at a glance: one line a run, as plain text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from dashboard.text.shown import SIGNS, clean, figure_text, words

RISE: Final = "steady_outlet_rise"
WARM_UP: Final = "warm_up_time"

COLUMNS: Final = (("Run", 22), ("Verdict", 12), ("Outlet rise", 14), ("Warm after", 14))


def summary_lines(documents: Iterable[Mapping[str, Any]], units: str) -> list[str]:
    """A heading and one line a run: verdict, the two figures an owner feels, the likeliest cause.

    Parameters
    ----------
    documents
        Results, `schema` 1; a run that could not be used has ``error``.
    units
        ``si`` or ``us``.
    """
    head = "".join(f"{name:<{width}}" for name, width in COLUMNS) + "Likeliest cause"
    return [head, "-" * 79, *(_line(document, units) for document in documents)]


def _line(document: Mapping[str, Any], units: str) -> str:
    name = clean(document.get("run", {}).get("name") or document.get("run", {}).get("vehicle"))
    if "error" in document:
        return f"{_fit(name, 22)}{'not usable':<12}{clean(document['error'][0])[:44]}"
    figures = document["figures"]
    verdict = str(document["verdict"])
    cells = [
        _fit(name, 22),
        f"{SIGNS.get(verdict, '')} {verdict:<10}",
        _fit(figure_text(figures[RISE], units) or "–", 14),
        _fit(figure_text(figures[WARM_UP], units) or "–", 14),
    ]
    return "".join(cells) + _cause(document)


def _cause(document: Mapping[str, Any]) -> str:
    causes = document.get("causes") or []
    if not causes:
        return "–"
    first = causes[0]
    return f"{words(first['cause'])} {100.0 * first['probability']:.0f} %"


def _fit(text: str, width: int) -> str:
    return f"{text if len(text) < width else text[: width - 2] + '…':<{width}}"
