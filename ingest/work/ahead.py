"""Values in the order of their items, though the items are worked on side by side."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

Item = TypeVar("Item")
Promise = TypeVar("Promise")


def ahead(
    submit: Callable[[Item], Promise],
    value: Callable[[Item, Promise], Any],
    items: Iterable[Item],
    window: int,
) -> Iterator[tuple[Item, Any]]:
    """Submit items, never more than `window` before the one whose value is next."""
    running: deque[tuple[Item, Promise]] = deque()
    for item in items:
        running.append((item, submit(item)))
        if len(running) >= window:
            first, promise = running.popleft()
            yield first, value(first, promise)
    while running:
        first, promise = running.popleft()
        yield first, value(first, promise)
