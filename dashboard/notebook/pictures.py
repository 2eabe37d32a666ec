"""A result as a picture and as the report for owner, work order and warranty file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from dashboard.notebook.found import Found

HEIGHT_PX: Final = 680
LINE_PX: Final = 22
"""Height of a line of the title."""


def plot(found: Found) -> go.Figure:
    """The readings of a run with the stretches marked that its figures rest on.

    Parameters
    ----------
    found
        What `analyze` gave; its ``units`` are those of the axes.

    Returns
    -------
    plotly.graph_objects.Figure
        A notebook shows it; ``write_html`` and ``show`` are plotly's own. Lines of more than 3000
        points are thinned, extremes kept; figures are never computed from these.

    Examples
    --------
    >>> import lukewarm as lw
    >>> picture = lw.plot(lw.analyze("sample_logs/SC-014-complaint"))
    >>> picture.data[0].name
    'outlet'
    """
    import html

    from dashboard.plots.run import LETTERS, run_plot
    from dashboard.plots.run_page import windows_of
    from dashboard.text.shown import clean, words

    windows = windows_of(found.to_dict())
    run = found.analysis.run
    picture = run_plot(run, windows, found.units, bench=run.setup.bench is not None)
    marked = "".join(
        f"<br><b>{letter}</b> {html.escape(window.label)}"
        for letter, window in zip(LETTERS, windows, strict=False)
    )
    title = f"{html.escape(clean(found.run.name))}: {html.escape(found.verdict)}"
    shared = {html.escape(words(point)) for point in picture.legend}
    for trace in picture.figure.data:
        trace.showlegend = trace.name in shared
    picture.figure.update_layout(
        title=_left(f"<b>{title}</b>{marked}"),
        showlegend=True,
        # below the plot, where plotly makes room for as many lines as the width asks for
        legend={"orientation": "h", "x": 0, "xanchor": "left", "y": -0.16, "yanchor": "top"},
        margin={"t": LINE_PX * (1 + len(windows))},
        xaxis_title_standoff=4,
        height=HEIGHT_PX,
    )
    return picture.figure


def _left(text: str) -> dict[str, Any]:
    return {
        "text": text,
        "font": {"size": 15},
        "x": 0.0,
        "xref": "paper",
        "xanchor": "left",
        "y": 1.0 - 12.0 / HEIGHT_PX,
        "yref": "container",
        "yanchor": "top",
    }


def report(
    found: Found, out: str | Path, before: Found | None = None, *, done: Sequence[str] = ()
) -> Path:
    """Write one page each for the owner, the work order and the warranty file.

    Parameters
    ----------
    found
        The run the report is about.
    out
        ``FILE.html`` or ``FILE.pdf``.
    before
        The same car before its repair.
    done
        What was done to it, in your words.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    UnusableRun
        Where the two runs are of different cars, or the file cannot be written.

    Warns
    -----
    UserWarning
        Of what makes the comparison of the two runs doubtful.

    Examples
    --------
    >>> import lukewarm as lw
    >>> before = lw.analyze("sample_logs/SC-014-complaint")
    >>> after = lw.analyze("sample_logs/SC-014-after-repair")
    >>> lw.report(after, "SC-014.html", before, done=["cable adjusted"]).name
    'SC-014.html'
    """
    import warnings

    from dashboard.report.make import ENDINGS, write_report
    from dashboard.report.subject import subject_of
    from ingest.export.tables import require_ending

    path = Path(out)
    require_ending(path, ENDINGS)
    both = [found] if before is None else [before, found]
    sheets = [line for each in both for line in each.run.sheet()]
    subject = subject_of(
        [each.analysis for each in both], sheets, done, found.baseline, found.units
    )
    for doubt in subject.doubts:
        warnings.warn(doubt, stacklevel=2)
    write_report(subject, path)
    return path
