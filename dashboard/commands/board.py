"""The board on the command line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.progress import counted
from dashboard.commands.shared import LimitsOption, Units, UnitsOption, board_password, note
from dashboard.places import read_limits

if TYPE_CHECKING:
    from analysis.limits import Limits
    from dashboard.web.source import Source

app = typer.Typer()


@app.command()
def board(
    place: Annotated[
        Path | None,
        typer.Argument(metavar="[STORE]", help="Store, run folder, or folder of run folders."),
    ] = None,
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes any.")] = 8050,
    password_file: Annotated[
        Path | None,
        typer.Option("--password-file", help="File whose first line visitors must know."),
    ] = None,
    tls_cert: Annotated[Path | None, typer.Option("--tls-cert", help="PEM certificate.")] = None,
    tls_key: Annotated[Path | None, typer.Option("--tls-key", help="PEM key.")] = None,
    limits: LimitsOption = None,
    units: UnitsOption = Units.SI,
) -> None:
    """Look at runs in a web browser: one car, the fleet, the limits. Answers this machine alone.

    Without STORE it shows the runs of the current folder, else the sample logs. For others to reach
    it, give --host and a password: --password-file, or LUKEWARM_BOARD_PASSWORD.

    Example: lukewarm board sample_logs
    """
    from dashboard.board.app import create_app
    from dashboard.board.login import Password
    from dashboard.board.server import Serving, address_of, bind, make_server, names_of
    from dashboard.web.service import Board, warm
    from dashboard.web.uploads import Uploads

    password = board_password(password_file)
    serving = Serving(host, port, password, tls_cert, tls_key)
    serving.check()
    source = board_source(place, read_limits(limits) if limits else None)
    uploads = Uploads(source)
    dash = create_app(
        Board(source, uploads, units.value, live=place or Path()),
        password=Password(password) if password else None,
        secure=serving.secure,
        hosts=names_of(serving),
    )
    server = make_server(dash.server, serving)
    bind(server, serving)
    if password and not serving.secure:
        note("warning: without --tls-cert the password crosses the network as it is")
    note(f"the board is at {address_of(server, serving)}; Ctrl+C ends it")
    uploads.warm()
    warm()
    try:
        server.serve()
    finally:
        server.stop()
        uploads.close()


def board_source(place: Path | None, limits: Limits | None) -> Source:
    """Runs for the board: a store's, or those of plain run folders."""
    from dashboard.web.folder_source import FolderSource
    from dashboard.web.store_source import StoreSource
    from ingest.errors import Fault, UnusableRun
    from ingest.load.load import run_folders
    from ingest.store.store import Store

    if place is not None and Store.is_store(place):
        if limits is not None:
            raise UnusableRun(
                Fault(
                    "--limits",
                    "limits for the board alone",
                    "none: what judges a store is decided in it",
                    f"change it with lukewarm store refresh {place} --limits FILE",
                )
            )
        return StoreSource(Store.open(place, create=False))
    asked = place or Path()
    folders = run_folders(asked) or ([asked] if (asked / "run.toml").is_file() else [])
    if not folders and place is None:
        import sample_logs

        asked = Path(sample_logs.__path__[0])
        folders = run_folders(asked)
    if not folders:
        raise UnusableRun(
            Fault(str(asked), "no store and no run folder", "one of them", "check the path")
        )
    read = counted(folders, len(folders), "reading")
    return FolderSource.read(read, asked.resolve().name, limits)
