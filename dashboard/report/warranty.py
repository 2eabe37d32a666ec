"""The warranty file's page: figures with uncertainties, limits, raw files, sensors, version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from dashboard.report.blocks import Block, Heading, ReportPage, Table, Text, first_rows, short
from dashboard.report.subject import Subject, software_version
from dashboard.report.work_order import identity, verdict_cell
from dashboard.text.answer import headline
from dashboard.text.shown import (
    COVERAGE,
    conversion,
    figure_name,
    figure_text,
    limit_text,
    said_in,
    span,
    words,
)
from ingest.sensors.tolerances import stated_tolerance

if TYPE_CHECKING:
    from analysis.pipeline import Analysis
    from ingest.run import Sensor
    from ingest.setup.model import ChannelTable

MAX_SENSORS: Final = 14
MAX_PLAIN: Final = 8
MAX_FILES: Final = 6
MAX_FINDINGS: Final = 2
LONGEST_FINDING: Final = 190


def warranty_page(subject: Subject) -> ReportPage:
    """The page for the warranty file."""
    now = subject.now
    result = subject.result
    blocks: list[Block] = [
        identity(subject),
        Text(headline(result, subject.units), "lead"),
        Heading(f"Figures: {now.verdict}"),
        figures_table(result["figures"], subject),
        how_judged(f"{short(now.limits_version)} ({short(now.limits_basis, 200)})"),
        Heading("Sensors as they were set up"),
        sensors_table(now, subject.units),
        Heading("In the log"),
        *findings_blocks(now, subject.units),
        Heading("Raw files (SHA-256) and program"),
        files_table(subject),
        Text(f"Made by lukewarm {software_version()}. Results in full: lukewarm analyze --json.",
             "quiet"),
    ]  # fmt: skip
    vehicle = short(now.run.setup.run.vehicle)
    return ReportPage("Warranty file", f"The heater of {vehicle}", tuple(blocks))


def how_judged(limits: str) -> Text:
    """What stands behind the uncertainties and verdicts of `figures_table`."""
    return Text(
        f"± is U, the expanded uncertainty (k = {COVERAGE:g}, JCGM 100). pass and fail hold "
        f"with 95 % probability (JCGM 106), between them is undecided. Limits: {limits}.",
        "quiet",
    )


def figures_table(figures: dict[str, dict[str, object]], subject: Subject) -> Table:
    """Every measured figure with its limits and verdict; those missing are named."""
    rows = []
    for name, figure in figures.items():
        if figure["value"] is None:
            continue
        limited = bool(figure["limit"])
        rows.append(
            (
                figure_name(name),
                figure_text(figure, subject.units),
                limit_text(figure, subject.units) or "–",
                verdict_cell(str(figure["verdict"]), limited=limited),
            )
        )
    missing = [figure_name(name) for name, figure in figures.items() if figure["value"] is None]
    more = f"Not measured: {', '.join(missing)}." if missing else ""
    head = ("Figure", "Value ± U", "Limits", "Verdict")
    return Table(head, tuple(rows), (3, 3, 2.6, 1.8), more, dense=True)


def sensors_table(analysis: Analysis, units: str) -> Block:
    """Each sensor as it was set up."""
    rows = [
        _sensor_row(point, sensor, analysis.run.setup.channels.get(point), units)
        for point, sensor in analysis.run.sensors.items()
    ]
    # sensors of which only the kind is known share a line
    told = [row for row in rows if set(row[3:]) != {"–"}]
    plain = [f"{row[0]} ({row[1]}, {row[2]})" for row in rows if row not in told]
    kept, more = first_rows(told, MAX_SENSORS, "see run.toml")
    if plain:
        named = ", ".join(plain[:MAX_PLAIN])
        rest = f" and {len(plain) - MAX_PLAIN} more: see run.toml" if plain[MAX_PLAIN:] else ""
        more = f"{more}{'. ' if more else ''}Also logged: {named}{rest}."
    if not kept:
        return Text(more, "quiet")
    head = ("Point", "Column", "Kind", "Class or limit", "Lag", "Corrected")
    return Table(head, kept, (2.2, 2.4, 2.4, 2.0, 0.9, 1.4), more, dense=True)


def _sensor_row(
    point: str, sensor: Sensor, channel: ChannelTable | None, units: str
) -> tuple[str, ...]:
    shown = conversion("K" if sensor.quantity.unit == "degC" else sensor.quantity.unit, units)
    kind, tolerance = sensor.kind, "–"
    if channel is not None:
        if sensor.kind == "thermocouple":
            junction = channel.cold_junction
            kind += f" {channel.type}" + (
                f", {short(words(str(junction)), 20)}" if junction else ""
            )
        if channel.tolerance_class is not None:
            tolerance = f"class {short(channel.tolerance_class, 12)}"
        elif channel.tolerance is not None:
            stated = stated_tolerance(channel) or 0.0
            tolerance = f"± {stated * shown.factor:.3g} {shown.unit}"
    lag = f"{sensor.time_constant:g} s" if sensor.time_constant else "–"
    offset = f"{sensor.offset * shown.factor:+.2f} {shown.unit}" if sensor.offset else "–"
    return (
        short(words(point), 17),
        short(sensor.source, 20),
        short(kind, 32),
        tolerance,
        lag,
        offset,
    )


def findings_blocks(analysis: Analysis, units: str) -> list[Block]:
    """What was found in the log, the first few."""
    texts = []
    for finding in analysis.findings:
        when = span(finding.from_s, finding.to_s)
        where = ", ".join(each for each in (short(words(finding.channel or "")), when) if each)
        detail = said_in(finding.detail, units)
        texts.append(short(f"{where}: {detail}" if where else detail, LONGEST_FINDING))
    if not texts:
        return [Text("Nothing wrong was found with the log.", "quiet")]
    rest = len(texts) - MAX_FINDINGS
    more = [f"and {rest} more: lukewarm check lists them all"] if rest > 0 else []
    return [Text(line, "quiet") for line in (*texts[:MAX_FINDINGS], *more)]


def files_table(subject: Subject) -> Block:
    """The raw files with their digests."""
    rows = [
        (short(f"{analysis.run.name}/{name}", 34), digest)
        for analysis in (subject.before, subject.now)
        if analysis is not None
        for name, digest in analysis.run.sha256.items()
    ]
    if not rows:
        return Text("The run did not come from files.", "quiet")
    kept, more = first_rows(rows, MAX_FILES, "lukewarm analyze --json has them all")
    return Table((), kept, (2.6, 6.0), more, dense=True)
