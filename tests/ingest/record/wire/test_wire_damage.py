"""Digits damaged on purpose in logs of the sample fleet: what is found, and what the figures say.

Which digit was damaged is known, because it is done here.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from analysis.pipeline import analyze
from analysis.result import document
from ingest.load.load import load_run
from ingest.record.wire.damage import JUMPED, DamageCheck, Ready
from ingest.setup.model import parse_setup, read_setup

SAMPLES = Path(__file__).parents[4] / "sample_logs"
SETUP = parse_setup(
    '[run]\nvehicle = "SC-900"\n[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'
    '[channels.outlet]\ncolumn = "out"\nunit = "degC"\n',
    "run.toml",
)


def checked(lines: list[str], *, every_s: float = 1.0) -> tuple[list[Ready], DamageCheck]:
    check = DamageCheck(SETUP, ("t", "out"))
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


SHARE = 0.2


def damage(line: str, rng: np.random.Generator) -> str:
    places = [at for at, mark in enumerate(line) if mark.isdigit()]
    at = int(rng.choice(places))
    digit = (int(line[at]) + int(rng.integers(1, 10))) % 10
    return f"{line[:at]}{digit}{line[at + 1 :]}"


@pytest.mark.parametrize("name", ["SC-001-baseline", "SC-019-complaint", "SC-041-baseline"])
def test_figures_of_a_damaged_log_are_those_of_the_whole_one(tmp_path: Path, name: str) -> None:
    """One damaged digit in every fifth line: figures within u/2, the share within two points."""
    rng = np.random.default_rng(1)
    source = SAMPLES / name
    place = tmp_path / name
    shutil.copytree(source, place)
    lines = (source / "log.csv").read_text(encoding="utf-8").splitlines()
    check = DamageCheck(read_setup(source / "run.toml"), ())
    logged: list[str] = []
    count = 0
    for at, whole in enumerate(lines):
        line = whole
        if at > 12 and rng.random() < SHARE:
            line, count = damage(whole, rng), count + 1
        logged += [each.text for each in check.take(line, ",", at + rng.uniform(0.0, 0.05))]
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
