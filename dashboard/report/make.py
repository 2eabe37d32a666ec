"""Write a report: the format by the file's ending."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from ingest.export.tables import require_ending
from ingest.files import write_whole

if TYPE_CHECKING:
    from dashboard.report.blocks import Paper, Report
    from dashboard.report.subject import Subject

ENDINGS: Final = (".html", ".htm", ".pdf")


def write_report(subject: Subject, path: Path, paper: Paper | None = None) -> None:
    """Write a report as HTML or PDF, whole or not at all.

    Raises
    ------
    WrongUse
        Where the ending is neither.
    UnusableRun
        Where the file cannot be written.
    """
    from dashboard.report.content import build_report

    require_ending(path, ENDINGS)
    write_whole_report(build_report(subject, paper), path)


def write_whole_report(report: Report, path: Path) -> None:
    """Write a report's content as HTML or PDF, whole or not at all.

    Raises
    ------
    WrongUse
        Where the ending is neither.
    UnusableRun
        Where the file cannot be written.
    """
    require_ending(path, ENDINGS)
    if path.suffix.lower() == ".pdf":
        from dashboard.report.pdf import report_pdf

        data = report_pdf(report)
    else:
        from dashboard.report.html import report_html

        data = report_html(report).encode("utf-8")
    write_whole(path, lambda target: target.write_bytes(data))
