"""`lukewarm explain`: every name a user meets, misspelt names, names that are none."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

import lukewarm as lw
from tests.support.screen import Screen

ROOT = Path(__file__).parents[3]
CONTRACT = (ROOT / "docs" / "contract.md").read_text(encoding="utf-8")


def names_of(heading: str) -> list[str]:
    """Names in backquotes in a section of the contract."""
    (section,) = re.findall(rf"^## {heading}\n(.*?)^## ", f"{CONTRACT}\n## ", re.S | re.M)
    return re.findall(r"`([a-z]+(?:_[a-z]+)*)`", section)


def test_every_figure_and_cause_of_the_contract_is_explained(command: Screen) -> None:
    (table,) = re.findall(r"^## Figures\n(.*?)^## ", CONTRACT, re.S | re.M)
    in_table = re.findall(r"^\| (`[a-z_`, ]+) \|", table, re.M)
    figures = [name for cell in in_table for name in re.findall(r"`(\w+)`", cell)]
    assert len(figures) >= 18
    assert set(figures) <= set(lw.figures()["figure"])
    causes = [name for name in names_of("Causes") if name in set(lw.causes()["cause"])]
    assert len(set(causes)) == lw.causes().height
    for name in (*lw.figures()["figure"], *causes):
        assert command("explain", name) == 0
        assert command.out.startswith(f"{name}: a ")
        assert all(len(line) <= 80 for line in command.out.splitlines())


def test_every_check_and_finding_is_explained(command: Screen) -> None:
    for name in (*lw.checks()["check"], *lw.findings()["finding"]):
        assert command("explain", name) == 0
        assert f"{name}: a " in command.out


def test_a_figure_says_its_unit_definition_and_default_limit(command: Screen) -> None:
    limits = tomllib.loads((ROOT / "analysis" / "data" / "limits.toml").read_text("utf-8"))
    limit = limits["figure"]["warm_up_time"]
    assert command("explain", "warm_up_time") == 0
    said = " ".join(command.out.split())
    assert "a figure, s" in said
    assert "90 %" in said  # as the contract defines it
    assert f"limit {limit['high']:g} s or less; basis: {limit['basis']}" in said


def test_every_figure_says_where_it_comes_from_and_what_its_uncertainty_holds(
    command: Screen,
) -> None:
    for name in lw.figures()["figure"]:
        assert command("explain", name) == 0
        heads = [line[:12].strip() for line in command.out.splitlines()]
        assert {"definition", "source", "uncertainty", "limit"} <= set(heads), name


def test_limits_and_moves_in_the_readers_units(command: Screen) -> None:
    # a temperature of 76.5 °C is 169.7 °F and a difference of 10 K is 18 °F (NIST SP 811, B.8)
    assert command("explain", "coolant_plateau", "--units", "us") == 0
    said = " ".join(command.out.split())
    assert "limit 169.7 °F or more" in said
    assert "thermostat opens low (-18 °F)" in said


def test_a_check_says_how_and_with_what_care(command: Screen) -> None:
    assert command("explain", "thermostat_test") == 0
    assert "Never open a hot cooling system" in " ".join(command.out.split())


@pytest.mark.parametrize(
    ("written", "meant"),
    [("warmup_time", "warm_up_time"), ("Vacuum leek", "vacuum_leak"), ("gapp", "gap")],
)
def test_a_misspelt_name(command: Screen, written: str, meant: str) -> None:
    assert command("explain", written) == 2
    assert command.out == ""
    assert "did you mean" in command.err
    assert meant in command.err


def test_a_name_that_is_none(command: Screen) -> None:
    assert command("explain", "xyzzy") == 2
    assert command.err.startswith("error: there is no 'xyzzy'")
    assert command.err.count("\n") == 1
