"""The difference of two limits files in words."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.figures import figures_by_name
from analysis.limits import Limit, Limits
from ingest.saying import Said, difference_unit, joined, rounded, say


def explain(old: Limits, new: Limits) -> list[str]:
    """Say what changed, a sentence each (`ingest.saying`); the first names the two files.

    Of a file and itself the only sentence says that nothing changes.

    Parameters
    ----------
    old, new
        The limits before and after.
    """
    if old == new:
        return [f"nothing changes: both files hold {new.version} ({new.date}, {new.author})"]
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
    return lines + (changes or ["nothing changes for any car: no limit differs"])


def _group(whose: str, old: Mapping[str, Limit], new: Mapping[str, Limit]) -> list[str]:
    lines: list[str] = []
    for figure in dict.fromkeys([*old, *new]):
        before, after = old.get(figure), new.get(figure)
        of = {"whose": whose, "name": figure.replace("_", " ")}
        unit = figures_by_name()[figure].unit
        if before is None and after is not None:
            lines.append(
                say(
                    "{whose}: {name} is new: {bounds} ({basis})",
                    **of, bounds=_bounds(after, unit), basis=after.basis,
                )
            )  # fmt: skip
        elif after is None and before is not None:
            lines.append(
                say(
                    "{whose}: {name} has no limit of its own any more ({bounds})",
                    **of, bounds=_bounds(before, unit),
                )
            )  # fmt: skip
        elif before is not None and after is not None:
            lines += _change(of, unit, before, after)
    return lines


def _change(of: Mapping[str, str], unit: str, old: Limit, new: Limit) -> list[str]:
    parts: list[Said] = []
    for side, before, after, tighter in (
        ("low", old.low, new.low, 1.0),
        ("high", old.high, new.high, -1.0),
    ):
        if before == after:
            continue
        if before is None and after is not None:
            parts.append(say("now also {fails}", fails=_fails(side, after, unit)))
        elif after is None and before is not None:
            parts.append(say("no longer {fails}", fails=_fails(side, before, unit)))
        elif before is not None and after is not None:
            stricter = (after - before) * tighter > 0.0
            effect = "stricter: more cars fail" if stricter else "more lenient: fewer cars fail"
            moved = abs(after - before)  # as many digits as it takes to see that
            parts.append(
                say(
                    "{fails} instead of {before} ({effect})",
                    fails=_fails(side, after, unit, moved),
                    before=rounded(before, moved, unit),
                    effect=effect,
                )
            )
    if old.harmless != new.harmless:
        parts.append(
            say(
                "up to {now} from a family's mean is harmless instead of {before}",
                now=rounded(new.harmless, None, difference_unit(unit)),
                before=rounded(old.harmless, None, difference_unit(unit)),
            )
        )
    if parts:
        done = joined("; ", parts)
        return [say("{whose}: {name} {done}; because: {basis}", **of, done=done, basis=new.basis)]
    if old.basis != new.basis:
        return [
            say(
                "{whose}: {name} stays {bounds}, with another basis: {basis}",
                **of, bounds=_bounds(new, unit), basis=new.basis,
            )
        ]  # fmt: skip
    return []


def _fails(side: str, bound: float, unit: str, beside: float | None = None) -> Said:
    """On which side of a limit a car fails; the limit with the digits of what it stands beside."""
    word = "below" if side == "low" else "above"
    return say("fails {word} {bound}", word=word, bound=rounded(bound, beside, unit))


def _bounds(limit: Limit, unit: str) -> str:
    ends = (("low", limit.low), ("high", limit.high))
    parts = [_fails(side, value, unit) for side, value in ends if value is not None]
    return joined(" and ", parts) or "not limited"
