"""The command line put together: every command mounted, and what becomes of what goes wrong."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import Annotated, Any, Final

import typer
from typer.core import TyperGroup

from dashboard.commands import bench, board, explain, fleet, limits, measure, proof, record
from dashboard.commands.shared import UNUSABLE, WRONG_USE, note, say, say_error


class Commands(TyperGroup):
    """All commands; what was typed wrongly is said without the parser's own words."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command asked for."""
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            error.message = error.message.removeprefix("Value error, ")
            raise


def _command_line() -> typer.Typer:
    return typer.Typer(
        name="lukewarm",
        cls=Commands,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )


app = _command_line()


def show_version(asked: bool) -> None:  # noqa: FBT001 - the shape of an option's callback
    """Print the version and end, where asked to."""
    if asked:
        from importlib.metadata import version

        say(f"lukewarm {version('lukewarm')}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=show_version, is_eager=True, help="Say the version and end."
        ),
    ] = False,
) -> None:
    """Why is the heater lukewarm? From sensor logs to figures, a verdict and the next check."""


ROOMS: Final = (measure, proof, bench, record, fleet, board, limits, explain)
for commands in ROOMS:
    app.add_typer(commands.app)


def asked_for(words: Sequence[str]) -> typer.Typer:
    """The command line with the command asked for alone, which is sooner built; else all of it."""
    for room in ROOMS:
        for each in room.app.registered_commands:
            name = each.name or getattr(each.callback, "__name__", None)
            if words and words[0] == name:
                alone = _command_line()
                alone.callback()(options)
                alone.registered_commands.append(each)
                return alone
    return app


def main() -> None:
    """Run the command line; a fault in the data is a line on standard error, never a traceback."""
    if sys.stdout is None:  # closed by the shell
        drop_output()
    # The fits are small: threads inside one matrix product cost more than they save.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Looking for plug-ins of pydantic reads the metadata of every package installed; none is used.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    for stream in (sys.stdout, sys.stderr):
        # A Windows console may stand on a code page without degree signs.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    from ingest.errors import LukewarmError, WrongUse

    try:
        asked_for(sys.argv[1:])()
    except LukewarmError as error:
        say_error(error)
        sys.exit(WRONG_USE if isinstance(error, WrongUse) else UNUSABLE)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(UNUSABLE)
    except OSError as error:
        drop_output()
        note(f"error: {error.filename or 'output'}: {error.strerror or error}")
        sys.exit(UNUSABLE)
    except KeyboardInterrupt:
        sys.exit(130)


def drop_output() -> None:
    """Let standard output go nowhere.

    Where it takes no more, the interpreter would try again when it ends, and complain.
    """
    sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123 - until the end
