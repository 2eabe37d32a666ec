from __future__ import annotations

from pathlib import Path

import pytest

from dashboard.live.readings import LatestReadings
from ingest.load.load import load_run
from ingest.record.wire.deriver import Latest
from ingest.setup.model import parse_setup, read_setup

SAMPLES = Path(__file__).parents[3] / "sample_logs"


def last_cells(log: Path, delimiter: str, head: str) -> dict[str, Latest]:
    """Cells of a log's last line by the names of its columns."""
    lines = log.read_text(encoding="utf-8").splitlines()
    names = next(line for line in lines if head in line).split(delimiter)
    return {
        name: Latest(cell, 100.0)
        for name, cell in zip(names, lines[-1].split(delimiter), strict=True)
    }


@pytest.mark.parametrize(
    ("name", "head"), [("SC-014-complaint", "CH1 (mV)"), ("SC-001-baseline", "outlet")]
)
def test_newest_readings_are_what_the_loader_makes_of_them(name: str, head: str) -> None:
    folder = SAMPLES / name
    run = load_run(folder)
    cells = last_cells(folder / "log.csv", ",", head)
    found = LatestReadings(read_setup(folder / "run.toml")).read(cells, 101.0)
    assert set(found) == set(run.sensors)
    for point, sensor in run.sensors.items():
        assert found[point].value == pytest.approx(run.readings[sensor.column][-1], abs=1e-9)
        assert found[point].unit == sensor.quantity.unit
        assert found[point].age_s == 1.0
        assert found[point].fresh


SETUP = (
    '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\n{log}\n'
    '[channels.outlet]\ncolumn = "Out (°F)"\n[channels.ambient]\ncolumn = 2\nunit = "degC"\n'
    '[channels.footwell]\ncolumn = "FOOT"\n'
)


def test_units_in_names_numbers_of_columns_and_decimal_commas() -> None:
    latest = LatestReadings(parse_setup(SETUP.replace("{log}", 'decimal = ","')))
    cells = {"Out (°F)": Latest("212,0", 9.0), "B": Latest("-3,5", 3.0)}
    found = latest.read(cells, 10.0)
    assert found["outlet"].value == pytest.approx(100.0)
    assert found["ambient"].value == -3.5
    assert found["outlet"].fresh
    assert not found["ambient"].fresh  # seven seconds old
    assert "footwell" not in found


def test_a_decimal_comma_that_nobody_declared() -> None:
    latest = LatestReadings(parse_setup(SETUP.replace("{log}", "")))
    found = latest.read({"Out (°F)": Latest("212,0", 9.0), "B": Latest("-3.5", 9.0)}, 10.0)
    assert found["outlet"].value == pytest.approx(100.0)
    assert found["ambient"].value == -3.5
    # a number with both marks is not to be read without asking
    found = latest.read({"Out (°F)": Latest("1,212.0", 9.0), "B": Latest("-3.5", 9.0)}, 10.0)
    assert found["outlet"].value is None
    assert found["ambient"].value == -3.5


def test_a_cell_without_a_number_is_no_reading() -> None:
    latest = LatestReadings(parse_setup(SETUP.replace("{log}", "")))
    found = latest.read({"Out (°F)": Latest("OPEN", 9.9), "B": Latest("4.0", 9.9)}, 10.0)
    assert found["outlet"].value is None
    assert not found["outlet"].fresh
    assert found["outlet"].text == "OPEN"
    assert found["ambient"].value == 4.0


def test_a_channel_whose_unit_nobody_told_does_not_take_the_others_along() -> None:
    latest = LatestReadings(parse_setup(SETUP.replace("{log}", "")))
    cells = {"Out (°F)": Latest("212", 9.9), "B": Latest("4.0", 9.9), "FOOT": Latest("9", 9.9)}
    latest.read(cells, 10.0)
    assert set(latest.read(cells, 10.1)) == {"outlet", "ambient"}


def test_two_channels_whose_unit_nobody_told() -> None:
    """At once, and one after the other: the rest goes on."""
    setup = SETUP.replace("{log}", "") + '[channels.cabin]\ncolumn = "CAB"\n'
    cells = {"Out (°F)": Latest("212", 9.9), "B": Latest("4.0", 9.9), "FOOT": Latest("9", 9.9)}
    both = LatestReadings(parse_setup(setup))
    both.read(cells | {"CAB": Latest("9", 9.9)}, 10.0)
    assert set(both.read(cells | {"CAB": Latest("9", 9.9)}, 10.1)) == {"outlet", "ambient"}
    late = LatestReadings(parse_setup(setup))
    late.read(cells, 10.0)
    late.read(cells | {"CAB": Latest("9", 9.9)}, 10.1)
    assert set(late.read(cells | {"CAB": Latest("9", 9.9)}, 10.2)) == {"outlet", "ambient"}
