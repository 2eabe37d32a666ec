"""The inside of a process that works: takes items from its standard input, answers each in turn.

Started as ``python -m ingest.work.served`` and not by `multiprocessing`: the worker of a cluster
may not start processes that way, and a script needs no guard around its own lines for it.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any, BinaryIO

from ingest.values import dataclass
from ingest.work.outcome import Failed, stumbled, too_large


@dataclass(frozen=True, slots=True)
class Order:
    """What a process is told first.

    Parameters
    ----------
    folder
        Where it is to stand, so that places mean what they mean to whoever named them.
    work
        The function, pickled: where it cannot be unpickled, that is an answer too.
    memory
        How much it may take, bytes; None for no limit.
    """

    folder: str
    work: bytes
    memory: int | None


def serve() -> None:
    """Answer until the input ends, which it does with the process that started this one."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever started it ends it
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what the work prints must not get between the answers
    coming: queue.SimpleQueue[Any] = queue.SimpleQueue()
    order: Order = pickle.load(sys.stdin.buffer)  # noqa: S301 - from the program that started it
    threading.Thread(target=_listen, args=(sys.stdin.buffer, coming), daemon=True).start()
    if os.path.isdir(order.folder):  # noqa: PTH112 - a cluster's machine may not have it
        os.chdir(order.folder)
    _limit_memory(order.memory)
    work: Callable[[Any], object] | None = None
    while True:
        item = coming.get()
        try:
            if work is None:
                work = pickle.loads(order.work)  # noqa: S301 - as above
            answer = pickle.dumps(work(item))
        except MemoryError:
            answer = pickle.dumps(too_large(order.memory))
        except Exception as error:
            answer = pickle.dumps(_pickled(stumbled(error)))
        pickle.dump(answer, answers)
        answers.flush()


def _listen(source: BinaryIO, coming: queue.SimpleQueue[Any]) -> None:
    """Take items in; with the input's end the process ends, whatever it is doing."""
    while True:
        try:
            coming.put(pickle.load(source))  # noqa: S301 - from the program that started it
        except (EOFError, OSError, pickle.UnpicklingError):
            os._exit(0)


def _pickled(failed: Failed) -> Failed:
    """The same in plain texts, which every process can read."""
    return Failed(str(failed.found), str(failed.remedy))


def _limit_memory(memory: int | None) -> None:
    """Let an allocation fail before the system ends someone else's process for lack of memory."""
    if memory is None:
        return
    try:
        import resource
    except ImportError:  # Windows has none
        return
    _, most = resource.getrlimit(resource.RLIMIT_DATA)
    if most == resource.RLIM_INFINITY or memory < most:
        resource.setrlimit(resource.RLIMIT_DATA, (memory, most))


if __name__ == "__main__":
    serve()
