"""Writes run folders for tests of the loader."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

RUN = '[run]\nvehicle = "SC-014"\nfamily = "Plover"\n'
TIME = 'time = { column = "t", unit = "s" }\n'
CHANNELS = """
[channels.outlet]
column = "OUT"
unit = "degC"

[channels.coolant_in]
column = "CIN"
unit = "degC"
"""
EVENTS = '\n[events]\nfile = "events.csv"\n'


def setup_text(
    *, run: str = RUN, time: str = TIME, log: str = "", channels: str = CHANNELS, events: str = ""
) -> str:
    """A run.toml; each part may be replaced."""
    return f'{run}\n[log]\nfile = "log.csv"\n{time}{log}{channels}{events}'


def log_text(times: Sequence[object], header: str = "t,OUT,CIN") -> str:
    """A log of two slowly rising channels with the given times."""
    rows = [f"{time},{20 + 0.1 * row:.1f},{60 + 0.05 * row:.2f}" for row, time in enumerate(times)]
    return "\n".join([header, *rows]) + "\n"


def write_run(
    folder: Path,
    log: str | bytes | None = None,
    setup: str | None = None,
    events: str | bytes | None = None,
) -> Path:
    """Write a run folder; what is not given is a good log of 60 s and its set-up."""
    folder.mkdir(parents=True, exist_ok=True)
    texts = {
        "log.csv": log_text([f"{row * 0.5:.1f}" for row in range(120)]) if log is None else log,
        "run.toml": setup_text(events=EVENTS if events is not None else "")
        if setup is None
        else setup,
        "events.csv": events,
    }
    for name, text in texts.items():
        if text is not None:
            raw = text if isinstance(text, bytes) else text.encode()
            (folder / name).write_bytes(raw)
    return folder
