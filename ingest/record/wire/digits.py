"""Numbers as a logger writes them, digit by digit."""

from __future__ import annotations

from collections.abc import Iterator


def place_of(column: str | int, names: tuple[str, ...]) -> int | None:
    """Where a column stands in a line, from 0; None where no name is its."""
    if isinstance(column, int):
        return column - 1
    wanted = column.strip()
    return names.index(wanted) if wanted in names else None


def number_of(cell: str) -> float | None:
    """The number in a cell, quoted or with a decimal comma; None where it is none."""
    cell = cell.strip().strip('"')
    try:
        return float(cell.replace(",", ".") if "," in cell else cell)
    except ValueError:
        return None


def decimals(cell: str) -> int:
    """Digits behind the decimal mark."""
    _, _, after = cell.strip().strip('"').replace(",", ".").partition(".")
    return len(after)


def others_by_one_digit(text: str) -> Iterator[str]:
    """Every text that differs from this one in a single digit."""
    for at, mark in enumerate(text):
        if mark.isdigit():
            for digit in "0123456789":
                if digit != mark:
                    yield f"{text[:at]}{digit}{text[at + 1 :]}"


def one_digit_off(cell: str, near: float, within: float) -> bool:
    """Whether a number is another one near a given one but for a single digit."""
    numbers = map(number_of, others_by_one_digit(cell))
    return any(number is not None and abs(number - near) <= within for number in numbers)


def digits_from(cell: str, least: float) -> int:
    """Digits of a number whose place is worth `least` or more."""
    count = sum(map(str.isdigit, cell))
    lowest = -decimals(cell)
    return sum(1 for place in range(count) if 10.0 ** (lowest + place) >= least)


def written_like(cell: str, value: float) -> str:
    """A number written as another one is: decimals and decimal mark."""
    text = f"{value:.{decimals(cell)}f}"
    return text.replace(".", ",") if "," in cell else text
