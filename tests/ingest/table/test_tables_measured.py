"""Measured logs of others (tests/data/measured/NOTE.md) read as their note says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ingest.setup.model import LogTable
from ingest.table.text.read import read_text_table

FOLDER = Path(__file__).parents[2] / "data" / "measured"


def read(name: str, **log: object):
    path = FOLDER / name
    return read_text_table(path, LogTable.model_validate({"file": path.name, **log}))


@pytest.mark.parametrize("chamber", ["a", "b", "c"])
def test_milliseconds_written_with_two_points(chamber: str):
    """`25.130.000` is 25.13 s: the column is in ms, its last point is the decimal mark."""
    table = read(f"pressure-hold/chamber-{chamber}.csv")
    assert table.names == ("1", "2", "3")
    assert table.dialect.marks.proven
    numbers = table.numbers(0)
    assert not numbers.bad_count
    assert not numbers.words
    time = numbers.values.to_numpy()
    steps = np.diff(time)
    # 0.1 s; a few are longer in the file itself
    assert np.median(steps) == pytest.approx(100.0, abs=1.0)
    assert (steps > 0).all()
    assert time[0] == 0.0
    # every text is its number with the marks of thousands taken out
    whole = [text.replace(".", "")[:-3] for text in table.text(0)]
    np.testing.assert_array_equal(time, [float(text) for text in whole])
    assert table.rejected_count == 0


def test_tight_chamber_pressures():
    """a: 7.315 to 7.284 bar in about 145 s (from its note)."""
    table = read("pressure-hold/chamber-a.csv")
    pressure = table.numbers(2).values
    assert pressure[0] == 7.315
    assert pressure[-1] == 7.284
    assert table.numbers(0).values[-1] == 151303.0


def test_semicolons_with_decimal_commas():
    table = read("pressure-hold/with-header.csv")
    assert table.names[:2] == ("Tijd (s)", "Test 1")
    assert table.units[:2] == ("s", None)
    assert table.dialect.decimal == ","
    time = table.numbers(0).values.to_numpy()
    np.testing.assert_allclose(np.diff(time), 0.1, atol=1e-9)
    # integer counts run through -100 and lower: none of them is a word for no reading
    for at in range(1, table.width):
        numbers = table.numbers(at)
        assert not numbers.words
        assert not numbers.bad_count


def test_array_with_padded_names_and_999():
    table = read("thermocouple-arrays/array-1.csv", no_reading=["999.0"])
    assert (table.height, table.width) == (307, 255)
    assert table.names[:3] == ("Time", "North U-1", "North U-2")
    assert table.find("North U-2") == 2
    assert table.numbers(0).values[0] == -60.0
    assert table.numbers(2).words["999"] == 1
    assert table.numbers(2).values[0] is None
    tree = table.numbers(table.find("Tree 1-1"))
    assert 17.0 <= tree.values[0] <= 25.0


def test_999_is_only_suspected_until_it_is_stated():
    table = read("thermocouple-arrays/array-1.csv")
    numbers = table.numbers(2)
    assert numbers.values[0] == 999.0
    assert "suspected_no_reading" in {finding.fault for finding in numbers.findings}


def test_array_with_its_units_above_its_names():
    table = read("thermocouple-arrays/array-2.csv")
    assert (table.height, table.width) == (243, 229)
    assert (table.dialect.units_line, table.dialect.header_line) == (1, 2)
    assert table.names[:5] == ("Time", "10PT1V", "10PT2V", "10PT3V", "10TC1")
    assert table.units[:5] == ("s", "Pa", "Pa", "Pa", "C")
    # the file itself has a "Ps", and no unit for its last column
    assert set(table.units) == {"s", "Pa", "C", "m/s", "Ps", None}
    assert table.units.index(None) == table.find("Mass_Flow_Burner")
    assert table.numbers(4).values[0] == pytest.approx(21.0, abs=4.0)


@pytest.mark.parametrize(("trip", "rows"), [(1, 19245), (2, 29181)])
def test_one_reading_a_row(trip: int, rows: int):
    table = read(f"long-layout/trip-{trip}.csv")
    assert table.height == rows
    assert table.names == ("SECONDS", "PID", "VALUE", "UNITS")
    long = table.long("PID", "VALUE", "UNITS")
    channel = long.channel(long.find("Engine coolant temperature"))
    assert channel.unit == "°C"  # written as one character in the file
    values = channel.numbers.values.to_numpy()
    if trip == 2:
        assert (values[0], values[-1]) == (81.0, pytest.approx(88.0, abs=3.0))
        assert values.max() == 93.0
    else:
        assert (values.min(), values.max()) == (-40.0, 215.0)  # garbage, as its note says
    total = sum(long.channel(at).rows.size for at in range(len(long.names)))
    assert total + long.unnamed_rows == rows


def test_degree_sign_encoded_twice():
    table = read("coolant-warmups/trip-2017-07-14.csv")
    assert "Â°C" in table.names[1]
    assert table.units[1] == "°C"
    assert table.find("Engine Coolant Temperature [°C]") == 1
    assert table.find("engine coolant temperature") == 1
    # one signal is refreshed a row, so the first rows have empty cells
    assert table.numbers(2).words == {"": 1}
    assert table.numbers(1).values[0] == 22.0
    assert table.numbers(1).values[-1] == 79.0
