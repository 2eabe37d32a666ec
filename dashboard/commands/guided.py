"""A recording with its guide: on the terminal, for a page, or both."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from dashboard.board.live_page import LivePage
from dashboard.commands.shared import NO_PLAN, PLACES
from dashboard.live.guide import Address, Guide
from dashboard.live.keys import open_keyboard
from dashboard.live.terminal import follow_guided, follow_quietly
from dashboard.live.worker import FiguresWorker
from ingest.access import usual
from ingest.errors import Fault, UnusableRun
from ingest.files import write_text
from ingest.record.status import StatusLines, record_until_over
from ingest.record.test_plan import bench_plan_text, parse_plan, plan_text, usual_plan_text
from ingest.record.test_progress import PlanRun
from ingest.values import dataclass

if TYPE_CHECKING:
    from rich.console import Console

    from dashboard.board.server import Serving
    from ingest.record.recorder import Recorder, Summary
    from ingest.record.test_plan import Plan
    from ingest.setup.model import Setup

PLAN_NAME: Final = "plan.toml"


@dataclass(frozen=True)
class Wish:
    """How a recording is to be followed.

    Parameters
    ----------
    plan
        The test plan; None to record without one.
    serving
        How its page is served; None for no page.
    console
        The terminal to guide on; None for plain lines.
    units
        ``si`` or ``us``.
    seconds
        Length of the recording, s; None without end.
    until_silent
        Silence that ends it, s; None for none.
    """

    plan: Plan | None = None
    serving: Serving | None = None
    console: Console | None = None
    units: str = "si"
    seconds: float | None = None
    until_silent: float | None = None


def choose_plan(asked: str | None, setup: Setup, folder: Path, *, guided: bool) -> str | None:
    """Text of the plan to follow: the one asked for, the folder's own, or the usual one.

    Parameters
    ----------
    asked
        ``yard``, ``road``, ``bench``, ``none`` or a file; None where nothing was asked for.
    setup
        The set-up, for the heater's layout or the part on the bench.
    folder
        The run folder; it keeps its plan.
    guided
        Whether there is anybody to guide.

    Raises
    ------
    UnusableRun
        Where the plan cannot be used.
    """
    if asked == NO_PLAN:
        return None
    if asked in PLACES:
        return _usual_text(asked, setup)
    if asked is not None:
        return plan_text(Path(asked))
    own = folder / PLAN_NAME
    if own.is_file():
        return plan_text(own)
    place = "yard" if setup.bench is None else "bench"
    return _usual_text(place, setup) if guided else None


def _usual_text(place: str, setup: Setup) -> str:
    """Text of the plan that comes with the tool.

    Raises
    ------
    UnusableRun
        Where a car's plan is asked for a part on the bench, or the other way round.
    """
    if (place == "bench") != (setup.bench is not None):
        raise UnusableRun(
            Fault(
                f"--plan {place}",
                "a set-up of a car" if setup.bench is None else "a set-up of a part on the bench",
                "[bench] in run.toml" if place == "bench" else "--plan bench, none or a file",
                "correct the one or the other",
            )
        )
    if setup.bench is not None:
        return bench_plan_text(setup.bench)
    return usual_plan_text(setup.run.heater, "road" if place == "road" else "yard")


def keep_plan(text: str | None, folder: Path) -> Plan | None:
    """Validate a plan and keep it in the run folder, where a resumed recording finds it.

    Raises
    ------
    UnusableRun
        Where it is no plan.
    """
    if text is None:
        return None
    plan = parse_plan(text, PLAN_NAME)
    if folder.is_dir():
        write_text(folder / PLAN_NAME, text, usual())
    return plan


def record_guided(
    recorder: Recorder, wish: Wish, say: Callable[[str], None], note: Callable[[str], None]
) -> Summary:
    """Record until it is over; the recorder is stopped whatever happens.

    Parameters
    ----------
    recorder
        Not yet started.
    wish
        How it is to be followed.
    say, note
        Print a line to standard output and to standard error.

    Raises
    ------
    UnusableRun
        Where it cannot start.
    """
    shown = Address()
    with contextlib.ExitStack() as stack:
        if wish.serving is not None:
            page = LivePage(recorder.folder, wish.serving, wish.units)
            stack.callback(page.close)
            shown = Address(page.url, page.fingerprint)
            note(f"the live page is at {shown.url}")
            if shown.fingerprint:
                note(f"its certificate's SHA-256 fingerprint is {shown.fingerprint}")
                note("the browser shows the same one, or somebody sits in between")
        recorder.start()
        return record_until_over(
            recorder, lambda status: _follow(recorder, wish, status, say, shown), say, note
        )


def _follow(
    recorder: Recorder,
    wish: Wish,
    status: StatusLines,
    say: Callable[[str], None],
    address: Address,
) -> None:
    figures = FiguresWorker(recorder.folder)
    points = frozenset(recorder.setup.channels)
    plan = None if wish.plan is None else PlanRun(wish.plan, points)
    guide = Guide(recorder, plan, figures, address)

    def is_over() -> bool:
        return not recorder.running or status.is_over(wish.seconds, wish.until_silent)

    try:
        if wish.console is not None:
            follow_guided(guide, open_keyboard(), wish.console, is_over, wish.units)
        else:
            say(f"recording into {recorder.folder}")
            follow_quietly(guide, is_over)
    finally:
        guide.tick(last=True)
        figures.close()


def await_start(cautions: tuple[str, ...], say: Callable[[str], None], *, wait: bool) -> None:
    """Show the cautions; where somebody sits there, wait until they have been read."""
    for line in cautions:
        say(f"caution: {line}")
    if wait:
        say("")
        say("Press Enter to begin.")
        with contextlib.suppress(EOFError):
            input()
