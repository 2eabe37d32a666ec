"""What control units say, against SAE J1979 and ISO 15765: ranges, worked examples, odd frames."""

from __future__ import annotations

import pytest

from ingest.bus.frames import Answer, Refusal, read_frame, request, supported
from ingest.bus.values import VALUES, read_cell


@pytest.mark.parametrize(
    ("name", "frame", "expected"),
    [
        # SAE J1979, appendix B: least and greatest value of each identifier
        ("engine_coolant", "03410500", "-40"),
        ("engine_coolant", "034105FF", "215"),
        ("intake_air", "03410F00", "-40"),
        ("intake_air", "03410FFF", "215"),
        ("ambient", "03414600", "-40"),
        ("ambient", "034146FF", "215"),
        ("engine_speed", "04410C0000", "0"),
        ("engine_speed", "04410CFFFF", "16383.75"),
        ("road_speed", "03410D00", "0"),
        ("road_speed", "03410DFF", "255"),
        ("module_voltage", "0441420000", "0"),
        ("module_voltage", "044142FFFF", "65.535"),
        # worked by hand with the standard's formulas: (256 * 26 + 248) / 4; 123 - 40
        ("engine_speed", "04410C1AF8AAAAAA", "1726"),
        ("engine_coolant", "0341057BAAAAAAAA", "83"),
    ],
)
def test_values_follow_the_standard(name: str, frame: str, expected: str) -> None:
    assert read_cell(name, bytes.fromhex(frame)) == expected  # type: ignore[arg-type]


def test_the_most_significant_bit_is_the_first_identifier() -> None:
    """Worked by hand from SAE J1979's layout (data A bit 7 is PID 01, data D bit 0 PID 20)."""
    assert supported([Answer(0x00, bytes.fromhex("BE1FA813"))]) == {
        0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C,
        0x1F, 0x20,
    }  # fmt: skip
    assert supported([Answer(0x40, bytes.fromhex("44000000"))]) == {0x42, 0x46}


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        ("", "empty"),
        ("03", "a length without its bytes"),
        ("034105", "cut short"),
        ("02410500", "too short for the value"),
        ("00410500AAAAAAAA", "a length of nothing"),
        ("0841057B0000000000", "a length no single frame has"),
        ("2141057B00000000", "the next part of a longer message"),
        ("300000AAAAAAAAAA", "flow control"),
        ("037F22", "cut short"),
        ("037F0312AAAAAAAA", "a refusal of another service"),
        ("0343017BAAAAAAAA", "another service's answer"),
        ("034201057BAAAAAA", "a stored value, not one of now (service 02)"),
        ("03411FFFAAAAAAAA", "a value that is not asked for"),
        ("100341057B000000", "a first frame of what fits into one"),
    ],
)
def test_what_is_no_answer_is_none(frame: str, why: str) -> None:
    assert read_frame(bytes.fromhex(frame)) is None, why


def test_a_longer_message_is_read_as_far_as_its_first_frame_goes() -> None:
    """ISO 15765-2: 1 and the length in 12 bits, then six bytes of the message."""
    assert read_frame(bytes.fromhex("100A41057B0F5246")) == Answer(0x05, b"\x7b")


def test_a_refusal_names_its_code() -> None:
    """ISO 14229-1: 7F, the service, the response code."""
    assert read_frame(bytes.fromhex("037F0112AAAAAAAA")) == Refusal(0x12)


def test_no_frame_can_be_made_but_reading_requests() -> None:
    """Every identifier there is: what comes out asks service 01 for it, or nothing comes out."""
    made = {}
    for value in range(256):
        try:
            made[value] = request(value)
        except ValueError:
            continue
    assert set(made) == {0x00, 0x20, 0x40} | {each.identifier for each in VALUES.values()}
    assert all(made[value] == bytes((2, 1, value, 0, 0, 0, 0, 0)) for value in made)
    with pytest.raises(ValueError, match="never asked"):
        request(0x104)  # the clearing of fault memory is service 04
