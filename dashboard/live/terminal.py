"""The guided recording on a terminal: what to do now in large plain words."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from dashboard.live.keys import Keyboard, key_lines
from dashboard.text.shown import clean, clock, conversion, figure_text, said_in, words

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from dashboard.live.guide import Guide

TICK_S: Final = 0.1
DRAW_EVERY_S: Final = 0.25
SHOWN_FIGURES: Final = 6
NARROWEST: Final = 40


def follow_guided(
    guide: Guide,
    keyboard: Keyboard,
    console: Console,
    is_over: Callable[[], bool],
    units: str = "si",
) -> None:
    """Guide a recording on the terminal until it is over.

    Parameters
    ----------
    guide
        The guide.
    keyboard
        Where keys come from; not yet entered.
    console
        The terminal.
    is_over
        Whether the recording has ended or is to end.
    units
        ``si`` or ``us``.
    """
    from rich.live import Live

    drawn = -1e9
    with keyboard, Live(console=console, screen=True, auto_refresh=False) as live:
        while not is_over() and not guide.quit:
            state = guide.tick(keyboard.typed())
            if state and time.monotonic() - drawn >= DRAW_EVERY_S:
                drawn = time.monotonic()
                live.update(screen(state, units, console.width), refresh=True)
            time.sleep(TICK_S)


def follow_quietly(guide: Guide, is_over: Callable[[], bool]) -> None:
    """Let a guide work without a terminal: for its page and its files."""
    while not is_over() and not guide.quit:
        guide.tick()
        time.sleep(TICK_S)


def screen(state: Mapping[str, Any], units: str, width: int) -> RenderableType:
    """The screen for a state.

    Parameters
    ----------
    state
        As `dashboard.live.guide.Guide.tick` gives it.
    units
        ``si`` or ``us``.
    width
        Columns of the terminal.
    """
    from rich.console import Group
    from rich.text import Text

    width = max(width, NARROWEST)
    parts: list[RenderableType] = []
    for line, style in screen_lines(state, units, width):
        parts.append(Text(line, style=style, overflow="fold"))
    return Group(*parts)


def screen_lines(state: Mapping[str, Any], units: str, width: int) -> list[tuple[str, str]]:
    """Lines of the screen with their styles, top first."""
    alarms = [(f"  ! {text}", "bold red") for text in alarm_texts(state, units)]
    lines = [
        (f"{clean(state['vehicle'])}   {clock(state['host_s'])}   {state['lines']} lines", "dim")
    ]
    lines += [*_step_lines(state.get("step"), width), *alarms, ("", "")]
    lines += [(line, "") for line in _reading_lines(state, units, width)]
    lines += [("", ""), *((line, "") for line in _figure_lines(state, units))]
    lines += [("", "")]
    lines += [(f"{clock(each['at_s'])}  {clean(each['text'])}", "dim") for each in state["said"]]
    return [*lines, ("", ""), *((line, "dim") for line in key_lines(width))]


def alarm_texts(state: Mapping[str, Any], units: str) -> list[str]:
    """What is wrong now and must be said at once."""
    found = []
    if state.get("failure"):
        found.append(f"Recording has stopped: {clean(state['failure'])}")
    found += [
        f"port {clean(port['name'])}: {clean(port['reason'] or 'waiting for it')}"
        for port in state["ports"]
        if port["state"] != "open"
    ]
    found += [f"{words(point)}: nothing received yet" for point in state["silent"]]
    found += [
        f"{words(each['point'])}: no reading (the logger says {clean(each['text'])!r})"
        if each["value"] is None
        else f"{words(each['point'])}: no reading for {each['age_s']:.0f} s"
        for each in state["readings"]
        if not each["fresh"]
    ]
    return [*found, *(said_in(each["detail"], units) for each in state["warnings"])]


def remaining_text(step: Mapping[str, Any], confirm: str = "press Enter") -> str:
    """How long a step still takes; `confirm` is how the operator says that it is done."""
    if step["finished"] or step["number"] == 0:
        return ""
    if step["waits"]:
        return f"When it is done: {confirm}"
    if step["remaining_s"] is None:
        return "until it is steady"
    left = clock(step["remaining_s"])
    return f"at least {left} more" if step["missing"] else f"{left} more"


def step_number(step: Mapping[str, Any]) -> str:
    """Which step of how many; empty before the first and after the last."""
    if step["finished"] or step["number"] == 0:
        return ""
    return f"Step {step['number']} of {step['count']}: "


def _step_lines(step: Mapping[str, Any] | None, width: int) -> list[tuple[str, str]]:
    if step is None:
        return []
    rule = "=" * width
    where = step_number(step)
    lines = [
        (rule, "bold"),
        (f"{where}{step['name']}", "bold"),
        ("", ""),
        (f"  {step['do'].upper() if step['finished'] else step['do']}", "bold reverse"),
        ("", ""),
    ]
    if remaining_text(step):
        lines.append((f"  {remaining_text(step)}", "bold green"))
    lines += [(f"  still missing: {text}", "yellow") for text in step["missing"]]
    if step["caution"]:
        lines.append((f"  caution: {step['caution']}", "bold yellow"))
    lines += [(f"  {text}", "yellow") for text in step["warnings"]]
    if step["following"]:
        lines.append((f"  next: {step['following']}", "dim"))
    return [*lines, (rule, "bold")]


def _reading_lines(state: Mapping[str, Any], units: str, width: int) -> list[str]:
    cells = [
        f"{words(each['point']):<16}{reading_text(each, units):>11}" for each in state["readings"]
    ]
    across = max(1, width // 30)
    return ["   ".join(cells[at : at + across]) for at in range(0, len(cells), across)]


def reading_text(reading: Mapping[str, Any], units: str) -> str:
    """A reading with its unit, to a tenth; a dash where there is none now."""
    if reading["value"] is None or not reading["fresh"]:
        return "–"
    shown = conversion(reading["unit"], units)
    value = float(reading["value"]) * shown.factor + shown.offset
    digits = 0 if abs(value) >= 1000 else 1
    return f"{round(value, digits) + 0.0:.{digits}f} {shown.unit}".strip()


def prediction_text(prediction: Mapping[str, Any] | None, units: str) -> str:
    """What the outlet's rise will come to, or why nobody can tell yet."""
    if not prediction:
        return ""
    if prediction.get("value") is None:
        return said_in(prediction.get("note") or "", units)
    shown = conversion(prediction["unit"], units)
    low, high = (f"{prediction[end] * shown.factor:.0f}" for end in ("low", "high"))
    return f"{low} to {high} {shown.unit}"


def known_figures(state: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    """Figures that could be measured so far."""
    return [(name, each) for name, each in state["figures"].items() if each["value"] is not None]


def _figure_lines(state: Mapping[str, Any], units: str) -> list[str]:
    lines = []
    ahead = prediction_text(state.get("prediction"), units)
    if ahead:
        lines.append(f"{'outlet rise to come':<24}{ahead}")
    for name, figure in known_figures(state)[:SHOWN_FIGURES]:
        lines.append(f"{words(name):<24}{figure_text(figure, units)}")
    return lines or [clean(state.get("figures_reason") or "")]
