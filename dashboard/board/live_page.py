"""The live page alone, served beside a recording by a process of its own."""

from __future__ import annotations

import contextlib
import os
import threading
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from dashboard.board.certificate import fingerprint, own_addresses
from dashboard.live.companion import Companion
from ingest.errors import Fault, UnusableRun

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.board.server import Serving

WILDCARDS: Final = ("0.0.0.0", "::")  # noqa: S104 - looked for, not listened on
START_S: Final = 60.0


def create_live_app(folder: Path, serving: Serving, units: str = "si") -> Dash:
    """The live page of one run folder as an application.

    Parameters
    ----------
    folder
        The run folder.
    serving
        How it will be served.
    units
        ``si`` or ``us``.
    """
    from dashboard.board.app import create_app
    from dashboard.board.login import Password
    from dashboard.board.server import names_of
    from dashboard.pages.live import PAGE
    from dashboard.web.folder_source import FolderSource
    from dashboard.web.service import Board

    return create_app(
        Board(FolderSource(folder.resolve().name), None, units, live=folder),
        password=Password(serving.password) if serving.password else None,
        secure=serving.secure,
        hosts=names_of(serving),
        pages=(replace(PAGE, path="/"),),
    )


class LivePage:
    """Serves the live page of a run folder in another process.

    Parameters
    ----------
    folder
        The run folder.
    serving
        How and to whom.
    units
        ``si`` or ``us``.

    Raises
    ------
    UnusableRun
        Where it would be open to others, or the port cannot be had.
    """

    def __init__(self, folder: Path, serving: Serving, units: str = "si") -> None:
        serving.check()
        self._companion = Companion(serve, folder, serving, units, name="live page")
        self.url = reachable(self._await_url())
        self.fingerprint = fingerprint(serving.certificate) if serving.certificate else ""

    def _await_url(self) -> str:
        try:
            pipe = self._companion.pipe
            answer = pipe.recv() if pipe.poll(START_S) else None
        except (EOFError, OSError):
            answer = None
        if isinstance(answer, str):
            return answer
        self.close()
        if isinstance(answer, tuple):
            raise UnusableRun(answer)
        raise UnusableRun(
            Fault("--page", "a page that does not start", "a page", "record without --page")
        )

    def close(self) -> None:
        """End the page."""
        self._companion.close()


def reachable(url: str) -> str:
    """An address that another machine can open: not "any address" but this machine's own."""
    place = urlsplit(url)
    if place.hostname not in WILDCARDS:
        return url
    own = next((each for each in own_addresses() if ":" not in each), "127.0.0.1")
    return f"{place.scheme}://{own}:{place.port}/"


def serve(pipe: Connection, folder: Path, serving: Serving, units: str) -> None:
    """What the process does: serve until the other end of the pipe is gone."""
    from dashboard.board.server import address_of, bind, make_server

    try:
        server = make_server(create_live_app(folder, serving, units).server, serving)
        bind(server, serving)
    except UnusableRun as error:
        pipe.send(error.faults)
        return
    pipe.send(address_of(server, serving))
    threading.Thread(target=_end_with, args=(pipe,), daemon=True).start()
    server.serve()


def _end_with(pipe: Connection) -> None:
    with contextlib.suppress(EOFError, OSError):
        pipe.recv()
    # requests still open are looks at a recording that has ended
    os._exit(0)
