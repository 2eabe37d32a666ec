"""JSON that may come from anybody: whatever is wrong with it is one kind of error."""

from __future__ import annotations

import json
from typing import Any


def parse_json(text: str | bytes) -> Any:
    """What a JSON text says.

    Raises
    ------
    ValueError
        Where it is no JSON, is nested deeper than the parser goes, or holds a number with more
        digits than Python converts.
    """
    try:
        return json.loads(text)
    except RecursionError as error:
        raise ValueError("nested too deep") from error
