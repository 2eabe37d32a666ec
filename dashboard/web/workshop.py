"""Where strangers' logs are worked on: processes with a memory and a time limit of their own.

Whatever a file does to a parser, it ends one such process, which is replaced; the board sees a
fault. Processes are started new (not forked), so that no thread's lock is copied, and kept, as
importing costs more than analyzing.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import signal
import tempfile
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import CancelledError
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

from ingest.errors import Fault, LukewarmError, UnusableRun

if TYPE_CHECKING:
    from pebble import ProcessPool

PROCESSES: Final = 2
TASKS_EACH: Final = 500
"""After so many a process is replaced, and with it whatever they left behind in it."""

MEMORY: Final = 2 * 2**30
"""Bytes one may take on top of what it takes when it is idle; of address space, where the system
counts that (Linux does; macOS and Windows do not)."""

SECONDS: Final = 30.0
SECONDS_A_MIB: Final = 1.0
"""Time for one task: so much, and more for each mebibyte of its files."""

MAX_MARKS: Final = 10_000
"""Of one kind that part columns, in a line; to name a column takes a quarter of a millisecond."""

MAX_UNPACKED: Final = 256 * 2**20
"""Bytes that a file in an archive may have."""

MAX_FAULTS: Final = 30
"""That are reported; a file can hold more mistakes than anybody reads."""

MAX_RESULT: Final = 192 * 2**20
"""Bytes of a result, which the board reads back."""

Result = TypeVar("Result")


class Workshop:
    """The processes; they start with the first task, or with `warm`."""

    def __init__(self) -> None:
        self._pool: ProcessPool | None = None
        self._scratch: tempfile.TemporaryDirectory[str] | None = None
        self._waiting: set[Any] = set()
        self._lock = threading.Lock()

    def warm(self) -> None:
        """Start now, without waiting for it."""
        with contextlib.suppress(RuntimeError):
            self._started().schedule(os.getpid)

    def run(self, task: Callable[..., Result], *given: Any, mib: float = 0.0) -> Result:
        """Let a process do a task.

        Parameters
        ----------
        task
            A function of a module; what it takes and gives must be picklable. It says that data
            are unusable by raising a `LukewarmError`.
        given
            Its arguments.
        mib
            Size of the files it works on, MiB.

        Raises
        ------
        UnusableRun
            Where the task said so, took too long or too much memory, or went wrong.
        """
        from pebble import ProcessExpired

        seconds = SECONDS + SECONDS_A_MIB * mib
        future = None
        try:
            future = self._started().schedule(_guarded, (task, given), timeout=seconds)
            self._waiting.add(future)
            done, told = future.result()
        except TimeoutError as error:
            raise UnusableRun(
                _unworkable(f"a log that was not read within {seconds:.0f} s")
            ) from error
        except (ProcessExpired, MemoryError) as error:
            raise UnusableRun(_unworkable("a log that takes too much memory")) from error
        except (CancelledError, RuntimeError) as error:
            raise UnusableRun(
                Fault("upload", "a board that is ending", "one that runs", "drop the files again")
            ) from error
        finally:
            self._waiting.discard(future)
        if not done:
            raise UnusableRun(cast("tuple[Fault, ...]", told))
        return cast("Result", told)

    def close(self) -> None:
        """End the processes, whatever they are at."""
        with self._lock:
            for each in list(self._waiting):
                each.cancel()  # a pool that stops leaves who waits for it waiting
            if self._pool is not None:
                self._pool.stop()  # type: ignore[no-untyped-call]
                self._pool.join()
            if self._scratch is not None:
                self._scratch.cleanup()
            self._pool = self._scratch = None

    def _started(self) -> ProcessPool:
        from pebble import ProcessPool

        with self._lock:
            if self._pool is None:
                self._scratch = tempfile.TemporaryDirectory(
                    prefix="lukewarm-", ignore_cleanup_errors=True
                )
                self._pool = ProcessPool(
                    PROCESSES,
                    max_tasks=TASKS_EACH,
                    initializer=_begin,
                    initargs=(self._scratch.name,),
                    context=multiprocessing.get_context("spawn"),
                )
            return self._pool


def _unworkable(found: str) -> Fault:
    return Fault(
        "upload", found, "a log of a test drive", "check the file, or use the command line"
    )


def _begin(scratch: str) -> None:
    """Prepare a process: what others need stays, what it may take is bounded."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the board is told, and ends it
    os.umask(0o077)
    tempfile.tempdir = scratch  # removed with the board, however the process ends
    for name in ("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "2")
    import ingest.draft.draft
    import ingest.load.load  # noqa: F401 - imported before the first task asks for it

    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        taken = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (taken + MEMORY, taken + MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _guarded(
    task: Callable[..., Any], given: Iterable[Any]
) -> tuple[bool, Any | tuple[Fault, ...]]:
    """Whether a task was done, and what it gave, else what was wrong."""
    try:
        return True, task(*given)
    except UnusableRun as error:
        faults = error.faults
        more = len(faults) - MAX_FAULTS
        if more > 0:
            rest = Fault("upload", f"{more} more mistakes", "none", "correct these first")
            faults = (*faults[:MAX_FAULTS], rest)
        return False, faults
    except LukewarmError as error:
        return False, (Fault("upload", str(error), "a usable log", "check the files"),)
    except (MemoryError, RecursionError):
        return False, (_unworkable("a log that takes too much memory"),)
    except Exception as error:
        what = f"an error inside lukewarm ({type(error).__name__}: {error})"
        return False, (Fault("upload", what[:400], "a result", "please report it as a bug"),)


# ---------------------------------------------------------------- the tasks


def check_file(path: Path) -> None:
    """Refuse an archive that unpacks too large, and a text with more columns than any logger has.

    The archive is unpacked again when it is read; the same bytes come out of it then.

    Raises
    ------
    UnusableRun
        With one fault for it.
    """
    from ingest.table.kinds import kind_of_file
    from ingest.table.packed import unpacked

    with unpacked(path, MAX_UNPACKED) as place:
        if kind_of_file(place) == "text":
            check_width(place)


def check_width(path: Path) -> None:
    """Refuse a log with more columns than any logger has.

    Raises
    ------
    UnusableRun
        With one fault that names the line.
    """
    with path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            if len(line) > MAX_MARKS and max(map(line.count, b",;\t|")) > MAX_MARKS:
                raise UnusableRun(
                    Fault(
                        f"{path.name} line {number}",
                        f"more than {MAX_MARKS} columns",
                        f"{MAX_MARKS} or fewer",
                        "use the command line for it",
                    )
                )


def draft(log: Path) -> str:
    """A drafted set-up for a log that came alone."""
    from ingest.draft.draft import draft_setup

    check_file(log)
    return draft_setup(log).text


def analyze(folder: Path, result: Path, judging: dict[str, Any]) -> None:
    """Analyze a run folder and write document, readings and analysis, pickled."""
    from analysis.pipeline import judge_measured, measure
    from analysis.result import document
    from dashboard.places import checks_on_sheet
    from dashboard.plots.readings import Readings
    from ingest.load.load import load_run

    for path in folder.iterdir():
        check_file(path)
    run = load_run(folder)
    run = run.with_(name=run.setup.log.file)
    analysis = judge_measured(measure(run), **judging, checked=checks_on_sheet(folder))
    made = pickle.dumps((document(analysis), Readings.of(run), analysis))
    if len(made) > MAX_RESULT:
        raise UnusableRun(
            Fault("upload", "more readings than a page can show", "a shorter log", "thin it out")
        )
    result.write_bytes(made)
