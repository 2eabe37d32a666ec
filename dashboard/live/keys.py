"""One key, one meaning: the keyboard while a recording is guided."""

from __future__ import annotations

import sys
from typing import Final, Protocol, Self

from ingest.record.test_progress import AGAIN, BACK, COUNT, GO, NEXT, REDO
from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class Key:
    """What a key does.

    Parameters
    ----------
    shown
        How the screen names the key.
    said
        What it does, a few words.
    control, position
        The event it notes; ``control`` is empty for keys of the plan and of the program.
    command
        A key of the plan (`ingest.record.test_progress.KEYS`) or of the program; else empty.
    """

    shown: str
    said: str
    control: str = ""
    position: str = ""
    command: str = ""


QUIT: Final = "quit"
UNDO: Final = "undo"
DISMISS: Final = "dismiss"
WRITE: Final = "write"
SHOW_ADDRESS: Final = "address"
LESS: Final = "-10"
MORE: Final = "+10"

KEYS: Final[dict[str, Key]] = {
    "\r": Key("Enter", "done: I do it now", command=GO),
    "\n": Key("Enter", "done: I do it now", command=GO),
    "t": Key("t", "3-2-1-now", command=COUNT),
    ">": Key(">", "leave step out", command=NEXT),
    "<": Key("<", "step anew", command=AGAIN),
    "b": Key("b", "one step back", command=BACK),
    "l": Key("l", "do left-out steps", command=REDO),
    "u": Key("u", "take last note back", command=UNDO),
    "x": Key("x", "go on without bad sensors", command=DISMISS),
    "n": Key("n", "write a note", command=WRITE),
    "w": Key("w", "page's code", command=SHOW_ADDRESS),
    "h": Key("h", "hot", "temp_lever", "100"),
    "c": Key("c", "cold", "temp_lever", "0"),
    "+": Key("+", "lever +10", "temp_lever", MORE),
    "-": Key("-", "lever -10", "temp_lever", LESS),
    "0": Key("0", "blower off", "blower", "0"),
    "1": Key("1-4", "blower", "blower", "1"),
    "2": Key("1-4", "blower", "blower", "2"),
    "3": Key("1-4", "blower", "blower", "3"),
    "4": Key("1-4", "blower", "blower", "4"),
    "f": Key("f", "floor", "mode", "floor"),
    "d": Key("d", "defrost", "mode", "defrost"),
    "v": Key("v", "vent", "mode", "vent"),
    "m": Key("m", "mixed", "mode", "mixed"),
    "r": Key("r", "recirculate", "mode", "recirculate"),
    "s": Key("s", "engine starts", "engine", "start"),
    "e": Key("e", "engine stops", "engine", "stop"),
    "i": Key("i", "vacuum shut", "vacuum_isolated", "1"),
    "o": Key("o", "vacuum open", "vacuum_isolated", "0"),
    "q": Key("q q", "end", command=QUIT),
}
"""By the character typed; `LESS` and `MORE` count from where the lever was last."""

MAX_NOTE: Final = 200


class NoteLine:
    """A note being typed, a mark at a time."""

    def __init__(self) -> None:
        self._marks: list[str] = []

    def takes(self, mark: str) -> bool:
        """Take a mark; whether it ended the line."""
        if mark in "\r\n":
            return True
        if mark in "\x7f\b":
            del self._marks[-1:]
        elif mark.isprintable() and len(self._marks) < MAX_NOTE:
            self._marks.append(mark)
        return False

    def text(self) -> str:
        """What was typed; empty for nothing."""
        return " ".join("".join(self._marks).split())

    def shown(self) -> str:
        """The line as it stands."""
        return "".join(self._marks)


def lever_moved(last: str | None, way: str) -> str | None:
    """Position ten per cent further, None where nobody knows from where.

    Parameters
    ----------
    last
        Position noted last, %, as it was noted; None for none.
    way
        `LESS` or `MORE`.
    """
    if last is None:
        return None
    return f"{min(100.0, max(0.0, float(last) + float(way))):g}"


def key_lines(width: int, *, few: bool = False) -> list[str]:
    """The keyboard map, wrapped to a width; `few` for the keys that lead through the plan."""
    lines, line = [], ""
    for key in {each.shown: each for each in KEYS.values()}.values():
        if few and not key.command:
            continue
        text = f"{key.shown} {key.said}"
        if line and len(line) + len(text) + 3 > width:
            lines.append(line)
            line = ""
        line = f"{line}   {text}" if line else text
    return [*lines, line]


class Keyboard(Protocol):
    """A source of characters."""

    def __enter__(self) -> Self: ...

    def __exit__(self, *_: object) -> None: ...

    def typed(self) -> str:
        """Characters typed since this was last asked; never waits."""


class NoKeyboard:
    """Where nobody types."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def typed(self) -> str:
        """Nothing."""
        return ""


if sys.platform == "win32":
    import msvcrt

    class TerminalKeyboard:
        """The console's keyboard."""

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None:
            return None

        def typed(self) -> str:
            """Characters typed since this was last asked."""
            found = ""
            while msvcrt.kbhit():
                mark = msvcrt.getwch()
                if mark in ("\x00", "\xe0"):  # arrows and the like come as two
                    msvcrt.getwch()
                elif mark == "\x03":
                    raise KeyboardInterrupt
                else:
                    found += mark
            return found

else:
    import os
    import select
    import termios
    import tty

    class TerminalKeyboard:
        """The terminal's keyboard, without echo and without waiting for Enter."""

        def __init__(self) -> None:
            self._file = sys.stdin.fileno()

        def __enter__(self) -> Self:
            self._before = termios.tcgetattr(self._file)
            tty.setcbreak(self._file)
            return self

        def __exit__(self, *_: object) -> None:
            termios.tcsetattr(self._file, termios.TCSADRAIN, self._before)

        def typed(self) -> str:
            """Characters typed since this was last asked."""
            found = b""
            while select.select([self._file], [], [], 0.0)[0]:
                more = os.read(self._file, 64)
                if not more:
                    break
                found += more
            text = found.decode("utf-8", "ignore")
            # arrows and the like come as a sequence
            return "" if text.startswith("\x1b") else text


def open_keyboard() -> Keyboard:
    """The keyboard, where somebody sits at it."""
    return TerminalKeyboard() if sys.stdin is not None and sys.stdin.isatty() else NoKeyboard()
