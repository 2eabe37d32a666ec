"""What is doubtful about a valid run.toml: keys unknown or not filled in, events not named."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Final

from ingest.events.beside import events_beside
from ingest.findings import finding
from ingest.run import Finding

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.setup.model import Setup

UNKNOWN_KEY: Final = finding(
    "unknown_key",
    "{file} has keys that mean nothing here: {keys}.",
    do="Correct their spelling or take them out.",
)
FILL_IN: Final = finding(
    "fill_in",
    "{file} {key} still says {placeholder!r}: write what belongs there.",
    do="Write what belongs there.",
)
EVENTS_NOT_NAMED: Final = finding(
    "events_not_named",
    "{beside} lies beside the log, but {file} does not name it, so no control is "
    'known: add [events] file = "{beside}".',
    do="Name the events file in run.toml.",
)

PLACEHOLDER: Final = "FILL IN"
"""What a drafted run.toml holds where no log can say what belongs there."""


def setup_findings(setup: Setup, file: str, log: Path) -> list[Finding]:
    """Findings about a set-up.

    Parameters
    ----------
    setup
        The validated set-up.
    file
        Name of its file.
    log
        The log beside which events may lie.
    """
    return [
        *_unknown_keys(setup, file),
        *_not_filled_in(setup, file),
        *_not_named(setup, file, log),
    ]


def _unknown_keys(setup: Setup, file: str) -> list[Finding]:
    unknown = setup.unknown()
    if not unknown:
        return []
    return [UNKNOWN_KEY.found(file=file, keys=", ".join(unknown), evidence={"count": len(unknown)})]


def _not_filled_in(setup: Setup, file: str) -> list[Finding]:
    document = setup.model_dump()
    if PLACEHOLDER not in repr(document).upper():  # as nearly always: none is searched for
        return []
    return [
        FILL_IN.found(file=file, key=key, placeholder=PLACEHOLDER)
        for key in _placeholders(document, ())
    ]


def _placeholders(value: object, place: tuple[str, ...]) -> Iterator[str]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _placeholders(inner, (*place, str(key)))
    elif isinstance(value, list | tuple):
        for at, inner in enumerate(value, 1):
            yield from _placeholders(inner, (*place, str(at)))
    elif isinstance(value, str) and value.lstrip().upper().startswith(PLACEHOLDER):
        table = f"[{'.'.join(place[:-1])}] " if len(place) > 1 else ""
        yield f"{table}{place[-1]}"


def _not_named(setup: Setup, file: str, log: Path) -> list[Finding]:
    beside = events_beside(log) if setup.events is None else None
    if beside is None:
        return []
    return [EVENTS_NOT_NAMED.found(beside=beside.name, file=file)]
