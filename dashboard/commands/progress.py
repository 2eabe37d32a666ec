"""How far many runs are: a bar where a terminal watches, now and then a line where none does."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from typing import Final, TypeVar

import typer

T = TypeVar("T")

MOMENT: Final = 5
"""So few things are done before anybody wonders."""

LINE_EVERY_S: Final = 60.0
"""Between two lines in a log that nobody watches, s."""


def counted(things: Iterable[T], total: int, what: str) -> Iterator[T]:
    """Count on standard error, with the rate and the end to be expected.

    Parameters
    ----------
    things
        What is counted while it goes through.
    total
        How many there will be.
    what
        What is being done, one word.
    """
    if total < MOMENT:
        yield from things
    elif sys.stderr.isatty():
        yield from _bar(things, total, what)
    else:
        yield from _lines(things, total, what)


def _bar(things: Iterable[T], total: int, what: str) -> Iterator[T]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[told]}"),
    )
    began = time.monotonic()
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what, total=total, told="")
        for done, thing in enumerate(things, start=1):
            yield thing
            told = rate_and_end(done, total, time.monotonic() - began, time.time())
            progress.update(task, completed=done, told=told)


def _lines(things: Iterable[T], total: int, what: str) -> Iterator[T]:
    began = said = time.monotonic()
    for done, thing in enumerate(things, start=1):
        yield thing
        now = time.monotonic()
        if now - said >= LINE_EVERY_S and done < total:
            said = now
            told = rate_and_end(done, total, now - began, time.time())
            typer.echo(f"{what}: {done:,} of {total:,}, {told}", err=True)


def rate_and_end(done: int, total: int, took_s: float, now: float) -> str:
    """Rate so far and when the rest will be done at that rate.

    Parameters
    ----------
    done, total
        Things.
    took_s
        Time they took, s.
    now
        The time of day, s since 1970.
    """
    if not done or took_s <= 0.0:
        return ""
    rate = done / took_s
    left_s = (total - done) / rate
    day = "%Y-%m-%d %H:%M" if left_s >= 86400.0 else "%H:%M" if left_s >= 600.0 else "%H:%M:%S"
    end = time.strftime(day, time.localtime(now + left_s))
    each = f"{rate:.1f} a second" if rate >= 1.0 else f"{1.0 / rate:.1f} s each"
    return f"{each}, done about {end}"
