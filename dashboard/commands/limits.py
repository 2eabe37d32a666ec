"""Limits on the command line: tuning them from labels."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.shared import (
    ClusterOption,
    DatabaseOption,
    JobsOption,
    Units,
    UnitsOption,
    note,
    nothing_per_run,
    say,
)
from dashboard.places import open_store, read_limits

if TYPE_CHECKING:
    from analysis.tune.change import Changed
    from analysis.tune.tuning import Tuning


app = typer.Typer()


OptionalStore = Annotated[
    Path | None, typer.Argument(metavar="STORE", help="Folder of the run store.")
]
LabelsOption = Annotated[
    Path | None,
    typer.Option("--labels", help="CSV: run or car, label (good, bad), cause, source, date."),
]
MissedOption = Annotated[
    float, typer.Option("--cost-missed", min=0.0, help="Cost of passing a bad car.")
]
NeedlessOption = Annotated[
    float, typer.Option("--cost-needless", min=0.0, help="Cost of failing a good car.")
]
UndecidedOption = Annotated[
    float | None,
    typer.Option(
        "--cost-undecided", min=0.0, help="Cost of a test to be done again; 0.3 of needless."
    ),
]
BadShareOption = Annotated[
    float | None,
    typer.Option("--bad-share", min=0.0, max=1.0, help="Share of bad cars in use."),
]
UnclaimedOption = Annotated[
    float,
    typer.Option(
        "--unclaimed-share", min=0.0, max=0.9, help="Share of `good` that was never claimed."
    ),
]
WrongOption = Annotated[
    float,
    typer.Option("--wrong-labels", min=0.0, max=0.4, help="Share of labels that may be wrong."),
]
TradeOption = Annotated[
    bool,
    typer.Option(
        "--trade-passes",
        help="Cost alone decides, even where good cars lose the pass they have now.",
    ),
]
FamiliesOption = Annotated[str, typer.Option("--families", help="Only these: Plover,Dunlin.")]
AsMeasuredOption = Annotated[
    bool, typer.Option("--as-measured", help="Leave the scatter of measuring in.")
]
SeedOption = Annotated[int, typer.Option("--seed", help="Of everything drawn at random.")]
OutOption = Annotated[Path | None, typer.Option("--out", help="Limits file to write.")]
ReportOption = Annotated[
    Path | None, typer.Option("--report", help="Report to write: FILE.html, .pdf or .csv.")
]
AgainstOption = Annotated[Path | None, typer.Option("--against", help="The limits file in force.")]
VersionOption = Annotated[str, typer.Option("--version", help="Of the limits file.")]
AuthorOption = Annotated[str, typer.Option("--author", help="Of the limits file.")]
DateOption = Annotated[
    datetime | None,
    typer.Option(
        "--date", formats=["%Y-%m-%d"], help="Of the limits file; default the newest label's."
    ),
]
ExplainOption = Annotated[
    tuple[Path, Path] | None,
    typer.Option("--explain", metavar="OLD NEW", help="Say how two limits files differ."),
]


@app.command()
def tune(
    store: OptionalStore = None,
    labels: LabelsOption = None,
    cost_missed: MissedOption = 3.0,
    cost_needless: NeedlessOption = 1.0,
    cost_undecided: UndecidedOption = None,
    bad_share: BadShareOption = None,
    unclaimed_share: UnclaimedOption = 0.0,
    wrong_labels: WrongOption = 0.05,
    trade_passes: TradeOption = False,
    families: FamiliesOption = "",
    as_measured: AsMeasuredOption = False,
    seed: SeedOption = 0,
    out: OutOption = None,
    report_out: ReportOption = None,
    against: AgainstOption = None,
    version: VersionOption = "",
    author: AuthorOption = "",
    date: DateOption = None,
    explain: ExplainOption = None,
    units: UnitsOption = Units.SI,
    database: DatabaseOption = None,
    jobs: JobsOption = 1,
    cluster: ClusterOption = None,
) -> None:
    """Limits from labelled runs: what they catch, what they cost, what they would change.

    Example: lukewarm tune fleet --labels labels.csv --cost-missed 400 --cost-needless 150
    """
    if explain:
        _explain(*explain, units)
        return
    if store is None or labels is None:
        raise typer.BadParameter("give a STORE and --labels FILE, or --explain OLD NEW")
    nothing_per_run("tune", jobs, cluster)
    from analysis.tune.search.choice import Costs
    from analysis.tune.stored import tune_store
    from analysis.tune.tuning import Options
    from ingest.export.tables import require_ending
    from ingest.load.load import read_text

    if report_out:
        require_ending(report_out, (".html", ".pdf", ".csv"))
    options = Options(
        Costs(cost_missed, cost_needless, bad_share, unclaimed_share, cost_undecided),
        tuple(name.strip() for name in families.split(",") if name.strip()),
        true_values=not as_measured,
        wrong_labels=wrong_labels,
        trade_passes=trade_passes,
        seed=seed,
        version=version,
        author=author,
        date=date.date().isoformat() if date else "",
    )
    in_force = read_limits(against) if against else None
    tuned, changed = tune_store(
        open_store(store, database), read_text(labels), labels.name, in_force, options
    )
    _show(tuned, changed, units, out, report_out)


def _explain(old: Path, new: Path, units: Units) -> None:
    """Say how two limits files differ."""
    from analysis.tune.explain import explain
    from dashboard.text.shown import said_in

    for line in explain(read_limits(old), read_limits(new)):
        say(said_in(line, units.value))


def _show(
    tuned: Tuning, changed: list[Changed], units: Units, out: Path | None, report_out: Path | None
) -> None:
    """Say what was tuned, and write the limits file and the report where they are asked for."""
    from analysis.tune.limits_file import limits_text
    from dashboard.report.limits.document import limits_report
    from dashboard.report.make import write_whole_report
    from dashboard.text.tuning import tuning_lines
    from dashboard.text.tuning_table import report_csv
    from ingest.load.load import write_text

    for line in tuning_lines(tuned, changed, units.value):
        say(line)
    if out:
        write_text(out, limits_text(tuned.limits))
        note(f"wrote {out}")
    if report_out:
        if report_out.suffix.lower() == ".csv":
            write_text(report_out, report_csv(tuned))
        else:
            write_whole_report(limits_report(tuned, changed, units.value), report_out)
        note(f"wrote {report_out}")
