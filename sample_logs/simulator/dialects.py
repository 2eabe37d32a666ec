"""How loggers write: the dialects of the sample logs.

A dialect says everything about the text of a log and nothing about the car: delimiter, decimal
mark, encoding, header, units, how time is written, what stands where there is no reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

TimeStyle = Literal["s", "ms", "hh:mm:ss", "iso8601", "epoch ms", "date and time", "12-hour"]
Temperature = Literal["degC", "degF", "mV"]
Pressure = Literal["kPa", "inHg", "V", "absolute"]
RoadSpeed = Literal["km/h", "mph", "m/s"]


@dataclass(frozen=True, slots=True)
class Dialect:
    """One logger's habits.

    Parameters
    ----------
    name
        For the set-up's `logger`.
    time
        How time is written.
    time_label
        Header of the time column; two, with a bar between, where date and time are apart.
    temperature, pressure, speed
        Units of the readings.
    labels
        Column name by measuring point; points not named are written as they are.
    delimiter, decimal, encoding, newline
        Of the text; `encoding` as Python names it.
    header
        Whether there is a header row.
    units_row
        Whether a row of units stands below it.
    preamble
        Lines before the header.
    quoted
        Whether every cell stands in quotes.
    trailing
        Whether rows end in a delimiter.
    no_reading
        What stands where there is no reading.
    long
        One reading a row instead of one instant a row.
    """

    name: str
    time: TimeStyle = "s"
    time_label: str = "t"
    temperature: Temperature = "degC"
    pressure: Pressure = "kPa"
    speed: RoadSpeed = "km/h"
    labels: Mapping[str, str] = field(default_factory=dict)
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    newline: str = "\n"
    header: bool = True
    units_row: bool = False
    preamble: tuple[str, ...] = ()
    quoted: bool = False
    trailing: bool = False
    no_reading: str = ""
    long: bool = False

    def label(self, point: str) -> str:
        """Column name of a measuring point."""
        return self.labels.get(point, point)


_WORDS = {
    "outlet": "Floor outlet",
    "outlet_defrost": "Windshield outlet",
    "ambient": "Outside air",
    "inlet_air": "Cowl air",
    "coolant_in": "Supply hose",
    "coolant_out": "Return hose",
    "engine_coolant": "Engine coolant",
    "footwell": "Right footwell",
    "cabin": "Cabin head height",
    "cold_junction": "Terminal block",
    "vacuum_source": "Reservoir vacuum",
    "vacuum_actuator": "Deflector vacuum",
    "road_speed": "Road speed",
    "engine_speed": "Engine speed",
    "blower_voltage": "Blower",
}

_CHANNELS = {
    "outlet": "CH1",
    "outlet_defrost": "CH2",
    "ambient": "CH3",
    "inlet_air": "CH4",
    "coolant_in": "CH5",
    "coolant_out": "CH6",
    "footwell": "CH7",
    "cabin": "CH8",
    "cold_junction": "CJ",
    "engine_coolant": "ECT",
    "vacuum_source": "VAC1",
    "vacuum_actuator": "VAC2",
    "road_speed": "SPD",
    "engine_speed": "RPM",
    "blower_voltage": "BLW",
}

_SHORT = {
    "outlet": "T_out",
    "outlet_defrost": "T_def",
    "ambient": "T_amb",
    "inlet_air": "T_in",
    "coolant_in": "T_hose1",
    "coolant_out": "T_hose2",
    "engine_coolant": "T_eng",
    "footwell": "T_feet",
    "cabin": "T_cab",
    "cold_junction": "T_term",
    "vacuum_source": "p_res",
    "vacuum_actuator": "p_act",
    "road_speed": "v",
    "engine_speed": "n",
    "blower_voltage": "U_blow",
}

PLAIN = Dialect("bench logger, plain")

MILLIVOLTS = Dialect(
    "eight-channel millivolt logger",
    temperature="mV",
    pressure="V",
    labels={point: f"{name} (mV)" for point, name in _CHANNELS.items() if name[:2] == "CH"}
    | {point: name for point, name in _CHANNELS.items() if name[:2] != "CH"},
    units_row=True,
    preamble=("Logger serial 0417", "Input range 80 mV", "Reference internal", ""),
    time_label="Elapsed",
    no_reading="OVER",
    newline="\r\n",
)

COMMA_FAHRENHEIT = Dialect(
    "shop laptop, continental keyboard",
    time="iso8601",
    time_label="Timestamp",
    temperature="degF",
    pressure="inHg",
    speed="mph",
    labels={
        point: f"{name} (°F)"
        for point, name in _WORDS.items()
        if point.startswith(("out", "amb", "inl", "cool", "eng", "foot", "cab", "cold"))
        and point != "engine_speed"
    }
    | {
        "vacuum_source": "Reservoir vacuum (inHg)",
        "vacuum_actuator": "Deflector vacuum (inHg)",
        "road_speed": "Road speed (mph)",
        "engine_speed": "Engine speed (rpm)",
        "blower_voltage": "Blower (V)",
    },
    delimiter=";",
    decimal=",",
    encoding="utf-8-sig",
    no_reading="---",
)

WIDE_TEXT = Dialect(
    "handheld, saved as text",
    time="hh:mm:ss",
    time_label="Elapsed time",
    labels=_WORDS,
    delimiter="\t",
    encoding="utf-16",
    newline="\r\n",
    units_row=True,
    no_reading="OL",
)

ONE_READING_A_ROW = Dialect(
    "bus reader, one reading a row",
    time_label="second",
    speed="km/h",
    labels=_SHORT,
    delimiter=";",
    quoted=True,
    long=True,
    no_reading="n/a",
)

BARE = Dialect(
    "home-made logger",
    time="epoch ms",
    header=False,
    trailing=True,
    speed="m/s",
    no_reading="-9999",
)

DATE_AND_TIME = Dialect(
    "data station",
    time="date and time",
    time_label="Date|Time",
    labels={point: f"{name} [°C]" for point, name in _SHORT.items() if name.startswith("T_")}
    | {
        "vacuum_source": "p_res [kPa abs]",
        "vacuum_actuator": "p_act [kPa abs]",
        "road_speed": "v [km/h]",
        "engine_speed": "n [1/min]",
        "blower_voltage": "U_blow [V]",
    },
    pressure="absolute",
    delimiter=";",
    decimal=",",
    encoding="latin-1",
    preamble=("Station 3; Messung Heizung", "Kanäle;15"),
    newline="\r\n",
)

TWELVE_HOUR = Dialect(
    "office spreadsheet",
    time="12-hour",
    time_label="Date/Time",
    temperature="degF",
    pressure="inHg",
    speed="mph",
    labels={point: name.lower() for point, name in _WORDS.items()},
    quoted=True,
    no_reading="#N/A",
)

MILLISECONDS = Dialect(
    "bench logger, pipes",
    time="ms",
    time_label="ms",
    labels=_SHORT,
    delimiter="|",
    no_reading="OPEN",
)
