"""run.toml: what is accepted, and that every mistake is named at its place."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import UnusableRun
from ingest.setup.model import parse_setup

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


START = 'vehicle = "SC-014"\n'


@pytest.mark.parametrize(
    ("was", "becomes", "expected"),
    [
        ('"SC-014"', '""', "[run] vehicle: found ''; expected a text that is not empty"),
        ('"SC-014"', "14", "found 14; expected a text in quotes"),
        (START, f'{START}started = "soon"\n', "a date and time like 2026-01-14T07:31:00-05:00"),
        (START, f"{START}started = 07:31:00\n", "found 07:31:00; expected a date and time"),
        (START, f'{START}engine_start = "?"\n', "[run] engine_start: found '?'; expected a number"),
        ('"log.csv"', '"log.csv"\nheader = "perhaps"', "expected true or false"),
        ('"CH1 (mV)"', "1.5", "found 1.5; expected a text in quotes or a whole number"),
        ('"mV"', '"mV"\ntolerance = -1', "expected a number above 0"),
        ('"mV"', '"mV"\ntime_constant = -1', "expected a number of at least 0"),
        ('"mV"', '"mV"\nscale = 3', "expected a table such as { from = [0.5, 4.5]"),
        (
            '"mV"',
            '"mV"\nscale = { from = [1], to = [1, 2], unit = "V" }',
            "a list that is too short",
        ),
        ('{ column = "t", unit = "s" }', '"t"', 'expected a table such as { column = "t"'),
        ("[channels.outlet]", "[channels]\nx = 3\n[channels.outlet]", "a table [channels.x] with"),
    ],
)
def test_mistakes_are_told_in_the_files_own_words(was: str, becomes: str, expected: str) -> None:
    with pytest.raises(UnusableRun) as caught:
        parse_setup(GOOD.replace(was, becomes))
    assert len(caught.value.faults) == 1
    assert expected in str(caught.value)


def test_an_empty_file_is_told_which_tables_it_needs() -> None:
    with pytest.raises(UnusableRun) as caught:
        parse_setup("")
    assert 'a [run] table with vehicle = "..."' in str(caught.value.faults[0])
    assert 'a [log] table with file = "..."' in str(caught.value.faults[1])


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


def test_more_channels_than_any_car_has() -> None:
    head = '[run]\nvehicle = "a"\n[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'

    def with_channels(count: int) -> str:
        return head + "".join(f'[channels.c{n}]\ncolumn = "OUT"\n' for n in range(count))

    assert len(parse_setup(with_channels(1000)).channels) == 1000
    with pytest.raises(UnusableRun) as told:
        parse_setup(with_channels(1001))
    assert str(told.value) == (
        "run.toml channels: found 1001 tables; expected at most 1000 tables [channels.NAME]; "
        "correct it in the file"
    )
