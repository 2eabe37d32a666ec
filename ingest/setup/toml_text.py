"""TOML that a user wrote: a mistake in it is one fault."""

from __future__ import annotations

import tomllib
from typing import Any

from ingest.errors import Fault, UnusableRun


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """Parse the text of a TOML file.

    Raises
    ------
    UnusableRun
        With one fault where it is not TOML.
    """
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UnusableRun(
            Fault(file, f"text that is not TOML ({error})", "a TOML file", "correct that line")
        ) from error
