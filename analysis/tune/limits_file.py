"""A limits file as text: the same limits always give the same bytes."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import date
from typing import Final

from analysis.limits import Limit, Limits

BARE: Final = re.compile(r"[A-Za-z0-9_-]+")


def limits_text(limits: Limits) -> str:
    """Text that `analysis.limits.parse_limits` reads back to the same limits."""
    lines = [
        f"version = {_quoted(limits.version)}",
        f"author = {_quoted(limits.author)}",
        f"date = {_date(limits.date)}",
        f"basis = {_quoted(limits.basis)}",
    ]
    if limits.fingerprint:
        lines.append(f"fingerprint = {_quoted(limits.fingerprint)}")
    lines += _tables("figure", limits.figures)
    for place, groups in (("heater", limits.heaters), ("family", limits.families)):
        for name in sorted(groups):
            lines += _tables(f"{place}.{_key(name)}", groups[name])
    return "\n".join(lines) + "\n"


def _tables(place: str, limits: Mapping[str, Limit]) -> list[str]:
    lines = []
    for figure, limit in limits.items():
        lines += ["", f"[{place}.{_key(figure)}]"]
        if limit.none:
            lines.append("unlimited = true")
        lines += [
            f"{side} = {float(value)!r}"
            for side, value in (("low", limit.low), ("high", limit.high))
            if value is not None
        ]
        lines.append(f"basis = {_quoted(limit.basis)}")
        if limit.harmless:
            lines.append(f"harmless = {float(limit.harmless)!r}")
        lines += [
            f"{key} = [{', '.join(_quoted(each) for each in runs)}]"
            for key, runs in (("good_runs", limit.good_runs), ("bad_runs", limit.bad_runs))
            if runs
        ]
    return lines


def _quoted(text: str) -> str:
    # a JSON string is a TOML string, but for DEL, which TOML wants escaped
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(name: str) -> str:
    return name if BARE.fullmatch(name) else _quoted(name)


def _date(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        return _quoted(text)
