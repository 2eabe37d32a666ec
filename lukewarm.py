"""Why is the heater lukewarm? From sensor logs to figures, a verdict and the next check.

::

    import lukewarm as lw

    found = lw.analyze(lw.load("sample_logs/SC-014-complaint"))
    print(found)

`load` a run, `analyze` it, `plot` and `report` what was found; `analyze_many` for many runs;
`Store`, `compare` and `tune` for a run store; `figures`, `causes`, `checks` and `findings` are the
names in use. What cannot be used raises `LukewarmError`, one line a fault. Nothing is loaded before
it is used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dashboard.notebook.analyze import Many, analyze, analyze_many
    from dashboard.notebook.found import Found
    from dashboard.notebook.pictures import plot, report
    from dashboard.notebook.runs import LoadedRun, load
    from dashboard.notebook.store import Store, Tuned, compare, tune
    from dashboard.notebook.vocabulary import causes, checks, figures, findings
    from ingest.errors import LukewarmError, UnusableRun

__all__ = [
    "Found",
    "LoadedRun",
    "LukewarmError",
    "Many",
    "Store",
    "Tuned",
    "UnusableRun",
    "analyze",
    "analyze_many",
    "causes",
    "checks",
    "compare",
    "figures",
    "findings",
    "load",
    "plot",
    "report",
    "tune",
]

_ROOMS = {
    "dashboard.notebook.analyze": ("Many", "analyze", "analyze_many"),
    "dashboard.notebook.found": ("Found",),
    "dashboard.notebook.pictures": ("plot", "report"),
    "dashboard.notebook.runs": ("LoadedRun", "load"),
    "dashboard.notebook.store": ("Store", "Tuned", "compare", "tune"),
    "dashboard.notebook.vocabulary": ("causes", "checks", "figures", "findings"),
    "ingest.errors": ("LukewarmError", "UnusableRun"),
}
_ROOM_OF = {name: room for room, names in _ROOMS.items() for name in names}


def __getattr__(name: str) -> Any:
    """Open the module a name lives in when it is first asked for (PEP 562)."""
    room = _ROOM_OF.get(name)
    if room is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return globals().setdefault(name, getattr(import_module(room), name))


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


def main() -> None:
    """Run the command line: `lukewarm`."""
    from dashboard.commands.main import main as run

    run()


if __name__ == "__main__":
    main()
