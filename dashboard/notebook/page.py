"""One result in six lines of text, and as a table in HTML."""

from __future__ import annotations

import html
from collections.abc import Mapping
from typing import Any, Final

from dashboard.text.answer import WORTH_NAMING, measures_next
from dashboard.text.shown import SIGNS, clean, figure_text, limit_text, words

WIDTH: Final = 80
HEAD: Final = 9
SHOWN: Final = ("fail", "undecided", "pass", "not measured")

HEADINGS: Final = "".join(
    f"<th>{each}</th>" for each in ("Figure", "Value ± U (k = 2)", "Limits", "Verdict", "Note")
)

CSS: Final = (
    "<style>.lukewarm td, .lukewarm th"
    " {text-align: left; vertical-align: top; padding: 2px 12px 2px 0}"
    " .lukewarm td.number {text-align: right; white-space: nowrap}"
    " .lukewarm caption {text-align: left; font-weight: bold; color: inherit}</style>"
)


def found_lines(document: Mapping[str, Any], units: str) -> list[str]:
    """Six lines: the car, what fails, how many figures do what, causes, next check, the log.

    Parameters
    ----------
    document
        A result.
    units
        ``si`` or ``us``.
    """
    figures, counts = document["figures"], _counts(document)
    failed = [
        f"{words(name)} {figure_text(figure, units)}"
        for name, figure in figures.items()
        if _verdict(figure) == "fail"
    ]
    told = ", ".join(f"{count} {verdict}" for verdict, count in counts.items() if count)
    limits, found = document.get("limits") or {}, len(document.get("quality") or ())
    lines = (
        ("", f"{_head(document)}  {str(document['verdict']).upper()}"),
        ("fails", _fitting(failed) or "nothing"),
        ("figures", f"{told}; limits {clean(limits.get('version', ''))}"),
        ("causes", _causes(document)),
        ("next", _next(document)),
        ("log", "1 finding" if found == 1 else f"{found} findings"),
    )
    return [_cut(f"{name:<{HEAD}}{text}" if name else text) for name, text in lines]


def _fitting(parts: list[str]) -> str:
    """As many of the parts as fit one line, and how many more there are."""
    room = WIDTH - HEAD - len(", and 99 more")
    shown = list(parts)
    while len(shown) > 1 and len(", ".join(shown)) > room:
        shown.pop()
    rest = len(parts) - len(shown)
    return ", ".join(shown) + (f", and {rest} more" if rest else "")


def found_html(document: Mapping[str, Any], units: str) -> str:
    """The figures as a table, the causes and the next check below it.

    Every text is escaped: names come from logs and set-ups.
    """
    rows = "".join(
        f"<tr><td>{_text(words(name))}</td>"
        f'<td class="number">{_text(figure_text(figure, units) or "–")}</td>'
        f"<td>{_text(limit_text(figure, units))}</td>"
        f"<td>{SIGNS.get(_verdict(figure), '')} {_text(_verdict(figure))}</td>"
        f"<td>{_text(figure.get('note') or '')}</td></tr>"
        for name, figure in sorted(
            document["figures"].items(), key=lambda item: item[1]["value"] is None
        )
    )
    verdict = str(document["verdict"])
    caption = f"{_text(_head(document))}: {SIGNS.get(verdict, '')} {_text(verdict)}"
    return (
        f'{CSS}<div style="overflow-x: auto"><table class="lukewarm"><caption>{caption}</caption>'
        f"<thead><tr>{HEADINGS}</tr></thead>"
        f"<tbody>{rows}</tbody></table></div>"
        f"<p><b>Likely causes</b> {_text(_causes(document))}</p>{_next_html(document)}"
    )


def _head(document: Mapping[str, Any]) -> str:
    run = document["run"]
    parts = (run.get("name"), run.get("vehicle"), run.get("family"), run.get("purpose"))
    return "  ".join(dict.fromkeys(clean(part) for part in parts if part))


def _verdict(figure: Mapping[str, Any]) -> str:
    """A figure's verdict; one that is measured and has no limit has none."""
    if figure["value"] is not None and not figure["limit"]:
        return "no limit"
    return str(figure["verdict"])


def _counts(document: Mapping[str, Any]) -> dict[str, int]:
    verdicts = [_verdict(figure) for figure in document["figures"].values()]
    return {each: verdicts.count(each) for each in (*SHOWN, "no limit")}


def _causes(document: Mapping[str, Any]) -> str:
    return _fitting(
        [
            f"{words(each['cause'])} {100.0 * each['probability']:.0f} %"
            for each in document["causes"]
            if each["probability"] >= WORTH_NAMING
        ]
    )


def _next(document: Mapping[str, Any]) -> str:
    if measures_next(document):  # as every screen says first
        return clean(document["next_measurement"]["what"])
    return _check(document.get("next_check"))


def _check(check: Mapping[str, Any] | None) -> str:
    return f"{clean(check['title'])} ({check['minutes']:g} min)" if check else "nothing"


def _next_html(document: Mapping[str, Any]) -> str:
    check, first = document.get("next_check"), ""
    if measures_next(document):
        following = document["next_measurement"]
        first = f"<p><b>Next</b> {_text(following['what'])}. {_text(following['how'])}</p>"
    if not check:
        return first
    return (
        f"{first}<p><b>Next check</b> {_text(_check(check))}. {_text(check['how'])} "
        f"<b>Caution:</b> {_text(check['caution'])}</p>"
    )


def _text(text: object) -> str:
    return html.escape(clean(text))


def _cut(line: str) -> str:
    return line if len(line) <= WIDTH else line[: WIDTH - 3] + "..."
