"""The door: a function over many items, its values in the order of the items."""

from __future__ import annotations

import os
import pickle
import queue
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final, TypeVar

from ingest.work.ahead import ahead
from ingest.work.child import Child
from ingest.work.outcome import HANGS_S, HERE, Failed, Workers, memory_for, stumbled, too_large
from ingest.work.served import Order

Item = TypeVar("Item")
Value = TypeVar("Value")

FEW: Final = 8
"""So few items are faster done here than by new processes, which must load everything first."""

AHEAD: Final = 32
"""Items a worker may be ahead of the one that is waited for: values wait in memory."""


def in_order(
    work: Callable[[Item], Value], items: Sequence[Item], workers: Workers = HERE
) -> Iterator[tuple[Item, Value | Failed]]:
    """Do the same to every item; values come in the order given, whoever does the work.

    Parameters
    ----------
    work
        What is done. For other processes it must be picklable, and is handed to each once; what it
        opens and keeps, it keeps there.
    items
        What it is done to; picklable.
    workers
        Who does it.

    Returns
    -------
    Iterator
        Each item with its value, or with `Failed` where the work stumbled over it, took too long,
        or brought its process down. No item costs another one its value.

    Raises
    ------
    UnusableRun
        Where the cluster cannot be used.
    """
    if workers.cluster is not None:
        from ingest.work.cluster import on_cluster

        order = Order(str(Path.cwd()), pickle.dumps(work), None)
        return on_cluster(order, items, workers.cluster, workers.limit_s or HANGS_S, AHEAD)
    count = min(workers.jobs or os.cpu_count() or 1, len(items))
    if workers.limit_s is None and (count < 2 or (not workers.jobs and len(items) <= FEW)):
        return ((item, guarded(work, item)) for item in items)
    order = Order(str(Path.cwd()), pickle.dumps(work), memory_for(count))
    return _in_processes(order, items, max(count, 1), workers.limit_s or HANGS_S)


def guarded(work: Callable[[Item], Value], item: Item) -> Value | Failed:
    """One item in this process: its value, or `Failed` whatever it stumbles over."""
    try:
        return work(item)
    except MemoryError:
        return too_large(None)
    except Exception as error:
        return stumbled(error)


def _in_processes(
    order: Order, items: Sequence[Item], count: int, limit_s: float
) -> Iterator[tuple[Item, Any]]:
    """A thread waits for each process, so that this one need not know when which is done."""
    children = [Child(order, limit_s) for _ in range(count)]
    idle: queue.SimpleQueue[Child] = queue.SimpleQueue()
    for child in children:
        idle.put(child)

    def answer(item: Item) -> Any:
        child = idle.get()
        try:
            return child.answer(item)
        finally:
            idle.put(child)

    threads = ThreadPoolExecutor(count)
    try:
        yield from ahead(
            lambda item: threads.submit(answer, item),
            lambda _, future: future.result(),
            items,
            count * AHEAD,
        )
    finally:  # also where nobody wants the rest, or somebody pressed Ctrl-C
        for child in children:
            child.end()
        threads.shutdown(cancel_futures=True)
