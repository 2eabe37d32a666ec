"""What a recording says of itself, in files of its run folder; pages and other programs read them.

``live.json`` is written whole several times a second, ``live_picture.json`` now and then; what a
page asks for goes the other way as one small file each. Files outlive whoever wrote them, so a
page goes on when the recorder is started again, and the other way round.
"""

from __future__ import annotations

import json
import secrets
import time
from pathlib import Path
from typing import Any, Final

from ingest.access import make_folder, write
from ingest.json_text import parse_json
from ingest.record.inbox import FOLDER as INBOX
from ingest.record.test_progress import KEYS as PLAN_KEYS
from ingest.record.wire.events import check_event
from ingest.saying import revived

LIVE_NAME: Final = "live.json"
PICTURE_NAME: Final = "live_picture.json"
PROGRESS_NAME: Final = "guide.json"
KEYS_FOLDER: Final = "guide"
KEYS: Final = (*PLAN_KEYS, "undo", "dismiss")
"""Keys of the plan, and of the guide itself."""
LARGEST_BYTES: Final = 8 << 20
MAX_WAITING: Final = 200
"""Files that may wait to be picked up; more would fill the disk of a recorder that has gone."""
STALE_S: Final = 3.0
"""A recorder that has written nothing for so long has gone, or hangs."""


def write_state(path: Path, document: dict[str, Any]) -> bool:
    """Put a document in its place in one step; False where a reader or the disk is in the way.

    It is not forced to the disk: what matters after a power cut is in the journal.
    """
    part = path.with_name(f".{path.stem}-{secrets.token_hex(4)}.part")
    try:
        write(part, json.dumps(document, ensure_ascii=False, allow_nan=False).encode())
        part.replace(path)
    except OSError:
        try:
            part.unlink(missing_ok=True)
        except OSError:
            return False
        return False
    return True


def read_state(path: Path) -> dict[str, Any] | None:
    """A document as it was last written; None where there is none."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            return None
        found = parse_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return revived(found) if isinstance(found, dict) else None


def age_s(path: Path) -> float:
    """Time since a file was written, s; infinite where it is not there."""
    try:
        return max(0.0, time.time() - path.stat().st_mtime)
    except OSError:
        return float("inf")


def post_event(folder: Path, control: str, position: str) -> str:
    """Leave a control event for the recorder of a run folder.

    Returns
    -------
    str
        What was noted, as a reader says it.

    Raises
    ------
    ValueError
        Where the control cannot stand there, or nobody picks the events up.
    """
    name, position = check_event(control, position)
    _drop(folder / INBOX, {"control": name, "position": position})
    return f"{name.replace('_', ' ')} {position}"


def post_key(folder: Path, key: str) -> None:
    """Leave a key of the test plan (`KEYS`) for the guide of a run folder.

    Raises
    ------
    ValueError
        Where there is no such key, or nobody picks them up.
    """
    if key not in KEYS:
        msg = f"no key of the plan is called {key[:20]!r}"
        raise ValueError(msg)
    _drop(folder / KEYS_FOLDER, {"key": key})


def take_keys(folder: Path) -> list[str]:
    """Keys left since this was last asked, oldest first."""
    found = []
    try:
        files = sorted((folder / KEYS_FOLDER).glob("*.json"), key=lambda each: each.name)
    except OSError:
        return []
    for path in files:
        document = read_state(path)
        path.unlink(missing_ok=True)
        key = (document or {}).get("key")
        if key in KEYS:
            found.append(str(key))
    return found


def forget_guide(folder: Path) -> None:
    """Leave nothing behind that a page or a guide could take for now; the plan's place stays.

    For a recording that goes on without a guide: what it would show is not of this recording.
    """
    for name in (LIVE_NAME, PICTURE_NAME):
        (folder / name).unlink(missing_ok=True)
    take_keys(folder)
    progress = read_state(folder / PROGRESS_NAME)
    if progress is not None:
        write_state(folder / PROGRESS_NAME, progress | {"elapsed": None})


def find_recording(place: Path | None) -> Path | None:
    """The run folder at or in a place that was recorded last; None where there is none."""
    if place is None:
        return None
    if (place / LIVE_NAME).is_file():
        return place
    try:
        found = [each.parent for each in place.glob(f"*/{LIVE_NAME}")]
    except OSError:
        return None
    return min(found, key=lambda each: age_s(each / LIVE_NAME), default=None)


def _drop(place: Path, document: dict[str, Any]) -> None:
    try:
        make_folder(place)
        if sum(1 for _ in place.iterdir()) >= MAX_WAITING:
            msg = "nobody has picked up the last ones: is the recorder running?"
            raise ValueError(msg)
    except OSError as error:
        msg = f"the run folder cannot be written ({error.strerror or error})"
        raise ValueError(msg) from error
    name = f"{time.time_ns():020d}-{secrets.token_hex(4)}.json"
    if not write_state(place / name, document):
        msg = "the run folder cannot be written"
        raise ValueError(msg)
