"""`[channels.X] value`: a thermometer that was read once stands for a channel of the whole run."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from ingest.errors import UnusableRun
from ingest.files import find_files
from ingest.load.large import load_large
from ingest.load.load import load_run
from tests.support.run_folders import CHANNELS, log_text, setup_text, write_run


def write(folder: Path, channel: str, log: str | None = None) -> Path:
    return write_run(folder, log=log, setup=setup_text(channels=CHANNELS + channel))


@pytest.mark.parametrize(
    ("channel", "reading", "half_width"),
    [
        ('value = "-5 degC"', -5.0, 2.0),  # common practice, no source
        ('value = "-5 degC"\ntolerance = "1 K"', -5.0, 1.0),
        ('value = "23 degF"\ntolerance = "1.8 degF"', -5.0, 1.0),
        ('value = "-5,0 °C"\ntolerance = 0.5', -5.0, 0.5),
    ],
)
def test_one_reading_in_every_row(
    tmp_path: Path, channel: str, reading: float, half_width: float
) -> None:
    run = load_run(write(tmp_path / "run", f"[channels.ambient]\n{channel}\n"))
    assert run.readings["ambient_degC"].to_list() == [pytest.approx(reading)] * run.readings.height
    sensor = run.sensors["ambient"]
    # a rectangle of that half-width: JCGM 100:2008, 4.3.7
    assert math.hypot(*(each.u for each in sensor.errors)) == pytest.approx(
        half_width / math.sqrt(3)
    )
    assert [each.channel for each in run.findings if each.fault == "read_once"] == ["ambient"]


def test_a_log_taken_in_parts(tmp_path: Path) -> None:
    channel = '[channels.ambient]\nvalue = "-5 degC"\n'
    folder = write(tmp_path / "run", channel, log_text(range(2000)))
    parts = load_large(find_files(folder), chunk_bytes=4096)
    assert set(parts.readings["ambient"].tolist()) == {-5.0}
    assert parts.readings["ambient"].size == parts.time.size


@pytest.mark.parametrize(
    ("channel", "said"),
    [
        ('value = "-5"', r"\[channels.ambient\] value: found '-5' has no unit"),
        ('value = "cold"', "'cold' is not a number with a unit"),
        ('value = "5 kPa"', "is a pressure, not a temperature"),
        ('value = "5 degC"\ncolumn = "OUT"', r"give either column = .* or value ="),
        ('sensor = "temperature"', r"give either column = .* or value ="),
        ('value = "5 degC"\ntolerance = "1 kPa"', r"tolerance: found '1 kPa'"),
        ('value = "5 degC"\ntolerance = "-1 K"', r"tolerance: found '-1 K'"),
        ('value = "5 degC"\ntolerance = "some"', r"tolerance: found 'some'"),
    ],
)
def test_mistakes(tmp_path: Path, channel: str, said: str) -> None:
    with pytest.raises(UnusableRun, match=said):
        load_run(write(tmp_path / "run", f"[channels.ambient]\n{channel}\n"))


def test_an_unknown_point_says_what_it_measures(tmp_path: Path) -> None:
    with pytest.raises(UnusableRun, match="say what sensor it was"):
        load_run(write(tmp_path / "one", '[channels.shed]\nvalue = "5 degC"\n'))
    known = '[channels.shed]\nvalue = "5 degC"\nsensor = "temperature"\n'
    assert load_run(write(tmp_path / "two", known)).readings["shed_degC"][0] == 5.0


def test_a_log_without_a_reading_is_none_all_the_same(tmp_path: Path) -> None:
    log = "t,OUT,CIN\n" + "".join(f"{row},---,---\n" for row in range(60))
    with pytest.raises(UnusableRun, match="no reading in any"):
        load_run(write(tmp_path / "run", '[channels.ambient]\nvalue = "-5 degC"\n', log))
