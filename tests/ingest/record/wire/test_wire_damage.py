"""Digits damaged on purpose in logs of the sample fleet: what is found, and what the figures say.

Which digit was damaged is known, because it is done here.
"""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from analysis.pipeline import analyze
from analysis.result import document
from ingest.load.load import load_run
from ingest.record.wire.damage import JUMPED, DamageCheck, Ready
from ingest.setup.model import Setup, parse_setup, read_setup

SAMPLES = Path(__file__).parents[4] / "sample_logs"
SETUP = parse_setup(
    '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'
    '[channels.outlet]\ncolumn = "out"\nunit = "degC"\n',
    "run.toml",
)


def checked(
    lines: list[str], *, every_s: float = 1.0, setup: Setup = SETUP, names: str = "t,out"
) -> tuple[list[Ready], DamageCheck]:
    check = DamageCheck(setup, tuple(names.split(",")))
    found = [each for at, line in enumerate(lines) for each in check.take(line, ",", at * every_s)]
    return [*found, *check.flush()], check


def good_lines(count: int = 40) -> list[str]:
    rng = np.random.default_rng(2)
    return [f"{at}.0,{20 + 0.1 * at + rng.normal(0, 0.1):.1f}" for at in range(count)]


def test_good_lines_are_logged_as_they_came() -> None:
    lines = good_lines()
    found, check = checked(lines)
    assert [each.text for each in found] == lines
    assert check.share() is None


def with_damage(count: int = 60) -> list[str]:
    """Lines of which three are plainly damaged: what the line is like is known then."""
    lines = good_lines(count)
    for at in (20, 24, 28):
        time, _, reading = lines[at].partition(",")
        lines[at] = f"{time},9{reading[1:]}"
    return lines


def test_a_reading_that_jumps_in_one_line_is_left_empty() -> None:
    lines = with_damage()
    time, _, reading = lines[40].partition(",")
    damaged = f"{time},{reading[0]}{(int(reading[1]) + 5) % 10}{reading[2:]}"
    lines[40] = damaged
    found, _ = checked(lines)
    assert found[40] == Ready("40.0,", 40.0, damaged, JUMPED)
    assert [each.text for each in found[41:]] == lines[41:]


def test_a_spark_is_no_damaged_digit() -> None:
    """Sparks of any size: few of them are one digit off what should stand there."""
    lines = good_lines(200)
    rng = np.random.default_rng(5)
    for at in range(20, 200, 9):
        lines[at] = f"{at}.0,{60 + rng.normal(0, 25):.1f}"
    found, _ = checked(lines)
    assert [each.text for each in found] == lines


def test_a_reading_that_jumps_and_stays_is_kept() -> None:
    lines = good_lines(30) + [f"{at}.0,60.{at % 7}" for at in range(30, 60)]
    found, _ = checked(lines)
    assert [each.text for each in found] == lines


@pytest.mark.parametrize("damaged", ["950.0", "5.0", "20.0", "58.0"])
def test_a_time_out_of_step_is_put_between_its_neighbors(damaged: str) -> None:
    lines = with_damage()
    reading = lines[50].partition(",")[2]
    lines[50] = f"{damaged},{reading}"
    found, _ = checked(lines)
    time, _, kept = found[50].text.partition(",")
    assert abs(float(time) - 50.0) <= 0.5
    assert kept == reading
    assert found[50].was == lines[50]


def test_a_logger_that_begins_anew_keeps_its_times() -> None:
    lines = good_lines(30)
    again = [f"{at}.0,23.{at % 3}" for at in range(20)]
    found, _ = checked(lines + again)
    assert [each.text for each in found] == lines + again


def test_a_replay_faster_than_its_clock_keeps_its_times() -> None:
    lines = [f"{at * 5}.0,20.{at % 4}" for at in range(60)]
    found, _ = checked(lines, every_s=0.004)
    assert [each.text for each in found] == lines


def timed_by(time: str) -> Setup:
    return parse_setup(
        f'[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\ntime = {{ {time} }}\n'
        '[channels.outlet]\ncolumn = "out"\nunit = "degC"\n',
        "run.toml",
    )


START = datetime(2026, 1, 14, 7, 59, 30, tzinfo=UTC)
WALL = {
    "ISO 8601": ('column = "t", format = "iso8601"', "t,out", "%Y-%m-%dT%H:%M:%S.000-05:00"),
    "twelve hours": (
        'column = "t", format = "%m/%d/%Y %I:%M:%S %p"', "t,out", "%m/%d/%Y %I:%M:%S %p",
    ),
    "date and time apart": (
        'columns = ["d", "t"], format = "%d.%m.%Y %H:%M:%S"', "d,t,out", "%d.%m.%Y,%H:%M:%S",
    ),
    "elapsed": ('column = "t", unit = "hh:mm:ss"', "t,out", "%H:%M:%S"),
}  # fmt: skip


@pytest.mark.parametrize("quote", ["", '"'])
@pytest.mark.parametrize("written", WALL)
def test_a_time_written_as_text_is_put_right_by_its_digit(written: str, quote: str) -> None:
    """Any digit but that of the second is known by the lines around it: the very text is back."""
    time, names, pattern = WALL[written]
    lines = []
    for line in with_damage(120):
        at, _, reading = line.partition(",")
        cells = [*(START + timedelta(seconds=float(at))).strftime(pattern).split(","), reading]
        lines.append(",".join(f"{quote}{cell}{quote}" for cell in cells))
    whole = list(lines)
    stamp = len(lines[50]) - len(lines[50].rpartition(",")[2]) - 1
    # a fraction of a second that was changed still lies between its neighbors
    fraction = lines[50].find(".000")
    hides = range(fraction, fraction + 4) if fraction > 0 else ()
    places = [at for at, mark in enumerate(lines[50][:stamp]) if mark.isdigit() and at not in hides]
    for row, at in zip(range(50, 110, 2), places, strict=False):
        digit = (int(lines[row][at]) + 5) % 10
        lines[row] = f"{lines[row][:at]}{digit}{lines[row][at + 1 :]}"
    found, check = checked(lines, setup=timed_by(time), names=names)
    assert [each.text for each in found[50:110]] == whole[50:110]
    assert check.times >= len(places) - 1


def test_two_lines_with_the_time_of_one_second_keep_it() -> None:
    lines = [f"{at // 2},{20 + 0.05 * at:.1f}" for at in range(200)]
    found, check = checked(lines, every_s=0.5)
    assert [each.text for each in found] == lines
    assert check.share() is None


def test_a_car_that_stood_and_drives_off_keeps_its_speed() -> None:
    """Nought after nought says nothing of the decimals that a speed is written with."""
    setup = parse_setup(
        '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'
        '[channels.outlet]\ncolumn = "out"\nunit = "degC"\n'
        '[channels.road_speed]\ncolumn = "v"\nunit = "mph"\nsensor = "speed"\n',
        "run.toml",
    )
    speeds = [*[0.0] * 100, *(0.7 * at for at in range(60))]
    lines = [
        f"{line},{speed:.1f}" for line, speed in zip(with_damage(160), speeds, strict=True)
    ]  # fmt: skip
    found, _ = checked(lines, setup=setup, names="t,out,v")
    driving = [each.text.rpartition(",")[2] for each in found[100:]]
    assert driving == [f"{speed:.1f}" for speed in speeds[100:]]


def test_whole_degrees_celsius_shown_in_fahrenheit() -> None:
    """A control unit counts whole degrees Celsius (SAE J1979): 84.3 °F is none of them."""
    setup = parse_setup(
        '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'
        '[channels.outlet]\ncolumn = "out"\nunit = "degC"\n'
        '[channels.engine_coolant]\ncolumn = "ect"\nunit = "degF"\n',
        "run.toml",
    )
    shown = [f"{1.8 * (at // 6) + 32:.1f}" for at in range(200)]
    lines = [f"{line},{ect}" for line, ect in zip(with_damage(200), shown, strict=True)]
    assert shown[175] == "84.2"
    lines[175] = f"{lines[175][:-1]}3"
    found, _ = checked(lines, setup=setup, names="t,out,ect")
    assert found[175].text == f"{lines[175].rpartition(',')[0]},"
    assert [each.text.rpartition(",")[2] for each in found[176:]] == shown[176:]


SHARE = 0.2


def damage(line: str, rng: np.random.Generator) -> str:
    places = [at for at, mark in enumerate(line) if mark.isdigit()]
    at = int(rng.choice(places))
    digit = (int(line[at]) + int(rng.integers(1, 10))) % 10
    return f"{line[:at]}{digit}{line[at + 1 :]}"


@pytest.mark.parametrize(
    ("name", "delimiter"),
    [
        ("SC-001-baseline", ","),
        ("SC-019-complaint", ","),
        ("SC-041-baseline", ","),
        ("SC-048-complaint", ";"),  # times and offsets from UTC, decimal comma
        ("SC-073-baseline", ","),  # date and twelve-hour clock, every cell quoted
    ],
)
def test_figures_of_a_damaged_log_are_those_of_the_whole_one(
    tmp_path: Path, name: str, delimiter: str
) -> None:
    """One damaged digit in every fifth line: figures within u/2, the share within two points."""
    rng = np.random.default_rng(1)
    source = SAMPLES / name
    place = tmp_path / name
    shutil.copytree(source, place)
    lines = (source / "log.csv").read_text(encoding="utf-8-sig").splitlines()
    check = DamageCheck(read_setup(source / "run.toml"), ())
    logged: list[str] = []
    count = 0
    for at, whole in enumerate(lines):
        line = whole
        if at > 12 and rng.random() < SHARE:
            line, count = damage(whole, rng), count + 1
        logged += [each.text for each in check.take(line, delimiter, at + rng.uniform(0.0, 0.05))]
    logged += [each.text for each in check.flush()]
    (place / "log.csv").write_text("\n".join(logged) + "\n", encoding="utf-8")
    assert len(logged) == len(lines)
    share = check.share()
    assert share is not None
    assert share == pytest.approx(count / len(lines), abs=0.02)
    clean = document(analyze(load_run(source)))["figures"]
    found = document(analyze(load_run(place)))["figures"]
    for figure, entry in clean.items():
        if entry["value"] is not None:
            assert abs(found[figure]["value"] - entry["value"]) <= entry["u"] / 2, figure
