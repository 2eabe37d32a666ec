"""Drafts: what is told from names and units is right, and what is not told is marked."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from ingest.draft.draft import Draft, draft_setup
from ingest.draft.names import Proposal, propose, words_of
from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.points import POINTS
from ingest.setup.model import parse_setup
from ingest.table.units import split_unit

FOLDER = Path(__file__).parents[2] / "data" / "dialects"
MEASURED = Path(__file__).parents[2] / "data" / "measured"
DIALECTS = sorted(path for path in FOLDER.iterdir() if path.suffix != ".toml")

each_dialect = pytest.mark.parametrize("path", DIALECTS, ids=lambda path: path.stem)


def truth_of(path: Path) -> dict[str, Any]:
    return tomllib.loads((FOLDER / f"{path.stem}.truth.toml").read_text(encoding="utf-8"))


def key_of(proposal: Proposal) -> str:
    return str(proposal.column) if proposal.column else proposal.name


def named(*names: str) -> dict[str, Proposal]:
    columns = [(at + 1, name, split_unit(name)[1]) for at, name in enumerate(names)]
    return {proposal.name: proposal for proposal in propose(columns)}


def point_of(name: str) -> str | None:
    return named(name)[name].point


# ---------------------------------------------------------------- whole drafts


def test_nine_points_in_ten_are_right_and_none_is_wrong():
    told = right = 0
    for path in DIALECTS:
        truth = truth_of(path)["points"]
        told += len(truth)
        for proposal in draft_setup(path).proposals:
            if proposal.point is not None:
                assert proposal.point == truth.get(key_of(proposal)), (path.name, proposal)
                right += 1
    assert told >= 80
    assert right >= 0.9 * told


@each_dialect
def test_draft_is_a_valid_set_up(path: Path):
    draft = draft_setup(path)
    setup = parse_setup(draft.text)
    assert setup.unknown() == ()
    assert setup.log.file == path.name
    assert setup.run.vehicle == "FILL IN"
    points = {proposal.point: proposal for proposal in draft.proposals if proposal.point}
    assert set(setup.channels) == set(points)
    for point, channel in setup.channels.items():
        assert channel.unit == points[point].unit
        assert channel.column in (points[point].name, points[point].column)


@each_dialect
def test_what_is_not_sure_is_marked(path: Path):
    draft = draft_setup(path)
    lines = draft.text.splitlines()
    for proposal in draft.proposals:
        shown = repr(proposal.name)[1:-1]  # control characters escaped, as in the draft
        mentions = [line for line in lines if shown in line]
        if proposal.point is None:
            assert any(line.startswith("#") for line in mentions), proposal
        elif proposal.confidence == "likely":
            assert any("CHECK" in line for line in mentions), proposal
    for point, channel in parse_setup(draft.text).channels.items():
        block = draft.text.split(f"[channels.{point}]")[1].split("[channels.")[0]
        assert channel.unit is not None or "FILL IN" in block


@each_dialect
def test_time_is_told_or_asked_for(path: Path):
    truth, draft = truth_of(path), draft_setup(path)
    if truth.get("time_unknown"):
        assert draft.time is None
        assert "FILL IN the time" in draft.text
        return
    assert draft.time is not None
    columns = draft.time.columns or (draft.time.column,)
    assert list(columns) == truth.get("time_columns", [truth.get("time_column")])
    assert draft.time.unit == truth.get("time_unit")
    assert draft.time.format == truth.get("time_format")


@each_dialect
def test_long_layout_is_told(path: Path):
    truth, setup = truth_of(path), parse_setup(draft_setup(path).text)
    assert setup.log.layout == ("long" if "layout" in truth else "wide")
    if "layout" in truth:
        columns = [setup.log.name, setup.log.value, setup.log.unit]
        assert [column for column in columns if column is not None] == truth["layout"]


def test_measured_drive():
    draft = draft_setup(MEASURED / "coolant-warmups" / "trip-2017-07-14.csv")
    assert points_of(draft) == {
        "engine_coolant": "°C",
        "engine_speed": "RPM",
        "road_speed": "km/h",
        "ambient": "°C",
    }
    assert draft.time is not None
    assert draft.time.unit == "hh:mm:ss"


def test_measured_long_log():
    draft = draft_setup(MEASURED / "long-layout" / "trip-2.csv")
    # intake air, manifold pressure and the averages are no points of the heater
    assert points_of(draft) == {
        "engine_coolant": "°C",
        "engine_speed": "rpm",
        "road_speed": "km/h",
        "ambient": "°C",
    }
    assert parse_setup(draft.text).log.layout == "long"


@pytest.mark.parametrize("behind", ["Â°C", " °C", " grd"])
@pytest.mark.parametrize("time", ["t", "Time s"])
def test_readings_with_a_text_behind_are_no_names(tmp_path: Path, time: str, behind: str):
    path = tmp_path / "log.csv"
    rows = "".join(
        f"{at},{at * 0.37:.2f}{behind},{-4.25 + at // 20 / 100}{behind}\n" for at in range(100)
    )
    path.write_text(f"{time},Outlet,Ambient\n{rows}", "utf-8")
    setup = parse_setup(draft_setup(path).text)
    assert setup.log.layout == "wide"
    assert set(setup.channels) == {"outlet", "ambient"}


def test_a_long_layout_told_from_repeated_words_only_is_marked(tmp_path: Path):
    path = tmp_path / "log.csv"
    rows = "".join(f"{at},Outlet,{at}.5\n{at},Ambient,{at}.25\n" for at in range(20))
    for name, marked in (("Where", True), ("Channel", False)):
        path.write_text(f"Time s,{name},Reading\n{rows}", "utf-8")
        (line,) = [each for each in draft_setup(path).text.splitlines() if "layout" in each]
        assert line.startswith('layout = "long"')
        assert ("CHECK" in line) is marked


@pytest.mark.parametrize("readings", ["({at}.5)", "({at},5)", "(5.0)"])
def test_numbers_in_parentheses_are_no_names_of_channels(tmp_path: Path, readings: str):
    """As spreadsheets write what is below zero (common practice, no source)."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{at};{at}.5;{readings.format(at=at % 5)}\n" for at in range(60))
    path.write_text(f"time s;Outlet degC;Ambient degC\n{rows}", "utf-8")
    setup = parse_setup(draft_setup(path).text)
    assert setup.log.layout == "wide"
    assert set(setup.channels) == {"outlet", "ambient"}


def test_what_a_station_made_of_many_readings_is_no_other_point(tmp_path: Path):
    path = tmp_path / "log.csv"
    names = '"Clock","No","Outlet_Mean","Ambient","Coolant_in_Mean","Coolant_in_Max"\n'
    above = names + '"","","Deg C","Deg C","Deg C","Deg C"\n"","","Mean","","Mean","Max"\n'
    rows = "".join(f'"2026-01-14 07:31:{at:02}",{at},3.5,4.5,{at}.25,9\n' for at in range(30))
    path.write_text(above + rows, "utf-8")
    draft = draft_setup(path)
    assert points_of(draft) == {"outlet": "Deg C", "ambient": "Deg C", "coolant_in": "Deg C"}
    channels = parse_setup(draft.text).channels
    assert (channels["outlet"].column, channels["coolant_in"].column) == (
        "Outlet_Mean",
        "Coolant_in_Mean",
    )
    path.write_text(names + rows, "utf-8")  # an average of what, the log does not say
    assert set(points_of(draft_setup(path))) == {"ambient"}


@pytest.mark.parametrize("name", ["pressure-hold/chamber-a.csv", "pressure-hold/with-header.csv"])
def test_logs_whose_names_tell_nothing(name: str):
    draft = draft_setup(MEASURED / name)
    assert points_of(draft) == {}
    assert "No measuring point was found" in draft.text


def points_of(draft: Draft) -> dict[str, str | None]:
    return {proposal.point: proposal.unit for proposal in draft.proposals if proposal.point}


def test_columns_by_number_where_names_repeat(tmp_path: Path):
    path = tmp_path / "log.csv"
    path.write_text("Time s,Outlet,Outlet,Coolant in\n" + "1,2,3,4\n2,3,4,5\n" * 5, "utf-8")
    setup = parse_setup(draft_setup(path).text)
    assert setup.channels["coolant_in"].column == "Coolant in"
    assert "outlet" not in setup.channels


def test_names_that_would_break_the_file(tmp_path: Path):
    path = tmp_path / "log.csv"
    name = 'Outlet "x\\y" \x07 # [channels]'
    quoted = name.replace('"', '""')
    path.write_text(f'Time s,"{quoted}",z\x0b\n' + "1,2,3\n2,3,4\n" * 5, "utf-8")
    draft = draft_setup(path)
    parse_setup(draft.text)
    assert {proposal.name for proposal in draft.proposals} >= {name}


def test_thermocouple_in_millivolts(tmp_path: Path):
    path = tmp_path / "log.csv"
    rows = "".join(f"{at},1.25,1.5,23.4\n" for at in range(9))
    path.write_text("Time s,J outlet (mV),T ambient (mV),CJ (degC)\n" + rows, "utf-8")
    channels = parse_setup(draft_setup(path).text).channels
    assert (channels["outlet"].sensor, channels["outlet"].type) == ("thermocouple", "J")
    assert channels["outlet"].cold_junction == "cold_junction"
    assert channels["ambient"].type == "T"  # beside a J, the T is a type too


def test_no_table_no_draft(tmp_path: Path):
    path = tmp_path / "log.csv"
    path.write_text("nothing\nto see\n", "utf-8")
    with pytest.raises(UnusableRun, match="no table"):
        draft_setup(path)


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("name", "point"),
    [
        ("T_out floor", "outlet"),
        ("Ausblas", "outlet"),
        ("Heater floor duct", "outlet"),
        ("Sortie plancher", "outlet"),
        ("Uscita pavimento", "outlet"),
        ("Windshield outlet", "outlet_defrost"),
        ("Dégivrage pare-brise", "outlet_defrost"),
        ("Center vent", "outlet_panel"),
        ("OAT", "ambient"),
        ("Lufttemperatur außen", "ambient"),
        ("Temp extérieure", "ambient"),
        ("Buitentemperatuur", "ambient"),
        ("Cowl air", "inlet_air"),
        ("Frischluft", "inlet_air"),
        ("Coolant supply", "coolant_in"),
        ("Kühlwasser Heizung ein", "coolant_in"),
        ("Arrivée eau", "coolant_in"),
        ("Refrigerante entrada", "coolant_in"),
        ("Heizungsvorlauftemperatur", "coolant_in"),
        ("Return hose", "coolant_out"),
        ("Rücklauf Heizung", "coolant_out"),
        ("coolantOut", "coolant_out"),
        ("Engine Coolant Temperature [°C]", "engine_coolant"),
        ("ECT (F)", "engine_coolant"),
        ("Température eau moteur", "engine_coolant"),
        ("Foot well", "footwell"),
        ("Fußraum", "footwell"),
        ("Innenraum", "cabin"),
        ("Vergleichsstelle", "cold_junction"),
        ("CJC temp", "cold_junction"),
        ("VAC src", "vacuum_source"),
        ("Manifold vacuum", "vacuum_source"),
        ("Unterdruck Dose [mbar]", "vacuum_actuator"),
        ("Vehicle Speed Sensor [km/h]", "road_speed"),
        ("Speed (km/h)", "road_speed"),
        ("Engine RPM [RPM]", "engine_speed"),
        ("Motordrehzahl [1/min]", "engine_speed"),
        ("Speed (rpm)", "engine_speed"),
        ("Gebläse U [V]", "blower_voltage"),
        ("Blower (V)", "blower_voltage"),
        ("Temp lever pos", "temp_lever"),
    ],
)
def test_names_that_are_sure(name: str, point: str):
    proposal = named(name)[name]
    assert (proposal.point, proposal.confidence) == (point, "sure")


@pytest.mark.parametrize(
    ("name", "point"),
    [
        ("Coolant", "engine_coolant"),  # or a hose
        ("Vacuum (inHg)", "vacuum_source"),  # or an actuator
        ("Right footwell", "footwell"),
        ("Rocker outlet", "outlet"),
        ("GPS speed (km/h)", "road_speed"),
        ("Blower", "blower_voltage"),  # or its step
        ("T_amb_C", "ambient"),  # the unit is a letter of the name
    ],
)
def test_names_that_are_only_likely(name: str, point: str):
    proposal = named(name)[name]
    assert (proposal.point, proposal.confidence) == (point, "likely")


@pytest.mark.parametrize(
    "name",
    [
        *("VAC2", "Coolant 3", "Vent 2"),  # one of several
        *("CH1 (mV)", "T1", "Sensor 3", "T_out", "T_in", "T_hose1", "Heater in", "Feet", "Speed"),
        # other parts of the car
        *("Intake Air Temperature [°C]", "Intake Manifold Absolute Pressure [kPa]", "Oil temp"),
        *("Radiator outlet", "Evaporator temp", "Battery voltage (V)", "Fan speed (rpm)"),
        *("Absolute Throttle Position [%]", "Blend door position", "Blower lever"),
        # the wrong quantity
        *("Coolant pressure (kPa)", "Coolant level", "Ambient pressure (kPa)", "Defrost (%)"),
        *("Outlet air flow (kg/s)", "Outlet humidity (%)"),
        # derived figures
        *("Average speed (km/h)", "Target cabin temperature", "Max outlet"),
    ],
)
def test_names_that_tell_nothing(name: str):
    assert point_of(name) is None


def test_a_unit_of_another_quantity_rules_a_point_out():
    assert propose([(1, "Outlet", "kPa")])[0].point is None
    assert propose([(1, "Outlet", "mV")])[0].point == "outlet"
    assert propose([(1, "Outlet", "furlong/week")])[0].confidence != "sure"


def test_every_point_is_known_by_its_own_name():
    for point in POINTS:
        assert point_of(point) == point_of(point.upper()) == point


def test_rivals_leave_a_point_unknown():
    rivals = named("Outlet left", "Outlet right", "Vacuum a", "Vacuum b")
    assert {proposal.point for proposal in rivals.values()} == {None}
    assert "so does 'Outlet right'" in rivals["Outlet left"].reason


def test_the_sure_one_of_two_rivals_wins():
    rivals = named("Coolant", "ECT", "Floor outlet", "outlet")
    assert rivals["ECT"].point == "engine_coolant"
    assert rivals["Coolant"].point is None
    assert rivals["outlet"].point == "outlet"
    assert rivals["Floor outlet"].point is None


def test_out_and_in_are_read_by_what_the_other_columns_leave():
    found = named("T_out", "T_in", "T_amb", "T_feet")
    assert {name: proposal.point for name, proposal in found.items()} == {
        "T_out": "outlet",
        "T_in": "inlet_air",
        "T_amb": "ambient",
        "T_feet": "footwell",
    }
    assert found["T_out"].confidence == found["T_in"].confidence == "likely"
    # without the outside, T_out may be the outside
    assert named("T_out", "T_in")["T_out"].point is None
    assert named("Speed", "RPM")["Speed"].point == "road_speed"


def test_numbers_in_the_cells_play_no_part(tmp_path: Path):
    texts = []
    for scale in (1, 1000):
        path = tmp_path / f"{scale}.csv"
        rows = "".join(f"{at},{20 * scale}.5,{80 * scale}.5\n" for at in range(9))
        path.write_text("Time s,Outlet,Coolant in\n" + rows, "utf-8")
        texts.append(draft_setup(path).text.replace(path.name, "log.csv"))
    assert texts[0] == texts[1]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("Kühlmittel-Temp.", ["kuehlmittel", "temp"]),
        ("TOutletFloor [°C]", ["t", "outlet", "floor"]),
        ("Température extérieure (°C)", ["temperature", "exterieure"]),
        ("VAC_src2", ["vac", "src"]),
        ("", []),
    ],
)
def test_words_of_a_name(name: str, words: list[str]):
    assert words_of(name) == words


# ---------------------------------------------------------------- what lies beside the log

LOG = "t [s],Outlet [degC]\n0,20.5\n1,20.6\n2,20.7\n"
EVENTS = "time,control,position\n0,temp_lever,100\n"


@pytest.mark.parametrize(
    ("files", "named"),
    [
        ({"events.csv": EVENTS}, "events.csv"),
        ({"Events.CSV": EVENTS}, "Events.CSV"),
        ({"events_monday.csv": EVENTS}, "events_monday.csv"),
        ({"events.csv": EVENTS, "events_old.csv": EVENTS}, "events.csv"),
        ({"events_monday.csv": "town,when\nSaltmarsh,noon\n"}, None),
        ({"events_a.csv": EVENTS, "events_b.csv": EVENTS}, None),
        ({"notes.csv": EVENTS}, None),
    ],
)
def test_an_events_file_beside_the_log_is_named(
    tmp_path: Path, files: dict[str, str], named: str | None
):
    for name, text in {"log.csv": LOG, **files}.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    events = parse_setup(draft_setup(tmp_path / "log.csv").text).events
    assert (events.file if events else None) == named


def test_an_events_file_in_utf_16_is_known_too(tmp_path: Path):
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    (tmp_path / "events_1.csv").write_text(EVENTS, encoding="utf-16")
    assert 'file = "events_1.csv"' in draft_setup(tmp_path / "log.csv").text


def test_a_log_that_is_not_there_is_said_without_advice_on_run_toml(tmp_path: Path):
    with pytest.raises(UnusableRun) as caught:
        draft_setup(tmp_path / "nope.csv")
    assert "no such file" in str(caught.value)
    assert "run.toml" not in str(caught.value)


def test_a_date_and_a_time_column_that_may_be_read_two_ways(tmp_path: Path):
    rows = "".join(f"03/04/2026,10:00:0{s},20.{s}\n" for s in range(5))
    (tmp_path / "log.csv").write_text(f"Date,Time,Outlet [degC]\n{rows}", encoding="utf-8")
    text = draft_setup(tmp_path / "log.csv").text
    assert 'time = { columns = ["Date", "Time"], format = "%d/%m/%Y %H:%M:%S" }' in text
    assert 'time = { columns = ["Date", "Time"], format = "%m/%d/%Y %H:%M:%S" }' in text
    assert 'column = "..."' not in text


def test_a_column_without_a_reading_claims_no_point(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = "".join(f"{row},{20 + row / 10},,---\n" for row in range(30))
    path.write_text("t [s],Outlet [degC],Ambient [degC],Cabin [degC]\n" + rows, encoding="utf-8")
    drafted = draft_setup(path)
    assert {each.name: each.point for each in drafted.proposals} == {
        "Outlet [degC]": "outlet",
        "Ambient [degC]": None,
        "Cabin [degC]": None,
    }
    assert drafted.text.count("it holds no reading") == 2


@pytest.mark.parametrize(
    ("name", "point"),
    [
        ("Coolant heater outlet", "coolant_in"),
        ("Standheizung Ausgang", "coolant_in"),
        ("Heater coolant outlet", "coolant_out"),
        ("Coolant heater inlet", None),
        ("Coolant heater", None),
        ("Heater core temperature", None),
        ("Outlet 20 cm from core", None),
    ],
)
def test_a_coolant_heater_is_no_heater_of_the_car(name: str, point: str | None) -> None:
    (found,) = propose([(1, name, "degC")])
    assert found.point == point
    if point == "coolant_in":
        assert found.confidence == "likely"


@pytest.mark.parametrize("unit", ["[0.1 °C]", "(1/10 °C)", "[°C x 10]", "(0,1 K)"])
def test_a_unit_with_a_factor_is_asked_for(unit: str, tmp_path: Path) -> None:
    """Tenths of a degree read as degrees would be wrong in silence."""
    log = tmp_path / "log.csv"
    rows = "".join(f'{at},{200 + at},"-52"\n' for at in range(20))
    log.write_text(f'"Elapsed [s]","Outlet {unit}","Ambient {unit}"\n{rows}', encoding="utf-8")
    drafted = draft_setup(log)
    assert {each.unit for each in drafted.proposals if each.point} <= {None, unit[1:-1]}
    (tmp_path / "run.toml").write_text(drafted.text, encoding="utf-8")
    with pytest.raises(UnusableRun, match=r"no unit|no channel"):
        load_run(tmp_path)
