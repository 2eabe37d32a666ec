"""Run folders that cannot be used: each gives clear lines, and nothing else happens."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import UnusableRun
from ingest.load.load import load_run
from tests.support.run_folders import CHANNELS, EVENTS, RUN, log_text, setup_text, write_run

GOOD_EVENTS = "time,control,position\n0,engine,start\n5,temp_lever,100\n"


def _millivolts(extra: str, other: str = "") -> str:
    """Channels with a thermocouple in millivolts on OUT, and CIN as `other` says."""
    lines = f'unit = "mV"\nsensor = "thermocouple"\n{extra}'
    return _channel("outlet", lines, "OUT") + other


def _channel(point: str, lines: str, column: str = "CIN") -> str:
    return f'\n[channels.{point}]\ncolumn = "{column}"\n{lines}'


def _text(log: str | bytes | None = None, setup: str | None = None) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        write_run(folder, log=log, setup=setup)

    return write


def _events(text: str | bytes) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        write_run(folder, events=text)

    return write


def _without(name: str) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        write_run(folder, events=GOOD_EVENTS)
        (folder / name).unlink()

    return write


def _folder_instead_of(name: str) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        _without(name)(folder)
        (folder / name).mkdir()

    return write


def _named(file: str) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        write_run(folder, setup=setup_text().replace('"log.csv"', f"'{file}'"))

    return write


def _link(folder: Path) -> None:
    write_run(folder)
    (folder.parent / "elsewhere.csv").write_bytes((folder / "log.csv").read_bytes())
    (folder / "log.csv").unlink()
    (folder / "log.csv").symlink_to(folder.parent / "elsewhere.csv")


def _raw_setup(raw: bytes) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        write_run(folder)
        (folder / "run.toml").write_bytes(raw)

    return write


def _channels(text: str) -> Callable[[Path], None]:
    return _text(setup=setup_text(channels=text))


def _time(text: str, log: str | None = None) -> Callable[[Path], None]:
    return _text(log=log, setup=setup_text(time=f"time = {text}\n"))


TOML = setup_text()
SECONDS = '{ column = "t", unit = "s" }'

BROKEN: dict[str, tuple[Callable[[Path], None], list[str]]] = {
    # files
    "no run.toml": (_without("run.toml"), ["run.toml: found no readable file", "lukewarm setup"]),
    "no log": (_without("log.csv"), ["run.toml [log] file: found no file 'log.csv'", "events.csv"]),
    "no events": (_without("events.csv"), ["run.toml [events] file: found no file 'events.csv'"]),
    "a folder as log": (_folder_instead_of("log.csv"), ["[log] file: found no file 'log.csv'"]),
    "a folder as run.toml": (_folder_instead_of("run.toml"), ["run.toml: found no readable file"]),
    "log outside": (_named("../van/log.csv"), ["[log] file", "leads out of the run folder"]),
    "log by absolute path": (_named("/etc/hostname"), ["leads out of the run folder"]),
    "log by drive": (_named("C:\\logs\\log.csv"), ["leads out of the run folder"]),
    "log through a link": (_link, ["[log] file", "leads out of the run folder"]),
    "log with an impossible name": (
        _text(setup=setup_text().replace('"log.csv"', '"log\\u0000.csv"')),
        ["[log] file: found no file"],
    ),
    # run.toml
    "empty run.toml": (_raw_setup(b""), ["run.toml run: found nothing", "run.toml log: found"]),
    "binary run.toml": (_raw_setup(bytes(range(128, 256)) * 4), ["bytes that are not UTF-8"]),
    "open bracket": (_text(setup=TOML.replace("[log]", "[log")), ["text that is not TOML", "line"]),
    "key twice": (_text(setup=TOML + 'unit = "degC"\n'), ["text that is not TOML"]),
    "no vehicle": (
        _text(setup=setup_text(run='[run]\nvehikle = "SC-014"\n')),
        ["[run] vehicle: found nothing", "did you mean this by 'vehikle'?"],
    ),
    "unknown heater": (
        _text(setup=setup_text(run=f'{RUN}heater = "electric"\n')),
        ["[run] heater: found 'electric'", "'blend-air'"],
    ),
    "text for a number": (
        _text(setup=setup_text(run=f'{RUN}engine_start = "noon"\n')),
        ["[run] engine_start: found 'noon'"],
    ),
    "long layout without names": (
        _text(setup=setup_text(log='layout = "long"\n')),
        ['layout = "long" needs name'],
    ),
    "column and columns": (
        _time('{ column = "t", columns = ["a", "b"] }'),
        ["time", "either column or columns"],
    ),
    "no channel": (_channels(""), ["run.toml [channels]: found no channel", "lukewarm setup"]),
    "engine start after the end": (
        _text(setup=setup_text(run=f"{RUN}engine_start = 5000.0\n")),
        ["[run] engine_start: found 5000 s, after the log", "from 0 s to 59.5 s"],
    ),
    # the log
    "empty log": (_text(b""), ["log.csv: found an empty file"]),
    "blank log": (_text(b"\n \n\n"), ["log.csv"]),
    "binary log": (_text(bytes(range(256)) * 40), ["log.csv"]),
    "half an archive": (
        _text(b"PK\x03\x04" + bytes(200)),
        ["log.csv: found a damaged archive", "copy it again"],
    ),
    "header only": (_text("t,OUT,CIN\n"), ["log.csv"]),
    "prose": (_text("The heater stays cold.\nThe fan runs.\n" * 20), ["log.csv"]),
    "wrong column": (
        _channels(CHANNELS.replace("CIN", "COOL")),
        ["[channels.coolant_in] column: found no column 'COOL'", "'t', 'OUT', 'CIN'"],
    ),
    "column beyond the last": (
        _channels(CHANNELS.replace('"CIN"', "7")),
        ["[channels.coolant_in] column: found no column 7", "1 to 3"],
    ),
    "no reading in any channel": (
        _text("t,OUT,CIN\n" + "".join(f"{row},---,OVER\n" for row in range(50))),
        ["log.csv: found no reading in any of the 2 channels", "'---' 50 times"],
    ),
    "numbers of another language": (
        _text("t,OUT,CIN\n" + "".join(f"{row},-3.5{row}*^0,8.0*^1\n" for row in range(50))),
        ["no reading in any of the 2 channels", "50, the first '-3.50*^0' in line 2"],
    ),
    # time
    "no time column": (
        _time('{ column = "clock", unit = "s" }'),
        ["[log] time: found no column 'clock'"],
    ),
    "unknown time unit": (
        _time('{ column = "t", unit = "jiffies" }'),
        ["time unit: found 'jiffies'"],
    ),
    "unknown time zone": (
        _time('{ column = "t", format = "iso8601", timezone = "Mars/Base" }'),
        ["time timezone: found 'Mars/Base'"],
    ),
    "unknown pattern": (
        _time('{ column = "t", format = "%H:%M:%K" }'),
        ["time format: found '%H:%M:%K' with directive %K"],
    ),
    "times in another format": (
        _time('{ column = "t", format = "iso8601" }'),
        ["time column 't' (line 2): found '0.0'", "written as iso8601"],
    ),
    "time all empty": (
        _time(SECONDS, "t,OUT,CIN\n" + "".join(f",{row},{row}\n" for row in range(50))),
        ["time column 't': found a time in 0 of 50 rows"],
    ),
    "one row": (_time(SECONDS, log_text([0])), ["log.csv"]),
    "time stands still": (_time(SECONDS, log_text([7] * 50)), ["the same time in every row"]),
    "time runs backwards": (
        _time(SECONDS, log_text(range(3, 0, -1))),
        ["every step from row to row going back", "sort the rows oldest first"],
    ),
    "time is a saw": (
        _time(SECONDS, log_text([row % 2 * 50 + row for row in range(60)])),
        ["of 59 steps from row to row going back"],
    ),
    "time without a unit": (
        _time('{ column = "t" }'),
        ["without a unit or format", 'write unit = "s"'],
    ),
    "epoch in the wrong unit": (
        _time(
            '{ column = "t", unit = "epoch s" }',
            log_text([1768375860000 + 500 * row for row in range(60)]),
        ),
        ["the year 58", "a date between 1970 and 2100"],
    ),
    # sensors
    "unknown unit": (
        _channels(CHANNELS.replace('"degC"', '"furlong per fortnite"', 1)),
        ["[channels.outlet] unit", "furlong per fortnite"],
    ),
    "unit of another quantity": (
        _channels(CHANNELS.replace('"degC"', '"kPa"', 1)),
        ["[channels.outlet]", "kPa"],
    ),
    "no unit anywhere": (
        _channels(CHANNELS.replace('unit = "degC"\n', "", 1)),
        ["[channels.outlet]", "unit"],
    ),
    "unknown thermocouple": (
        _channels(_millivolts('type = "Q"\ncold_junction = "23 degC"\n')),
        ["[channels.outlet] type: found 'Q'"],
    ),
    "no cold junction": (_channels(_millivolts("")), ["[channels.outlet]", "cold"]),
    "unknown cold junction": (
        _channels(_millivolts('cold_junction = "ice_bath"\n')),
        ["[channels.outlet] cold_junction", "ice_bath"],
    ),
    "circular cold junction": (
        _channels(
            _millivolts(
                'cold_junction = "cabin"\n',
                _channel(
                    "cabin", 'unit = "mV"\nsensor = "thermocouple"\ncold_junction = "outlet"\n'
                ),
            )
        ),
        ["[channels.outlet] cold_junction", "[channels.cabin] cold_junction", "outlet"],
    ),
    "cold junction of itself": (
        _channels(_millivolts('cold_junction = "outlet"\n')),
        ["[channels.outlet] cold_junction"],
    ),
    "scale over nothing": (
        _channels(
            _channel(
                "vacuum_source",
                'sensor = "pressure"\nunit = "V"\nreference = "vacuum"\n'
                'scale = { from = [2.5, 2.5], to = [0, 100], unit = "kPa" }\n',
            )
        ),
        ["[channels.vacuum_source", "two different values"],
    ),
    "absurd scale": (
        _channels(
            _channel(
                "vacuum_source",
                'sensor = "pressure"\nunit = "V"\nreference = "vacuum"\n'
                'scale = { from = [0.5, 4.5], to = [0, 1e9], unit = "kPa" }\n',
            )
        ),
        ["[channels.vacuum_source", "scale"],
    ),
    "absolute pressure without a barometer": (
        _channels(_channel("vacuum_source", 'unit = "kPa"\nreference = "absolute"\n')),
        ["barometer"],
    ),
    "absurd barometer": (
        _text(
            setup=setup_text(
                run=f'{RUN}barometer = "986 kPa"\n',
                channels=_channel("vacuum_source", 'unit = "kPa"\nreference = "absolute"\n'),
            )
        ),
        ["[run] barometer: found 986 kPa"],
    ),
    # events
    "events without a column": (
        _events("time,control,state\n0,engine,start\n"),
        ["events.csv column 'position'"],
    ),
    "events of another run": (
        _events("time,control,position\n9000,engine,start\n9005,temp_lever,100\n"),
        ["no event within the log", "[events] offset"],
    ),
    "binary events": (_events(bytes(range(256)) * 8), ["events.csv"]),
}


def snapshot(folder: Path) -> dict[str, bytes | None]:
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_run_says_what_is_wrong(
    tmp_path: Path, name: str, capfd: pytest.CaptureFixture[str]
) -> None:
    write, phrases = BROKEN[name]
    folder = tmp_path / "van"
    write(folder)
    before = snapshot(tmp_path)
    with pytest.raises(UnusableRun) as caught:
        load_run(folder)
    lines = str(caught.value).split("\n")
    assert len(lines) == len(caught.value.faults)
    assert len(set(lines)) == len(lines)
    for phrase in phrases:
        assert any(phrase in line for line in lines), lines
    for line in lines:
        assert all(part in line for part in (": found ", "; expected ", "; ")), line
        assert len(line) < 600
    assert snapshot(tmp_path) == before
    assert capfd.readouterr() == ("", "")


def test_there_are_enough_of_them() -> None:
    assert len(BROKEN) >= 40


def test_all_mistakes_are_said_at_once(tmp_path: Path) -> None:
    channels = CHANNELS.replace("CIN", "COOL").replace('"degC"', '"furlong"', 1)
    channels += _channel("ambient", 'unit = "degC"\n', "AMB")
    setup = setup_text(
        time='time = { column = "t", unit = "parsec" }\n', channels=channels, events=EVENTS
    )
    with pytest.raises(UnusableRun) as caught:
        load_run(write_run(tmp_path, setup=setup, events="a,b\n1,2\n"))
    text = str(caught.value)
    for phrase in ("'COOL'", "'AMB'", "furlong", "parsec"):
        assert phrase in text
    assert len(caught.value.faults) == 4


def test_all_missing_files_are_said_at_once(tmp_path: Path) -> None:
    folder = write_run(tmp_path, events=GOOD_EVENTS)
    (folder / "log.csv").unlink()
    (folder / "events.csv").unlink()
    with pytest.raises(UnusableRun) as caught:
        load_run(folder)
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize(
    ("place", "phrase"),
    [("nowhere", "nothing there"), ("log.csv", "a log without a set-up"), (".", "run.toml")],
)
def test_places_that_are_no_run(tmp_path: Path, place: str, phrase: str) -> None:
    (tmp_path / "log.csv").write_text(log_text(range(9)), encoding="utf-8")
    with pytest.raises(UnusableRun, match=phrase):
        load_run(tmp_path / place)


DOUBTFUL: dict[str, tuple[Callable[[Path], None], str]] = {
    "a channel without a reading": (
        _text("t,OUT,CIN\n" + "".join(f"{row},{row},---\n" for row in range(50))),
        "no_reading_words",
    ),
    "an event beyond the end": (
        _events("time,control,position\n0,engine,start\n400,blower,2\n"),
        "event_outside_log",
    ),
    "an event nobody understands": (
        _events("time,control,position\n0,engine,start\n5,sunroof,open\n"),
        "event_rejected",
    ),
    "an empty events file": (_events(""), "no_events"),
    "a key nobody knows": (_text(setup=setup_text(run=f"{RUN}color = 'red'\n")), "unknown_key"),
    "a clock that was set back": (
        _text(log_text([*range(500, 560), *range(100, 160)])),
        "clock_step_back",
    ),
    "rows without a time": (_text(log_text([*range(50), "", "?", 60, 61])), "rows_without_time"),
    "a logger that restarted": (_text(log_text([*range(50), *range(50)])), "logger_restart"),
    "units that disagree": (
        _text(log_text(range(50), header="t,OUT [°F],CIN [°C]")),
        "unit_disagrees",
    ),
}


@pytest.mark.parametrize("name", DOUBTFUL)
def test_what_is_doubtful_is_a_finding(tmp_path: Path, name: str) -> None:
    write, fault = DOUBTFUL[name]
    write(tmp_path)
    assert fault in [finding.fault for finding in load_run(tmp_path).findings]


LINES = st.sampled_from([*TOML.splitlines(), 'cold_junction = "outlet"', "[events]", "[run]", "="])


@given(st.lists(LINES, max_size=20).map("\n".join) | st.text(max_size=80))
def test_no_set_up_whatever_crashes(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = tmp_path_factory.getbasetemp()
    write_run(folder)
    (folder / "run.toml").write_bytes(text.encode("utf-8", errors="surrogatepass"))
    with contextlib.suppress(UnusableRun):
        assert load_run(folder).readings.height > 0


@given(
    st.integers(0, len(TOML) - 1),
    st.integers(0, 12),
    st.sampled_from(["", "nan", "-1", '"', "[", "1e999", "true", "2026-01-14", '"mV"', "\u0000"]),
)
def test_a_damaged_set_up_never_crashes(
    tmp_path_factory: pytest.TempPathFactory, place: int, length: int, damage: str
) -> None:
    folder = tmp_path_factory.getbasetemp()
    write_run(folder, setup=TOML[:place] + damage + TOML[place + length :])
    with contextlib.suppress(UnusableRun):
        assert load_run(folder).readings.height > 0


CELL = st.sampled_from(
    ["0", "1", "2", "3.5", "-9999", "OVER", "", '"', "t", "OUT", "CIN", "x", "nan"]
)


@given(
    st.lists(st.lists(CELL, max_size=5).map(",".join), max_size=15).map("\n".join)
    | st.text(max_size=60),
    st.sampled_from(["", "t,OUT,CIN\n0,20,60\n1,21,61\n"]),
)
def test_no_log_whatever_crashes(
    tmp_path_factory: pytest.TempPathFactory, body: str, start: str
) -> None:
    folder = tmp_path_factory.getbasetemp()
    raw = (start + body).encode("utf-8", errors="surrogatepass")
    with contextlib.suppress(UnusableRun):
        run = load_run(write_run(folder, log=raw))
        time = run.readings["time_s"]
        assert run.readings.height >= 2
        assert (time.diff().drop_nulls() > 0).all()
