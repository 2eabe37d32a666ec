"""TOML that a user wrote: a mistake in it is one fault, and no text is dear to refuse.

The parsers' work and memory grow with the square of the number of parts of a dotted key, and with
the depth of what is nested; Python's conversion of long digit strings is bounded by an error of its
own. So depth and length are bounded before anything is parsed, by one pass over the tokens. The
pass and the parser agree on every text up to the first mistake in it, where the parser ends.
"""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any, Final

from ingest.errors import Fault, UnusableRun

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

MAX_TEXT: Final = 2**20
"""Characters; a set-up of two hundred channels has about 30,000."""

MAX_PARTS: Final = 8
"""Of a dotted key; the deepest key there is, ``channels.NAME.scale.from``, has four."""

MAX_DEPTH: Final = 8
"""Of brackets in brackets."""

MAX_WORD: Final = 200
"""Characters of a number or a key without quotes."""

MAX_TOKENS: Final = 200_000
"""Keys, values and marks between them; a set-up of two hundred channels has about 6,000."""

MAX_KEPT_TOKENS: Final = 40_000
"""Where comments are kept: that parser takes a hundred times as long."""

_LINE: Final = re.compile(r"line (\d+)")
_CURLY: Final = re.compile("[\u201c\u201d\u201e\u201f\u2018\u2019\u201a\u00ab\u00bb]")
_TOKEN: Final = re.compile(
    r"(?P<long_string>"
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*+"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*+'{3,5})"
    r'|(?P<string>"(?:[^"\\\n]|\\[^\n])*+"'
    r"|'[^'\n]*+')"
    r"|(?P<unclosed>[\"'])"
    r"|(?P<comment>#[^\n]*+)"
    r"|(?P<word>[^\s.,=#\"'\[\]{}]++)"
    r"|(?P<dot>\.)"
    r"|(?P<open>[\[{])"
    r"|(?P<close>[\]}])"
    r"|(?P<end>[\n,=])",
    re.DOTALL,
)
"""What a text consists of; blanks are none of it."""


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """Parse the text of a TOML file.

    Raises
    ------
    UnusableRun
        With one fault where it is not TOML, or deeper or longer than any such file needs to be.
    """
    check_bounds(text, file)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise _no_toml(file, text, error) from error


def parse_document(text: str, file: str) -> TOMLDocument:
    """Parse the text of a TOML file to be written again with its comments.

    Raises
    ------
    UnusableRun
        As `parse_toml` does.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    check_bounds(text, file, MAX_KEPT_TOKENS)
    try:
        return tomlkit.parse(text)
    except (TOMLKitError, ValueError, RecursionError) as error:
        raise _no_toml(file, text, error) from error


def check_bounds(text: str, file: str, most_tokens: int = MAX_TOKENS) -> None:
    """Refuse a text that a parser could choke on, in one pass over it.

    Raises
    ------
    UnusableRun
        With one fault that names the line.
    """
    if len(text) > MAX_TEXT:
        raise _too_much(file, f"{len(text)} characters", MAX_TEXT)
    parts, depth = 1, 0
    for count, token in enumerate(_TOKEN.finditer(text), start=1):
        kind = token.lastgroup
        found, most = "", 0
        if kind == "dot":
            parts += 1
            if parts > MAX_PARTS:
                found, most = f"a key of more than {MAX_PARTS} parts", MAX_PARTS
        elif kind == "open":
            depth, parts = depth + 1, 1
            if depth > MAX_DEPTH:
                found, most = f"brackets more than {MAX_DEPTH} deep", MAX_DEPTH
        elif kind == "close":
            depth, parts = max(0, depth - 1), 1
        elif kind == "end":
            parts = 1
        elif kind == "word" and len(token[0]) > MAX_WORD:
            found, most = f"a number or key of {len(token[0])} characters", MAX_WORD
        elif kind == "unclosed":
            return  # the parser ends here too, and says so better
        if count > most_tokens:
            found, most = f"more than {most_tokens} keys, values and marks", most_tokens
        if found:
            line = text.count("\n", 0, token.start()) + 1
            raise _too_much(f"{file} line {line}", found, most)


def _too_much(where: str, found: str, most: int) -> UnusableRun:
    return UnusableRun(
        Fault(where, found, f"{most} or fewer", "check which file this is, or correct it")
    )


def _no_toml(file: str, text: str, error: Exception) -> UnusableRun:
    return UnusableRun(
        Fault(file, f"text that is not TOML ({error})", "a TOML file", _hint(text, str(error)))
    )


def _hint(text: str, said: str) -> str:
    """What to do about a line that is no TOML: what a word processor or a pasted path makes."""
    place = _LINE.search(said)
    lines = text.split("\n")
    line = lines[int(place[1]) - 1] if place and int(place[1]) <= len(lines) else ""
    if _CURLY.search(line):
        return 'write straight quotation marks (") in that line instead of typographic ones'
    if "\\" in line:
        return "write that path in single quotation marks, or with / for each \\"
    return "correct that line"
