"""What becomes of one item of the work, and who does it."""

from __future__ import annotations

import os
from typing import Final

from ingest.errors import Fault
from ingest.values import dataclass

MAX_TRIES: Final = 3
"""A process may be ended by someone else's doing: so often one item may bring its process down."""

HANGS_S: Final = 600.0
"""Time limit of one item in a process of its own where none is given, s: far above any run's."""


@dataclass(frozen=True, slots=True)
class Workers:
    """Who does the work.

    Parameters
    ----------
    jobs
        Processes on this machine; 0 for as many as there are cores, 1 for none but this one.
    cluster
        Address of a running Dask scheduler; then `jobs` does not count.
    limit_s
        How long one item may take, s; None for `HANGS_S` in other processes, and no limit in this
        one, which cannot end itself.
    """

    jobs: int = 1
    cluster: str | None = None
    limit_s: float | None = None

    @property
    def here(self) -> bool:
        """Whether all is done in this process."""
        return self.jobs == 1 and self.cluster is None and self.limit_s is None


HERE: Final = Workers()


@dataclass(frozen=True, slots=True)
class Failed:
    """An item that gave no result.

    Parameters
    ----------
    found
        What happened instead.
    remedy
        What can be done about it.
    """

    found: str
    remedy: str

    def fault(self, item: object) -> Fault:
        """The one line that names it."""
        return Fault(str(item), self.found, "a result", self.remedy)


def stumbled(error: BaseException) -> Failed:
    """An error nobody foresaw."""
    told = f"an error inside lukewarm ({type(error).__name__}: {error})"
    return Failed(told, "please report it as a bug")


def ended(code: int | None) -> Failed:
    """Its process was ended `MAX_TRIES` times over."""
    how = "" if code is None else f", exit code {code}" if code >= 0 else f", signal {-code}"
    return Failed(
        f"that its process was ended ({MAX_TRIES} times{how})",
        "try it alone; where it runs out of memory, with fewer jobs or on a larger machine",
    )


def too_long(limit_s: float) -> Failed:
    """It was ended after its time."""
    return Failed(
        f"no answer within {limit_s:g} s", "try it alone, with a longer --time-limit if it needs it"
    )


def too_large(limit: int | None) -> Failed:
    """It wanted more memory than there is for one."""
    much = "memory it was not given" if limit is None else f"more than {limit / 2**30:.1f} GB"
    return Failed(f"a need for {much}", "try it alone, with --jobs 1, or on a larger machine")


def memory_for(count: int) -> int | None:
    """Memory of this machine for each of `count` processes beside this one, bytes; None unknown."""
    try:
        whole = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):  # a system without these names
        return None
    return whole // (count + 1) if whole > 0 else None
