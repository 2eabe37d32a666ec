"""The report's content: three pages, the same for every way of drawing them; one of a part."""

from __future__ import annotations

from dashboard.report.bench.page import bench_page
from dashboard.report.blocks import Paper, Report, ReportPage, short
from dashboard.report.owner import owner_page
from dashboard.report.subject import Subject, software_version
from dashboard.report.warranty import warranty_page
from dashboard.report.work_order import work_order_page


def build_report(subject: Subject, paper: Paper | None = None) -> Report:
    """The three pages of a car, or the one of a part on the bench.

    Parameters
    ----------
    subject
        What the report is made from.
    paper
        ``a4`` or ``letter``; by the units where None.
    """
    vehicle = short(subject.now.run.setup.run.vehicle)
    bench = subject.now.run.setup.bench
    pages: tuple[ReportPage, ...] = (bench_page(subject, bench),) if bench else car_pages(subject)
    return Report(
        title=f"Heater report {vehicle}" if bench is None else f"Bench report {bench.part}",
        foot=f"{vehicle}, {subject.made:%Y-%m-%d}, lukewarm {software_version()}",
        paper=paper or ("letter" if subject.us else "a4"),
        pages=pages,
    )


def car_pages(subject: Subject) -> tuple[ReportPage, ...]:
    """For the owner, the work order and the warranty file."""
    return owner_page(subject), work_order_page(subject), warranty_page(subject)
