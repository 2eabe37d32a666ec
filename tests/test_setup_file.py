"""run.toml: what is accepted, and that every mistake is named at its place."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import UnusableRun
from ingest.setup import parse_setup

GOOD = """
[run]
vehicle = "SC-014"
[log]
file = "log.csv"
time = { column = "t", unit = "s" }
[channels.outlet]
column = "CH1 (mV)"
sensor = "thermocouple"
unit = "mV"
cold_junction = "23.5 degC"
"""


def test_defaults() -> None:
    setup = parse_setup(GOOD)
    assert setup.run.heater == "blend-air"
    assert setup.channels["outlet"].type == "K"
    assert setup.log.layout == "wide"
    assert setup.unknown() == ()


def test_unknown_keys_are_remembered() -> None:
    assert parse_setup(GOOD + "time_konstant = 3\n").unknown() == (
        "[channels.outlet] time_konstant",
    )


@pytest.mark.parametrize(
    ("was", "becomes", "phrase"),
    [
        ('vehicle = "SC-014"', 'vehicl = "SC-014"', "[run] vehicle: found nothing"),
        ('vehicle = "SC-014"', 'vehicl = "SC-014"', "did you mean this by 'vehicl'?"),
        ('column = "CH1 (mV)"', "column = 0", "columns are numbered from 1"),
        ('sensor = "thermocouple"', 'sensor = "hot thing"', "[channels.outlet] sensor"),
        ('unit = "s" }', 'unit = "s", columns = ["a", "b"] }', "either column or columns"),
        ('file = "log.csv"', 'file = ""', "[log] file"),
        ("[log]", "[log", "not TOML"),
        ('file = "log.csv"', 'file = "log.csv"\nlayout = "long"', "needs name ="),
    ],
)
def test_mistakes_are_named(was: str, becomes: str, phrase: str) -> None:
    with pytest.raises(UnusableRun) as caught:
        parse_setup(GOOD.replace(was, becomes))
    assert phrase in str(caught.value)


def test_all_mistakes_at_once() -> None:
    text = GOOD.replace("SC-014", "").replace('"thermocouple"', '"hot thing"')
    with pytest.raises(UnusableRun) as caught:
        parse_setup(text)
    assert len(caught.value.faults) == 2


@given(st.text(max_size=400))
def test_any_text_is_a_set_up_or_a_fault(text: str) -> None:
    try:
        parse_setup(text)
    except UnusableRun as error:
        assert all("\n" not in str(fault) for fault in error.faults)
