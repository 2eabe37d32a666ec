"""Recording on the command line: ports, record, replay."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.shared import (
    NO_PLAN,
    PLACES,
    UNUSABLE,
    Units,
    UnitsOption,
    analyze_folder,
    board_password,
    note,
    say,
    show_documents,
)
from dashboard.places import read_limits

if TYPE_CHECKING:
    from rich.console import Console

    from dashboard.board.server import Serving
    from ingest.record.recorder import Recorder
    from ingest.record.said import Summary


app = typer.Typer()


@app.command()
def ports() -> None:
    """The serial ports of this computer: name, USB id, serial number, description.

    Example: lukewarm ports
    """
    from ingest.record.ports.port import list_ports

    found = list_ports()
    for port in found:
        cells = (port.url, port.usb or "-", port.serial_number or "-", port.description or "-")
        say(
            "  ".join(f"{cell:<{width}}" for cell, width in zip(cells, (16, 9, 16, 0), strict=True))
        )
    if not found:
        note("no serial port; a logger in the network is socket://HOST:PORT or rfc2217://HOST:PORT")


PortsArgument = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[PORT...]",
        help="Name, URL, USB id (aaaa:bbbb) or serial:NUMBER; one for each port of run.toml.",
    ),
]
RecordSetupOption = Annotated[
    Path | None, typer.Option("--setup", help="The run.toml to record by.")
]
RunOption = Annotated[Path | None, typer.Option("--out", help="The new run folder.")]
ResumeOption = Annotated[
    Path | None, typer.Option("--resume", help="Go on in this run folder; the gap is marked.")
]
SecondsOption = Annotated[float | None, typer.Option("--seconds", min=0, help="End after so long.")]
SilentOption = Annotated[
    float | None,
    typer.Option("--until-silent", min=0, help="End when nothing came for so long, s."),
]
PlanOption = Annotated[
    str | None,
    typer.Option(
        "--plan",
        help="yard (one person at a standstill; the usual one), road (two people), bench (a "
        "part on the bench), none, or a test plan (TOML).",
    ),
]
PageOption = Annotated[
    bool, typer.Option("--page", help="Also serve the live page for a tablet or phone.")
]
PageHostOption = Annotated[str, typer.Option("--page-host", help="Address the page listens on.")]
PagePortOption = Annotated[int, typer.Option("--page-port", min=0, max=65535, help="0 takes any.")]
PasswordOption = Annotated[
    Path | None,
    typer.Option("--password-file", help="File whose first line the page's visitors must know."),
]
CertificateOption = Annotated[
    Path | None,
    typer.Option("--tls-cert", help="PEM certificate of the page; else one is made."),
]
KeyOption = Annotated[Path | None, typer.Option("--tls-key", help="Its key, PEM.")]


@app.command()
def record(
    port: PortsArgument = None,
    setup: RecordSetupOption = None,
    out: RunOption = None,
    resume: ResumeOption = None,
    seconds: SecondsOption = None,
    until_silent: SilentOption = None,
    plan: PlanOption = None,
    page: PageOption = False,
    page_host: PageHostOption = "127.0.0.1",
    page_port: PagePortOption = 8050,
    password_file: PasswordOption = None,
    tls_cert: CertificateOption = None,
    tls_key: KeyOption = None,
    units: UnitsOption = Units.SI,
) -> None:
    """Record from serial ports into a run folder; Ctrl-C ends it.

    On a terminal it leads through the test plan, step by step; otherwise it prints plain lines.
    A PORT may also be the car's own bus, can:INTERFACE:CHANNEL; it is only ever read.

    Example: lukewarm record COM5 --setup run.toml --out SC-014-monday
    """
    from ingest.record.recorder import Recorder
    from ingest.record.said import cautions_for

    if (resume is None) == (out is None) or (out is not None and setup is None):
        raise typer.BadParameter("give --setup run.toml and --out RUN, or --resume RUN")
    given = tuple(port or ())
    serving = page_serving(page_host, page_port, password_file, tls_cert, tls_key) if page else None
    check_plan(plan)  # its faults come before a run folder is made
    if resume is not None:
        recorder = Recorder.resume(resume, given)
    else:
        assert setup is not None and out is not None  # noqa: S101, PT018 - seen to above
        recorder = Recorder.create(setup, out, given)
    cautions = cautions_for(recorder.setup)
    guided = sys.stdout.isatty() and sys.stdin.isatty()
    if not (guided or page or plan):
        for line in cautions:
            note(f"caution: {line}")
        if resume is not None:
            from dashboard.live.state import forget_guide

            forget_guide(resume)
        recorder.start()
        follow_plainly(recorder, seconds, until_silent)
        return
    from dashboard.commands.guided import Wish, await_start, choose_plan, keep_plan, record_guided

    text = choose_plan(plan, recorder.setup, recorder.folder, guided=guided)
    chosen = keep_plan(text, recorder.folder)
    await_start(chosen.cautions if chosen else cautions, note, wait=guided)
    console = guide_console() if guided else None
    wish = Wish(chosen, serving, console, units.value, seconds, until_silent)
    summary = record_guided(recorder, wish, say, note)
    failed = say_failure(summary)
    if guided and summary.counters.lines:
        show_figures(recorder.folder, units)
    if failed:
        raise typer.Exit(UNUSABLE)


def check_plan(plan: str | None) -> None:
    """Read the plan that is asked for, where it is a file; refuse a name that is none."""
    if plan in (None, NO_PLAN, *PLACES):
        return
    from ingest.errors import did_you_mean
    from ingest.record.test_plan import read_plan

    if not Path(plan).suffix and not Path(plan).exists():
        known = (*PLACES, NO_PLAN)
        hint = did_you_mean(plan, known, f"there are {', '.join(known)}, or name a file")
        raise typer.BadParameter(f"no plan {plan!r}; {hint}")
    read_plan(Path(plan))


def say_failure(summary: Summary) -> bool:
    """Say why a recording is of no use or ended by itself; whether there was anything to say."""
    if summary.failure is not None:
        note(f"error: {summary.failure}")
    if summary.counters.lines == 0:
        note("error: no whole line arrived; check the port, its settings and the logger's power")
    return summary.failure is not None or summary.counters.lines == 0


def guide_console() -> Console:
    """The terminal a recording is guided on."""
    from rich.console import Console

    return Console(highlight=False)


def page_serving(
    host: str,
    port: int,
    password_file: Path | None,
    tls_cert: Path | None = None,
    tls_key: Path | None = None,
) -> Serving:
    """How the live page is served; the password from a file, else from the environment.

    Beyond this machine it is served over TLS, with a certificate of its own where none is given.
    """
    from dataclasses import replace

    from dashboard.board.security import is_loopback
    from dashboard.board.server import Serving

    serving = Serving(host, port, board_password(password_file), tls_cert, tls_key)
    serving.check()
    if is_loopback(host) or serving.secure:
        return serving
    from dashboard.board.certificate import own_certificate

    certificate, key = own_certificate(host)
    return replace(serving, certificate=certificate, key=key)


def show_figures(folder: Path, units: Units) -> None:
    """What `analyze` says of a run that was just recorded."""
    from analysis.result import document

    analysis, _ = analyze_folder(folder, read_limits(None), None)
    show_documents([document(analysis)], None, units, single=True, places=[folder])


def follow_plainly(recorder: Recorder, seconds: float | None, until_silent: float | None) -> None:
    """Say how a recording goes, line by line, until it ends."""
    from ingest.record.status import StatusLines, record_until_over

    def follow(status: StatusLines) -> None:
        while recorder.running and not status.is_over(seconds, until_silent):
            for line in status.wait():
                say(line)

    if say_failure(record_until_over(recorder, follow, say, note)):
        raise typer.Exit(UNUSABLE)


@app.command()
def replay(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder.")],
    speed: Annotated[
        float, typer.Option("--speed", min=0, help="1 real time, 10 ten times; 0 all at once.")
    ] = 1.0,
    to: Annotated[
        str, typer.Option("--to", help="pty, or socket://HOST:PORT for a recorder to connect to.")
    ] = "pty" if sys.platform != "win32" else "socket://127.0.0.1:4000",
) -> None:
    """Play a run as its logger would, for a recorder to hear.

    Example: lukewarm replay sample_logs/SC-014-complaint --speed 20
    """
    from ingest.record.replay import play, read_script
    from ingest.record.replay_port import open_outlet

    script = read_script(run)
    outlet = open_outlet(to)
    say(f"lukewarm record {outlet.url} --setup {run / 'run.toml'} --out RUN")
    note("waiting for that, or another recorder, to open the port; Ctrl-C ends")
    try:
        heard = play(script, outlet, speed)
    finally:
        outlet.close()
    note(f"played {len(script.lines)} lines, {heard} of them heard")
