"""Results and findings as plain text a technician can read on any terminal, 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final

from dashboard.text.answer import WORTH_NAMING, answer, below, cable_line
from dashboard.text.shown import (
    beside,
    clean,
    clock,
    conversion,
    figure_name,
    figure_text,
    limit_text,
    said_in,
    span,
    words,
)

if TYPE_CHECKING:
    from ingest.run import Finding, Run

WIDTH: Final = 80
NAME, VALUE, LIMIT = 20, 27, 20
"""Columns of the table of figures; the verdict takes the rest."""

COLORS: Final = {"pass": "32", "fail": "31;1", "undecided": "33", "not measured": "2"}
"""SGR codes of ECMA-48 by verdict; the word always stands beside the color."""

NO_LIMIT: Final = "no limit"
"""Stands for the verdict of a figure nothing is asked of."""


MAX_FINDINGS: Final = 12
MAX_REJECTED: Final = 5


def result_lines(
    document: Mapping[str, Any], units: str, *, color: bool = False, place: str = "RUN"
) -> list[str]:
    """One run's result as lines of text.

    Parameters
    ----------
    document
        A result document.
    units
        ``si`` or ``us``.
    color
        Whether the reader is a terminal.
    place
        The run's folder as a command takes it.
    """
    run = document.get("run", {})
    verdict = str(document.get("verdict", "not measured"))
    lines = [_headline(run, verdict, color=color), "=" * WIDTH]
    lines += _answer(document, units)
    figures = document.get("figures", {})
    lines += _figure_table(figures, units, color=color)
    if units == "us":
        lines.append("Rises, drops, deficits and sensitivities are differences in °F.")
    lines += _section("Why not decided", _notes(figures, units, "undecided"))
    lines += _section("Not measured", _notes(figures, units, "not measured"))
    lines += _section("About the figures", _notes(figures, units, "pass", "fail"))
    lines += _section("In the log", _quality(document.get("quality", ()), units))
    cable = _wrapped(cable_line(document, units)) if document.get("cable") else []
    lines += _section("Likely causes", _causes(document.get("causes", ()), units) + cable)
    lines += _section("Next check", _next_check(document.get("next_check"), place))
    lines.append("")
    return lines


def check_lines(run: Run, units: str) -> list[str]:
    """What a log holds and what is wrong with it, as lines of text.

    Parameters
    ----------
    run
        The run, its sensors judged.
    units
        ``si`` or ``us``.
    """
    about = run.setup.run
    title = "  ".join(clean(part) for part in (about.vehicle, about.family, run.name) if part)
    lines = [_cut(title, WIDTH), "=" * WIDTH]
    rows = run.readings.height
    lines.append(f"{rows} readings over {clock(run.duration_s)} min, engine start at 0:00")
    lines.append("")
    lines.append(f"{'Measuring point':<18}{'Column':<26}{'Valid':>7}  Range")
    lines += [_channel_line(run, point, units) for point in run.sensors]
    if run.controls.height:
        noted = sorted(set(run.controls["control"].to_list()))
        lines += ["", *_wrapped(f"Controls noted: {', '.join(clean(each) for each in noted)}")]
    forbidding = [finding for finding in run.findings if finding.forbids]
    warning = [finding for finding in run.findings if not finding.forbids]
    lines += _section("Left out of the analysis", _findings(forbidding, units))
    lines += _section("Worth a look", _findings(warning, units))
    lines += _section("Rejected", _rejected(run))
    if not run.findings and not run.rejected_count:
        lines += ["", "Nothing wrong was found."]
    lines.append("")
    return lines


def _headline(run: Mapping[str, Any], verdict: str, *, color: bool) -> str:
    parts = (
        run.get("vehicle"),
        run.get("family"),
        run.get("part") or run.get("heater"),
        run.get("purpose"),
    )
    name = "  ".join(clean(part) for part in parts if part) or clean(run.get("name", ""))
    word = verdict.upper()
    room = WIDTH - len(word) - 2
    return f"{_cut(name, room):<{room}}  {_painted(word, verdict, color=color)}"


def _answer(document: Mapping[str, Any], units: str) -> list[str]:
    """The first lines: what was found, what could not have been seen, what would help most."""
    lines = _wrapped(f"{answer(document, units)}.")
    for line in below(document):
        lines += _wrapped(line)
    return [*lines, ""]


def _figure_table(
    figures: Mapping[str, Mapping[str, Any]], units: str, *, color: bool
) -> list[str]:
    measured = {name: figure for name, figure in figures.items() if figure.get("value") is not None}
    if not measured:
        return ["No figure could be measured."]
    head = f"{'Figure':<{NAME}}{'Value ± U (k = 2)':<{VALUE}}{'Limits':<{LIMIT}}Verdict"
    lines = [head, "-" * WIDTH]
    for name, figure in measured.items():
        verdict = str(figure.get("verdict") or "")
        shown = verdict if figure.get("limit") else NO_LIMIT
        cells = (
            f"{_cut(words(name.rpartition('.')[2]), NAME - 1):<{NAME}}",
            f"{_cut(figure_text(figure, units), VALUE - 1):<{VALUE}}",
            f"{_cut(limit_text(figure, units), LIMIT - 1):<{LIMIT}}",
        )
        lines.append(("".join(cells) + _painted(shown, shown, color=color)).rstrip())
    return lines


def _notes(figures: Mapping[str, Mapping[str, Any]], units: str, *verdicts: str) -> list[str]:
    """Notes of the figures with these verdicts, figures with one and the same note together."""
    by_note: dict[str, list[str]] = {}
    for name, figure in figures.items():
        missing = figure.get("value") is None
        # a measured figure without a limit has nothing to be undecided about
        judged = figure.get("verdict") if figure.get("limit") else "pass"
        verdict = "not measured" if missing else judged
        note = figure.get("note") or ("no reason given" if missing else None)
        if verdict in verdicts and note:
            by_note.setdefault(said_in(note, units), []).append(figure_name(name))
    return [
        line
        for note, names in by_note.items()
        for line in _wrapped(f"{', '.join(names)}: {note}", "- ")
    ]


def _quality(entries: Iterable[Mapping[str, Any]], units: str) -> list[str]:
    texts = [
        _finding_text(
            str(entry.get("fault", "")),
            entry.get("detail"),
            entry.get("channel"),
            span(entry.get("from_s"), entry.get("to_s")),
            units,
        )
        for entry in entries
    ]
    return _bulleted(texts)


def _findings(findings: Iterable[Finding], units: str) -> list[str]:
    return _bulleted(
        [
            _finding_text(
                each.fault, each.detail, each.channel, span(each.from_s, each.to_s), units
            )
            for each in findings
        ]
    )


def _finding_text(fault: str, detail: object, channel: object, when: str, units: str) -> str:
    where = ", ".join(part for part in (words(str(channel)) if channel else "", when) if part)
    what = said_in(detail, units) if detail else words(fault)
    return f"{where}: {what}" if where else what


def _bulleted(texts: list[str]) -> list[str]:
    lines = [line for text in texts[:MAX_FINDINGS] for line in _wrapped(text, "- ")]
    if len(texts) > MAX_FINDINGS:
        lines.append(f"  ... and {len(texts) - MAX_FINDINGS} more; --json lists them all")
    return lines


def _causes(causes: Iterable[Mapping[str, Any]], units: str) -> list[str]:
    lines: list[str] = []
    rest = 0.0
    for cause in causes:
        probability = float(cause.get("probability") or 0.0)
        if probability < WORTH_NAMING:
            rest += probability
            continue
        name = cause.get("title") or words(str(cause.get("cause", "")))
        lines += _wrapped(f"{_percent(probability)}  {clean(name)}")
        for reason in cause.get("evidence") or ():
            lines += _wrapped(said_in(reason, units), "      - ")
    if lines and rest >= 0.005:
        lines.append(f"{_percent(rest)}  all others together")
    return lines


def _percent(share: float) -> str:
    return f"{100.0 * share:3.0f} %"


def _next_check(check: Mapping[str, Any] | None, place: str) -> list[str]:
    if not check:
        return []
    minutes = check.get("minutes")
    title = clean(check.get("title") or words(str(check.get("check", ""))))
    lines = _wrapped(f"{title} ({minutes:g} min)" if minutes is not None else title)
    if check.get("why"):
        lines += _wrapped(f"Why this one: {clean(check['why'])}.")
    if check.get("how"):
        lines += _wrapped(clean(check["how"]))
    if check.get("caution"):
        lines += _wrapped(f"Caution: {clean(check['caution'])}")
    if check.get("check") not in (None, "measure_again"):
        lines.append(
            f"Note it with: lukewarm checked {place} {clean(check['check'])} --found yes|no"
        )
    return lines


def _channel_line(run: Run, point: str, units: str) -> str:
    sensor = run.sensors[point]
    column = run.readings[sensor.column]
    valid = column.len() - column.null_count()
    share = valid / column.len() if column.len() else 0.0
    shown = conversion(sensor.quantity.unit, units)
    if valid:
        low, high = (
            float(each) * shown.factor + shown.offset  # type: ignore[arg-type]
            for each in (column.min(), column.max())
        )
        # two digits of a tenth of what it went through say all of a channel's range
        apart = (high - low) / 10.0
        extent = f"{beside(low, apart)} to {beside(high, apart)} {shown.unit}"
    else:
        extent = "no valid reading"
    name = _cut(words(point), 17)
    source = _cut(clean(sensor.source), 25)
    return f"{name:<18}{source:<26}{100.0 * share:5.1f} %  {extent}"


def _rejected(run: Run) -> list[str]:
    if not run.rejected_count:
        return []
    lines = [f"{run.rejected_count} rows, cells or events could not be used"]
    for each in run.rejected[:MAX_REJECTED]:
        where = f"{clean(each.file)} line {each.line}" if each.line else clean(each.file)
        lines += _wrapped(f"{where}: {clean(each.reason)}", "- ")
    if run.rejected_count > MAX_REJECTED:
        lines.append(f"  ... and {run.rejected_count - MAX_REJECTED} more")
    return lines


def _section(title: str, lines: list[str]) -> list[str]:
    return ["", title, "-" * len(title), *lines] if lines else []


def _wrapped(text: str, lead: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead)) or [
        lead
    ]


def _cut(text: str, room: int) -> str:
    return text if len(text) <= room else text[: room - 3] + "..."


def _painted(word: str, verdict: str, *, color: bool) -> str:
    code = COLORS.get(verdict)
    return f"\x1b[{code}m{word}\x1b[0m" if color and code and word else word
