"""The report's content: three pages, the same for every way of drawing them."""

from __future__ import annotations

from dashboard.report.blocks import Paper, Report, short
from dashboard.report.owner import owner_page
from dashboard.report.subject import Subject, software_version
from dashboard.report.warranty import warranty_page
from dashboard.report.work_order import work_order_page


def build_report(subject: Subject, paper: Paper | None = None) -> Report:
    """The three pages.

    Parameters
    ----------
    subject
        What the report is made from.
    paper
        ``a4`` or ``letter``; by the units where None.
    """
    vehicle = short(subject.now.run.setup.run.vehicle)
    return Report(
        title=f"Heater report {vehicle}",
        foot=f"{vehicle}, {subject.made:%Y-%m-%d}, lukewarm {software_version()}",
        paper=paper or ("letter" if subject.us else "a4"),
        pages=(owner_page(subject), work_order_page(subject), warranty_page(subject)),
    )
