"""Requests to a car's control units, and what their answers hold: one CAN frame each.

Legislated diagnostics on CAN with 11-bit identifiers (ISO 15765-4): a request to all control units
is sent under 7DF and they answer under 7E8 to 7EF; service 01 of SAE J1979 reads what is so now.
`request` makes the only frames that are ever sent, and it knows none that writes, resets, clears or
controls anything. A message in several frames (ISO 15765-2) would have to be asked on with a frame
of flow control: that is not done, and what the first frame holds whole is used.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from ingest.values import dataclass

REQUEST_ID: Final = 0x7DF
"""Functional request, all control units (ISO 15765-4)."""
ANSWER_IDS: Final = range(0x7E8, 0x7F0)
"""Answers of the at most eight control units (ISO 15765-4)."""
LONG_ANSWER_IDS: Final = range(0x18DAF100, 0x18DAF200)
"""The same with identifiers of 29 bits, which are read in logs and never asked (ISO 15765-4)."""
BITMAPS: Final = (0x00, 0x20, 0x40)
"""What a control unit supports of the 32 identifiers that follow (SAE J1979)."""
WIDTHS: Final = {**dict.fromkeys(BITMAPS, 4), 0x05: 1, 0x0F: 1, 0x46: 1, 0x0C: 2, 0x0D: 1, 0x42: 2}
"""All that may be asked, and how many bytes of data each answer holds (SAE J1979)."""

NOT_SUPPORTED: Final = frozenset({0x11, 0x12, 0x31})
"""Refusals for good: service or value not supported, out of range (ISO 14229-1)."""
PENDING: Final = 0x78
"""The answer takes longer (ISO 14229-1)."""

_SERVICE: Final = 0x01
_ANSWER: Final = 0x41
_REFUSAL: Final = 0x7F
_LENGTH: Final = 8
_PADDING: Final = 0x00
_SINGLE, _FIRST = 0, 1


@dataclass(frozen=True, slots=True)
class Answer:
    """What a control unit says: the identifier of the value and its bytes."""

    value: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a control unit does not answer a reading request: ISO 14229-1's response code."""

    code: int


def request(value: int) -> bytes:
    """The frame that asks all control units for one value of now.

    Parameters
    ----------
    value
        Identifier of SAE J1979, one of `WIDTHS`.

    Raises
    ------
    ValueError
        Where it is none that may be asked.
    """
    if value not in WIDTHS:
        msg = f"{value:02X} is never asked for"
        raise ValueError(msg)
    return bytes((2, _SERVICE, value)).ljust(_LENGTH, bytes((_PADDING,)))


def read_frame(frame: bytes) -> Answer | Refusal | None:
    """What a frame holds; None where it is no answer to any request of ours."""
    said = _message(frame)
    if len(said) >= 3 and said[0] == _REFUSAL and said[1] == _SERVICE:
        return Refusal(said[2])
    if len(said) < 2 or said[0] != _ANSWER or said[1] not in WIDTHS:
        return None
    data = said[2 : 2 + WIDTHS[said[1]]]
    return Answer(said[1], data) if len(data) == WIDTHS[said[1]] else None


def read_answers(frame: bytes) -> tuple[Answer, ...]:
    """Every answer in a frame: somebody else may have asked for several values in one request.

    What follows an identifier that is not in `WIDTHS` cannot be told apart and is left.
    """
    said = _message(frame)
    if not said or said[0] != _ANSWER:
        return ()
    found, at = [], 1
    while at < len(said) and said[at] in WIDTHS:
        end = at + 1 + WIDTHS[said[at]]
        if end > len(said):
            break
        found.append(Answer(said[at], said[at + 1 : end]))
        at = end
    return tuple(found)


def _message(frame: bytes) -> bytes:
    """The message's bytes in a single or first frame; empty for any other, or one cut short."""
    if not frame:
        return b""
    kind, low = frame[0] >> 4, frame[0] & 0x0F
    if kind == _SINGLE and 0 < low < min(len(frame), _LENGTH):
        return frame[1 : 1 + low]
    if kind == _FIRST and len(frame) == _LENGTH and (low << 8) + frame[1] >= _LENGTH:
        return frame[2:]
    return b""


def supported(answers: Iterable[Answer]) -> set[int]:
    """The identifiers that a control unit's bitmaps name; its most significant bit comes first."""
    found = set()
    for answer in answers:
        if answer.value in BITMAPS:
            bits = int.from_bytes(answer.data, "big")
            found |= {answer.value + 1 + at for at in range(32) if bits >> (31 - at) & 1}
    return found
