"""Numbers of cars and runs in words."""

from __future__ import annotations


def counted(count: int, what: str) -> str:
    """A number with its noun: ``1 good car``, ``2 good cars``."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
