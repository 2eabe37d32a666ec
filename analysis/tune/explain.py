"""The difference of two limits files in words."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.limits import Limit, Limits


def explain(old: Limits, new: Limits) -> list[str]:
    """Say what changed, a sentence each; the first names the two files.

    Parameters
    ----------
    old, new
        The limits before and after.
    """
    lines = [
        f"{old.version} ({old.date}, {old.author}) → {new.version} ({new.date}, {new.author})",
        f"before: {old.basis}",
        f"after: {new.basis}",
    ]
    if old.fingerprint and old.fingerprint == new.fingerprint:
        lines.append("both follow from the same labelled runs and options")
    changes = _group("all heaters", old.figures, new.figures)
    for word, before, after in (
        ("heater", old.heaters, new.heaters),
        ("family", old.families, new.families),
    ):
        for name in sorted({*before, *after}):
            changes += _group(f"{word} {name}", before.get(name, {}), after.get(name, {}))
    return lines + (changes or ["no limit differs"])


def _group(whose: str, old: Mapping[str, Limit], new: Mapping[str, Limit]) -> list[str]:
    lines = []
    for figure in dict.fromkeys([*old, *new]):
        before, after = old.get(figure), new.get(figure)
        name = figure.replace("_", " ")
        if before is None and after is not None:
            lines.append(f"{whose}: {name} is new: {_bounds(after)} ({after.basis})")
        elif after is None and before is not None:
            lines.append(f"{whose}: {name} has no limit of its own any more ({_bounds(before)})")
        elif before is not None and after is not None:
            lines += _change(whose, name, before, after)
    return lines


def _change(whose: str, name: str, old: Limit, new: Limit) -> list[str]:
    parts = []
    for side, before, after, tighter in (
        ("low", old.low, new.low, 1.0),
        ("high", old.high, new.high, -1.0),
    ):
        if before == after:
            continue
        if before is None:
            parts.append(f"now also fails {_beyond(side)} {after:g}")
        elif after is None:
            parts.append(f"no longer fails {_beyond(side)} {before:g}")
        else:
            stricter = (after - before) * tighter > 0.0
            effect = "stricter: more cars fail" if stricter else "more lenient: fewer cars fail"
            parts.append(f"fails {_beyond(side)} {after:g} instead of {before:g} ({effect})")
    if old.harmless != new.harmless:
        parts.append(
            f"up to {new.harmless:g} from a family's mean is harmless instead of {old.harmless:g}"
        )
    if parts:
        return [f"{whose}: {name} {'; '.join(parts)}; because: {new.basis}"]
    if old.basis != new.basis:
        return [f"{whose}: {name} stays {_bounds(new)}, with another basis: {new.basis}"]
    return []


def _beyond(side: str) -> str:
    return "below" if side == "low" else "above"


def _bounds(limit: Limit) -> str:
    parts = [
        f"fails {_beyond(side)} {value:g}"
        for side, value in (("low", limit.low), ("high", limit.high))
        if value is not None
    ]
    return " and ".join(parts) or "not limited"
