"""The same work on a cluster: a running Dask scheduler, whose workers have this program installed.

On a worker every item is done in a process of its own (`ingest.work.child`): a run that hangs or
brings its process down costs that process, not the worker with all it holds.
"""

from __future__ import annotations

import contextlib
import threading
import uuid
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from importlib import metadata
from typing import TYPE_CHECKING, Any, Final, TypeVar

from ingest.errors import Fault, UnusableRun, WrongUse
from ingest.work.ahead import ahead
from ingest.work.child import Child
from ingest.work.outcome import MAX_TRIES, ended, memory_for
from ingest.work.served import Order

if TYPE_CHECKING:
    from distributed import Client, Future

Item = TypeVar("Item")

ANSWERS_IN_S: Final = 20.0
"""How long the scheduler may take to answer, and its first worker to appear, s."""

EXTRA: Final = "pip install 'lukewarm[cluster]'"


def on_cluster(
    order: Order, items: Sequence[Item], address: str, limit_s: float, window: int
) -> Iterator[tuple[Item, Any]]:
    """Values of all items in order, from the workers of a scheduler.

    Parameters
    ----------
    order
        What is to be done.
    items
        To what.
    address
        Of the scheduler.
    limit_s
        How long one item may take, s.
    window
        Items each thread of the cluster may be ahead of the one whose value is next.

    Raises
    ------
    UnusableRun
        Where `distributed` is not installed, the scheduler does not answer or goes away, or its
        workers have another version of this program.
    """
    client = _connect(address)
    job = _Job(client, order, limit_s)
    try:
        _same_program(client, address)
        threads = sum(client.nthreads().values())
        yield from ahead(job.submit, job.value, items, window * max(threads, 1))
    except (OSError, RuntimeError) as error:
        raise _unusable(address, f"a scheduler that went away ({_line(error)})") from error
    finally:
        with contextlib.suppress(Exception):  # a cluster that is gone has nothing to put away
            client.cancel(list(job.running))
            client.run(_dismiss, job.key)
        with contextlib.suppress(Exception):
            client.close()


class _Job:
    """Items under way on a cluster."""

    def __init__(self, client: Client, order: Order, limit_s: float) -> None:
        self.key = uuid.uuid4().hex
        self.running: set[Future] = set()
        self._client = client
        self._order = order
        self._limit_s = limit_s
        self._told = self._tell()

    def _tell(self) -> Future:
        """Hand the order, which may hold a fleet of good cars, to every worker once."""
        return self._client.scatter(self._order, broadcast=True, hash=False)

    def submit(self, item: Any) -> Future:
        """Hand an item to the scheduler."""
        future = self._client.submit(_answer, self._told, self.key, self._limit_s, item, pure=False)
        self.running.add(future)
        return future

    def value(self, item: Any, future: Future) -> Any:
        """Wait for an item; one whose worker died under it is tried again."""
        from distributed.scheduler import KilledWorker

        for _ in range(MAX_TRIES):
            try:
                return future.result()
            except KilledWorker:
                again = self._told
            except CancelledError:  # all workers that held the order are gone
                again = self._tell()
            finally:
                self.running.discard(future)
            self._told = again
            future = self.submit(item)
        self.running.discard(future)
        return ended(None)


def _connect(address: str) -> Client:
    try:
        from distributed import Client
        from distributed.comm import get_address_host_port
    except ImportError as error:
        raise UnusableRun(
            Fault("--cluster", "no package `distributed`", "Dask on this machine", EXTRA)
        ) from error
    try:
        get_address_host_port(address)  # a client that was given no address waits all the same
    except ValueError as error:
        raise WrongUse(
            Fault(
                "--cluster", repr(address), "tcp://HOST:PORT of a running scheduler", _line(error)
            )
        ) from error
    try:
        client = Client(address, timeout=ANSWERS_IN_S, set_as_default=False)
    except (OSError, ValueError, TypeError, ImportError) as error:
        raise _unusable(address, f"no scheduler that answers ({_line(error)})") from error
    try:
        client.wait_for_workers(1, timeout=ANSWERS_IN_S)
    except TimeoutError as error:
        client.close()
        raise _unusable(address, "a scheduler without workers") from error
    return client


def _same_program(client: Client, address: str) -> None:
    """Other versions make other documents: nobody would know which run was done by which."""
    here = program_version()
    told = client.run(program_version, on_error="return")
    for worker, version in sorted(told.items()):
        if isinstance(version, BaseException):
            raise _unusable(f"{address}, {worker}", f"a worker without lukewarm ({_line(version)})")
        if version != here:
            raise _unusable(f"{address}, {worker}", f"a worker with lukewarm {version}, not {here}")


def program_version() -> str:
    """Version of the program where this is called."""
    return metadata.version("lukewarm")


def _unusable(where: str, found: str) -> UnusableRun:
    return UnusableRun(
        Fault(
            where,
            found,
            "a running Dask scheduler whose workers have this version of lukewarm",
            "start `dask scheduler` and `dask worker`, or use --jobs",
        )
    )


def _line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]


_idle: dict[str, list[Child]] = {}
"""On a worker: processes that wait for the next item, by the job they were made for."""

_busy: dict[str, set[Child]] = {}
_lock = threading.Lock()


def _answer(order: Order, key: str, limit_s: float, item: object) -> Any:
    """On a worker: let a process of its own do an item."""
    with _lock:
        waiting = _idle.setdefault(key, [])
        child = waiting.pop() if waiting else Child(_with_memory(order), limit_s)
        _busy.setdefault(key, set()).add(child)
    try:
        return child.answer(item)
    finally:
        with _lock:
            _busy.get(key, set()).discard(child)
            if key in _idle:
                _idle[key].append(child)
            else:  # dismissed while it worked
                child.end()


def _with_memory(order: Order) -> Order:
    """What this worker may take, for each of its threads."""
    from distributed import get_worker

    worker = get_worker()
    count = max(worker.state.nthreads, 1)
    limit = worker.memory_manager.memory_limit
    return Order(order.folder, order.work, limit // count if limit else memory_for(count))


def _dismiss(key: str) -> None:
    """On a worker: the job is over, or nobody waits for it any more."""
    with _lock:
        children = [*_idle.pop(key, ()), *_busy.pop(key, ())]
    for child in children:
        child.end()
