"""Words on the command line: what a name means."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.commands.complete import every_name
from dashboard.commands.shared import WRONG_USE, Units, UnitsOption, note, say

app = typer.Typer()


@app.command()
def explain(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="A name from a result.", autocompletion=every_name)
    ],
    units: UnitsOption = Units.SI,
) -> None:
    """What a name means: a figure, a cause, a check or a finding.

    Example: lukewarm explain warm_up_time
    """
    from dashboard.text.explain import explain_lines, unknown_line

    lines = explain_lines(name, units.value)
    if not lines:
        note(f"error: {unknown_line(name)}")
        raise typer.Exit(WRONG_USE)
    for line in lines:
        say(line)
