"""The answer in one sentence: what every screen, picture and report says of a run first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from dashboard.text.shown import SIGNS, clean, figure_name, figure_text, limit_text, said_in, words

SURE: Final = 0.5
"""A cause is named in the answer from this probability on."""

WORTH_NAMING: Final = 0.10
"""Causes less probable than this are put together."""

VISIBLE: Final = 0.8
"""Power from which a moderate case could not have stayed unseen (docs/contract.md)."""

MAX_HIDDEN: Final = 3
"""Causes named as not to be seen; the rest are counted."""


def answer(document: Mapping[str, Any], units: str) -> str:
    """The verdict with what decides it, the likeliest cause, and what to do.

    Parameters
    ----------
    document
        A result document.
    units
        ``si`` or ``us``.

    Returns
    -------
    str
        Without the mark or the full stop that a screen puts around it.
    """
    verdict = str(document.get("verdict") or "not measured")
    said = f"{verdict}{_because(document, verdict, units)}"
    causes = document.get("causes") or ()
    first = causes[0] if causes else {"cause": "healthy"}
    probability = float(first.get("probability") or 0.0)
    if first["cause"] != "healthy" and probability >= SURE:
        title = clean(first.get("title") or words(str(first["cause"])))
    else:
        title = ""
    if title and title not in said:
        said += f". Most likely {title} ({100.0 * probability:.0f} %)"
    check = document.get("next_check")
    if measures_next(document):
        said += f". Next: {clean(document['next_measurement']['what'])}"
    elif check and verdict != "pass":
        minutes = check.get("minutes")
        said += f". Next: {clean(check.get('title') or words(str(check.get('check', ''))))}"
        said += f", {minutes:g} min" if minutes is not None else ""
    return said


def measures_next(document: Mapping[str, Any]) -> bool:
    """Whether a measurement comes before any check: nothing is wrong as far as was seen."""
    causes = document.get("causes") or ({"cause": ""},)
    return (
        document.get("verdict") in ("undecided", "not measured")
        and not document.get("decided_by")
        and causes[0]["cause"] == "healthy"
        and bool(document.get("next_measurement"))
    )


def headline(document: Mapping[str, Any], units: str) -> str:
    """The answer as the first sentence of a screen, with the sign of its verdict."""
    sign = SIGNS.get(str(document.get("verdict") or "not measured"), "")
    return f"{sign} {answer(document, units)}.".lstrip()


def below(document: Mapping[str, Any]) -> list[str]:
    """What stands under the answer: what could not have been seen, and what to measure next."""
    following = document.get("next_measurement")
    said = [clean(following["how"])] if following and measures_next(document) else []
    hidden = unseen(document)
    if hidden:
        said.append(f"Could not have been seen in this run: {'; '.join(hidden)}.")
    if following and not measures_next(document):
        said.append(f"Next time, this would help most: {clean(following['what'])}.")
    return said


def cable_sentence(document: Mapping[str, Any], units: str) -> str:
    """What the run says of the control cable; empty where it says nothing."""
    text = said_in((document.get("cable") or {}).get("sentence") or "", units)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def cable_line(document: Mapping[str, Any], units: str) -> str:
    """The same; empty too where a likely cause says it already."""
    sentence = (document.get("cable") or {}).get("sentence")
    said = [
        reason
        for each in document.get("causes") or ()
        if float(each.get("probability") or 0.0) >= WORTH_NAMING
        for reason in each.get("evidence") or ()
    ]
    return "" if sentence in said else cable_sentence(document, units)


def _because(document: Mapping[str, Any], verdict: str, units: str) -> str:
    figures = document.get("figures") or {}
    deciding = [name for name in document.get("decided_by") or () if name in figures]
    if deciding:
        figure = figures[deciding[0]]
        more = f", and {len(deciding) - 1} more" if len(deciding) > 1 else ""
        near = "" if verdict == "fail" else ", too near to decide"
        return (
            f": {figure_name(deciding[0])} {figure_text(figure, units)} "
            f"(limit {limit_text(figure, units)}){near}{more}"
        )
    reason = document.get("reason")
    if reason:
        return f": {said_in(reason, units)}"
    if verdict != "pass":
        return ""
    shown = "nothing points to a fault" if unseen(document) else "a moderate fault would have shown"
    return f": every limit holds, and {shown}"


def unseen(document: Mapping[str, Any]) -> list[str]:
    """Causes a moderate case of which could have stayed unseen, with what would show them."""
    hidden = [each for each in document.get("seen") or () if each["power"] < VISIBLE]
    hidden.sort(key=lambda each: each["power"])
    said = [
        clean(each["title"]) + (f" (to see it: {clean(each['needs'])})" if each["needs"] else "")
        for each in hidden[:MAX_HIDDEN]
    ]
    if len(hidden) > MAX_HIDDEN:
        said.append(f"and {len(hidden) - MAX_HIDDEN} more")
    return said
