"""The page of a part on the bench: what it is, what it does, whether that is sound."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from dashboard.report.bench.picture import bench_picture
from dashboard.report.blocks import Block, Bullets, Heading, ReportPage, Table, Text, short
from dashboard.report.subject import Subject, software_version
from dashboard.report.warranty import (
    figures_table,
    files_table,
    findings_blocks,
    how_judged,
    sensors_table,
)
from dashboard.report.work_order import run_name, signed
from dashboard.text.answer import headline
from dashboard.text.shown import figure_name, said_in

if TYPE_CHECKING:
    from ingest.setup.model import BenchTable

LONGEST_NOTE: Final = 220
MAX_NOTES: Final = 6
REFERENCES: Final = {
    "ice": "melting ice",
    "boiling": "boiling water",
    "comparison": "each other",
}


def bench_page(subject: Subject, bench: BenchTable) -> ReportPage:
    """The one page of a part.

    Parameters
    ----------
    subject
        A bench run.
    bench
        Its set-up.
    """
    now, result = subject.now, subject.result
    picture = bench_picture(now.run, subject.units)
    notes = [
        f"{figure_name(name)}: {short(said_in(figure['note'], subject.units), LONGEST_NOTE)}"
        for name, figure in result["figures"].items()
        if figure["note"]
    ]
    drawn: list[Block] = []
    if picture is not None:
        drawn = [picture, Text(picture.says, "quiet")]
    blocks: list[Block] = [
        _identity(subject, bench),
        Text(headline(result, subject.units), "lead"),
        *drawn,
        Heading(f"Figures: {now.verdict}"),
        figures_table(result["figures"], subject),
        *([Bullets(tuple(notes[:MAX_NOTES]))] if notes else []),
        how_judged(_basis(subject)),
        Heading("Sensors as they were set up"),
        sensors_table(now, subject.units),
        Heading("In the log"),
        *findings_blocks(now, subject.units),
        Heading("Raw files (SHA-256) and program"),
        files_table(subject),
        Text(f"Made by lukewarm {software_version()}.", "quiet"),
        signed(subject),
    ]
    return ReportPage("Bench", f"On the bench: {bench.part}", tuple(blocks))


def _identity(subject: Subject, bench: BenchTable) -> Table:
    about = subject.now.run.setup.run
    against = "–"
    if bench.stamped is not None:
        against = f"stamped {short(bench.stamped, 24)}"
    elif bench.reference is not None:
        against = REFERENCES[bench.reference]
    return Table(
        (),
        (
            ("Part", bench.part, "Against", against),
            ("Vehicle", short(about.vehicle), "Report made", f"{subject.made:%Y-%m-%d %H:%M}"),
            ("Run", run_name(subject.now), "", ""),
        ),
        (1.1, 3.1, 1.5, 2.5),
    )


def _basis(subject: Subject) -> str:
    """Where the limits come from, each once."""
    told = [each.limit.basis for each in subject.now.judged.values() if each.limit is not None]
    return short("; ".join(dict.fromkeys(told)), LONGEST_NOTE) or "none are set"
