"""The command line: `lukewarm`. The commands themselves are in `dashboard/commands/`."""

from __future__ import annotations

import sys

import typer

from dashboard.commands import fleet, limits, measure, proof, record
from dashboard.commands.shared import UNUSABLE, say_error

app = typer.Typer(
    name="lukewarm",
    help="Why is the heater lukewarm? From sensor logs to figures, a verdict and the next check.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

for commands in (measure, proof, record, fleet, limits):
    app.add_typer(commands.app)


def main() -> None:
    """Run the command line; a fault in the data is a line on standard error, never a traceback."""
    for stream in (sys.stdout, sys.stderr):
        # A Windows console may stand on a code page without degree signs.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    from ingest.errors import LukewarmError

    try:
        app()
    except LukewarmError as error:
        say_error(error)
        sys.exit(UNUSABLE)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(UNUSABLE)
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
