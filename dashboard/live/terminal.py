"""The guided recording on a terminal: what to do now in large plain words.

A terminal may have sixty columns and twenty lines: what does not fit goes in the order of its
importance, the step, the alarms and the page's address last.
"""

from __future__ import annotations

import textwrap
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from dashboard.live.alarms import shown_alarms
from dashboard.live.keys import Keyboard, key_lines
from dashboard.text.shown import clean, clock, conversion, figure_text, said_in, words

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from dashboard.live.guide import Guide

TICK_S: Final = 0.1
DRAW_EVERY_S: Final = 0.25
SHOWN_FIGURES: Final = 6
NARROWEST: Final = 40
LOWEST: Final = 12
USUAL_HEIGHT: Final = 60

Line = tuple[str, str]
"""Text and style."""


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

    drawn, rung = -1e9, 0
    with keyboard, Live(console=console, screen=True, auto_refresh=False) as live:
        while not is_over() and not guide.quit:
            state = guide.tick(keyboard.typed())
            if state and state["cue"]["number"] != rung:
                rung = state["cue"]["number"]
                console.bell()
            if state and time.monotonic() - drawn >= DRAW_EVERY_S:
                drawn = time.monotonic()
                shown = (
                    address_screen(state["address"], state["fingerprint"])
                    if guide.shows_address
                    else screen(state, units, console.width, console.height)
                )
                live.update(shown, refresh=True)
            time.sleep(TICK_S)


def follow_quietly(guide: Guide, is_over: Callable[[], bool]) -> None:
    """Let a guide work without a terminal: for its page and its files."""
    while not is_over() and not guide.quit:
        guide.tick()
        time.sleep(TICK_S)


def screen(
    state: Mapping[str, Any], units: str, width: int, height: int = USUAL_HEIGHT
) -> RenderableType:
    """The screen for a state.

    Parameters
    ----------
    state
        As `dashboard.live.guide.Guide.tick` gives it.
    units
        ``si`` or ``us``.
    width, height
        Columns and lines of the terminal.
    """
    from rich.console import Group
    from rich.text import Text

    lines = screen_lines(state, units, max(width, NARROWEST), max(height, LOWEST))
    return Group(*(Text(line, style=style, overflow="fold") for line, style in lines))


def address_screen(address: str, fingerprint: str) -> RenderableType:
    """The page's address as a code for a phone's camera, and its certificate's fingerprint."""
    from rich.console import Group
    from rich.text import Text

    if not address:
        return Text("No page is served: begin the recording with --page. w goes back.")
    return Group(
        Text(f"{address}   w goes back", style="bold"),
        Text(address_code(address), no_wrap=True),
        Text(fingerprint, style="dim", overflow="fold"),
    )


def address_code(address: str) -> str:
    """A QR code (ISO/IEC 18004) of an address in half blocks, dark on light as cameras want it."""
    import segno

    rows = [[bool(dark) for dark in row] for row in segno.make(address, micro=False).matrix]
    quiet = 2
    blank = [False] * (len(rows[0]) + 2 * quiet)
    rows = [blank] * quiet + [
        [False] * quiet + row + [False] * quiet for row in rows
    ] + [blank] * (quiet + (len(rows) % 2))  # fmt: skip
    marks = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
    return "\n".join(
        "".join(marks[pair] for pair in zip(upper, lower, strict=True))
        for upper, lower in zip(rows[0::2], rows[1::2], strict=True)
    )


def screen_lines(
    state: Mapping[str, Any], units: str, width: int, height: int = USUAL_HEIGHT
) -> list[Line]:
    """Lines of the screen with their styles, top first, no more than fit."""
    head = f"{clean(state['vehicle'])}   {clock(state['host_s'])}   {state['lines']} lines"
    address = state.get("address")
    alarms = [(f"! {text}", "bold red") for text in shown_alarms(state, units)]
    blocks: list[tuple[int, list[Line]]] = [
        (2, _wrapped([(head, "dim")], width)),
        (0, [(f"page: {address}", "bold")] if address else []),
        *_step_blocks(state.get("step"), width),
        (0, _wrapped(alarms, width, most=2)),
        (3, [(line, "") for line in _reading_lines(state, units, width)]),
        (2, _wrapped([(stands_text(state), "bold")], width)),
        (0, _wrapped([(f"note: {state['writing']}_", "reverse")], width)
         if state.get("writing") is not None else []),
        (5, _wrapped([(line, "") for line in _figure_lines(state, units)], width, most=2)),
        (4, _wrapped([(f"{clock(each['at_s'])}  {clean(each['text'])}", "dim")
                      for each in state["said"]], width)),
    ]  # fmt: skip
    keys: list[Line] = [(line, "dim") for line in key_lines(width)]
    few: list[Line] = [(line, "dim") for line in key_lines(width, few=True)[:3]]
    room = height - 1
    if sum(len(lines) for _, lines in blocks) + len(keys) > room:
        keys = few
    return [*_fitted(blocks, room - len(keys)), *keys]


def _fitted(blocks: list[tuple[int, list[Line]]], room: int) -> list[Line]:
    """Lines of all blocks; the least important lose theirs first, from their ends."""
    kept = [list(lines) for _, lines in blocks]
    for least in sorted({rank for rank, _ in blocks}, reverse=True):
        for (rank, _), lines in zip(reversed(blocks), reversed(kept), strict=True):
            while rank == least and lines and sum(map(len, kept)) > room:
                lines.pop()
    return [line for lines in kept for line in lines]


def _wrapped(lines: list[Line], width: int, most: int = 4) -> list[Line]:
    """Lines broken at a width, each into `most` at the most."""
    found: list[Line] = []
    for text, style in lines:
        parts = textwrap.wrap(text, width, subsequent_indent="  ") or [""]
        if len(parts) > most:
            parts = [*parts[: most - 1], parts[most - 1][: width - 2] + " …"]
        found += [(part, style) for part in parts]
    return found


def stands_text(state: Mapping[str, Any]) -> str:
    """Where every control stands, as it was noted."""
    stands = state.get("stands") or {}
    if not stands:
        return "no control noted yet"
    said = []
    for control, position in stands.items():
        if control == "engine":
            said.append("engine on" if position == "start" else "engine off")
        elif control == "vacuum_isolated":
            said.append("vacuum shut off" if position == "1" else "vacuum open")
        else:
            unit = " %" if control in ("temp_lever", "air_door", "defrost") else ""
            short = {"temp_lever": "lever", "mode": "air to"}.get(control, words(control))
            said.append(f"{short} {clean(position)}{unit}")
    return "now: " + ", ".join(said)


def remaining_text(step: Mapping[str, Any], confirm: str = "Enter (t: 3-2-1-now)") -> str:
    """How long a step still takes; `confirm` is how the operator says that it is done."""
    if step["finished"] or step["number"] == 0:
        return ""
    if step["paused"]:
        return ""
    if step["waits"]:
        return f"At the moment you do it: {confirm}"
    if step["remaining_s"] is None:
        return "until it is steady"
    left = clock(step["remaining_s"])
    return f"at least {left} more" if step["missing"] else f"{left} more"


def step_number(step: Mapping[str, Any]) -> str:
    """Which step of how many; empty before the first and after the last."""
    if step["finished"] or step["number"] == 0:
        return ""
    return f"Step {step['number']} of {step['count']}: "


def _step_blocks(step: Mapping[str, Any] | None, width: int) -> list[tuple[int, list[Line]]]:
    if step is None:
        return []
    do = step["do"].upper() if step["finished"] else step["do"]
    what: list[Line] = [(f"{step_number(step)}{step['name']}", "bold"), (do, "bold reverse")]
    if step["paused"]:
        what += [(f"PAUSED: {text}", "bold yellow") for text in step["paused"]]
    if step["counting"] is not None:
        what.append((f"{step['counting']} …", "bold green"))
    elif remaining_text(step):
        what.append((remaining_text(step), "bold green"))
    cautions: list[Line] = [(f"caution: {step['caution']}", "bold yellow")]
    after: list[Line] = [(f"still missing: {text}", "yellow") for text in step["missing"]]
    if step["missed"]:
        after.append((f"left out: {', '.join(step['missed'])}", "yellow"))
    after += [(text, "yellow") for text in step["warnings"][-1:]]
    if step["following"]:
        after.append((f"next: {step['following']}", "dim"))
    return [
        (4, [("=" * width, "bold")]),
        (0, _wrapped(what, width)),
        (1, _wrapped(cautions, width) if step["caution"] else []),
        (2, _wrapped(after, width, most=2)),
        (4, [("=" * width, "bold")]),
    ]


def _reading_lines(state: Mapping[str, Any], units: str, width: int) -> list[str]:
    cells = [
        f"{words(each['point']):<16}{reading_text(each, units):>11}" for each in state["readings"]
    ]
    across = max(1, (width + 2) // 29)
    return ["  ".join(cells[at : at + across]) for at in range(0, len(cells), across)]


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
