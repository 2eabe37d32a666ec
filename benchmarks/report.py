"""How long a report takes, how large it is, and whether it keeps to its pages.

    python benchmarks/report.py [RUNS]

Each sample run becomes a report, alone or with the run before its repair, as HTML and as PDF, in
SI and US units. Then the whole command is timed from the shell, start of Python included.
"""

from __future__ import annotations

import argparse
import io
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from pypdf import PdfReader

from analysis.pipeline import Analysis, analyze
from dashboard.report.content import build_report
from dashboard.report.html import report_html
from dashboard.report.pdf import body_size, report_pdf
from dashboard.report.subject import subject_of
from ingest.load.load import load_run, run_folders

SAMPLES = Path(__file__).parents[1] / "sample_logs"
BAR_S = 2.0


def pairs(folder: Path) -> list[list[Analysis]]:
    """Every run alone, and those after a repair with the complaint of the same car."""
    analyses = {place.name: analyze(load_run(place)) for place in run_folders(folder)}
    found = [[each] for each in analyses.values()]
    for name, each in analyses.items():
        before = analyses.get(name.replace("after-repair", "complaint"))
        if before is not None and before is not each:
            found.append([before, each])
    return found


def time_drawing(cases: list[list[Analysis]]) -> None:
    """Time from an analysis to the bytes of a report."""
    for units in ("si", "us"):
        spent: dict[str, list[float]] = {"html": [], "pdf": []}
        sizes: dict[str, list[int]] = {"html": [], "pdf": []}
        counts, smallest = set(), 99.0
        for case in cases:
            for kind, draw in (("html", report_html), ("pdf", report_pdf)):
                begin = time.perf_counter()
                report = build_report(subject_of(case, (), (), None, units))
                data = draw(report)
                spent[kind].append(time.perf_counter() - begin)
                sizes[kind].append(len(data))
                if isinstance(data, bytes):
                    counts.add(len(PdfReader(io.BytesIO(data)).pages))
            smallest = min(smallest, *(body_size(page, report.paper) for page in report.pages))
        for kind, times in spent.items():
            print(
                f"{units} {kind:<4}  {len(times)} reports, "
                f"median {statistics.median(times):.3f} s, longest {max(times):.3f} s, "
                f"{max(sizes[kind]) / 1000:.0f} kB at most"
            )
        print(f"{units} pages {sorted(counts)}, smallest running text {smallest:g} pt")


def children_s() -> float:
    """Processor time of the processes started so far, s."""
    spent = os.times()
    return spent.children_user + spent.children_system


def time_command(folder: Path) -> bool:
    """Time of the whole command, the best of three; whether it is below the bar.

    The processor's time is given beside the clock's: on a busy machine only it says anything (it
    is not known on Windows, where it reads 0).
    """
    fast = True
    run, before = folder / "SC-014-after-repair", folder / "SC-014-complaint"
    with tempfile.TemporaryDirectory() as place:
        for ending in ("html", "pdf"):
            out = Path(place) / f"report.{ending}"
            command = [sys.executable, "-m", "lukewarm", "report", str(run), "--before",
                       str(before), "--out", str(out)]  # fmt: skip
            clock, processor = [], []
            for _ in range(3):
                begin, spent = time.perf_counter(), children_s()
                subprocess.run(command, check=True, capture_output=True)
                clock.append(time.perf_counter() - begin)
                processor.append(children_s() - spent)
            print(
                f"lukewarm report --out FILE.{ending}: {min(clock):.2f} s by the clock, "
                f"{min(processor):.2f} s of the processor"
            )
            fast = fast and (min(processor) or min(clock)) < BAR_S
    return fast


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("runs", type=Path, nargs="?", default=SAMPLES)
    folder = parser.parse_args().runs
    time_drawing(pairs(folder))
    if folder == SAMPLES and not time_command(folder):
        sys.exit(f"slower than {BAR_S:g} s")


if __name__ == "__main__":
    main()
