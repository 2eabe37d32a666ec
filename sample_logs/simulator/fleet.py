"""The sample runs: which cars, what is wrong with them, who logged them and how."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone

from sample_logs.simulator import dialects
from sample_logs.simulator.dialects import Dialect
from sample_logs.simulator.families import draw_car
from sample_logs.simulator.faults import Case, with_fault
from sample_logs.simulator.protocol import Protocol, full_test, road_test, short_test, sloppy_test
from sample_logs.simulator.sensors import SensorSet, standard_sensors

WINTER = timezone(timedelta(hours=-5))
PLANS = {"full": full_test, "short": short_test, "sloppy": sloppy_test}


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample run.

    Parameters
    ----------
    folder
        Its folder's name.
    vehicle, family
        Which car; its seed is its number, so that a car is the same in all its runs.
    dialect
        Who wrote the log.
    plan
        ``full``, ``short``, ``sloppy`` or ``road``.
    day
        Day of January 2026, seven in the morning and some.
    ambient
        Outside temperature, °C.
    purpose
        As in the set-up.
    cause, severity, variant
        What is wrong.
    drop
        Measuring points not logged.
    rate_hz
        Samples a second.
    """

    folder: str
    vehicle: str
    family: str
    dialect: Dialect
    plan: str = "full"
    day: int = 12
    ambient: float = -4.0
    purpose: str = "complaint"
    cause: str = "healthy"
    severity: float = 0.0
    variant: str = ""
    drop: tuple[str, ...] = ()
    rate_hz: float = 1.0

    @property
    def number(self) -> int:
        """Number of the vehicle, SC-014 is 14."""
        return int(self.vehicle.removeprefix("SC-"))

    @property
    def started(self) -> datetime:
        """Wall clock of the log's first sample."""
        minute = (7 * self.number) % 50
        return datetime(2026, 1, self.day, 7, minute, 0, tzinfo=WINTER)

    def case(self) -> Case:
        """The car, the plan and the sensors, fault put in."""
        car = draw_car(self.family, self.vehicle, self.number)
        protocol: Protocol
        if self.plan == "road":
            protocol = road_test(ambient=self.ambient)
        else:
            protocol = PLANS[self.plan](car.heater, ambient=self.ambient)
        return with_fault(
            car,
            protocol,
            self._sensors(),
            self.cause,
            self.severity,
            seed=self.number,
            variant=self.variant,
        )

    def _sensors(self) -> SensorSet:
        # some of the shop's thermocouples are of the better class
        grade = 1 if self.number % 3 == 0 else 2
        letter = "T" if self.dialect is dialects.BARE else "K"
        sensors = standard_sensors(rate_hz=self.rate_hz, letter=letter, grade=grade, drop=self.drop)
        return replace(sensors, jitter=0.05 if self.dialect is dialects.BARE else 0.0)


FEW_POINTS = ("outlet_defrost", "cabin", "vacuum_actuator", "blower_voltage")
NO_VACUUM = ("vacuum_source", "vacuum_actuator")

SAMPLES: tuple[Sample, ...] = (
    # known good cars, the families' baselines
    Sample("SC-001-baseline", "SC-001", "Plover", dialects.PLAIN, "full", 5, -6, "baseline"),
    Sample("SC-002-baseline", "SC-002", "Plover", dialects.MILLIVOLTS, "full", 5, -5, "baseline"),
    Sample("SC-003-baseline", "SC-003", "Plover", dialects.WIDE_TEXT, "full", 6, -2, "baseline"),
    Sample("SC-004-baseline", "SC-004", "Plover", dialects.BARE, "full", 6, -1, "baseline"),
    Sample("SC-005-baseline", "SC-005", "Plover", dialects.PLAIN, "short", 7, 2, "baseline"),
    Sample("SC-041-baseline", "SC-041", "Dunlin", dialects.PLAIN, "full", 7, 0, "baseline"),
    Sample(
        "SC-042-baseline", "SC-042", "Dunlin", dialects.DATE_AND_TIME, "full", 8, -3, "baseline"
    ),
    Sample("SC-043-baseline", "SC-043", "Dunlin", dialects.MILLISECONDS, "full", 8, -3, "baseline"),
    Sample("SC-071-baseline", "SC-071", "Curlew", dialects.PLAIN, "full", 9, -7, "baseline"),
    Sample("SC-072-baseline", "SC-072", "Curlew", dialects.MILLIVOLTS, "full", 9, -6, "baseline"),
    Sample("SC-073-baseline", "SC-073", "Curlew", dialects.TWELVE_HOUR, "full", 10, 1, "baseline"),
    # complaints
    Sample(
        "SC-014-complaint", "SC-014", "Plover", dialects.MILLIVOLTS, "full", 14, -8, "complaint",
        "lever_short_of_hot", 0.65, rate_hz=2.0,
    ),
    Sample(
        "SC-014-after-repair", "SC-014", "Plover", dialects.MILLIVOLTS, "full", 15, -5,
        "after-repair", rate_hz=2.0,
    ),
    Sample(
        "SC-017-complaint", "SC-017", "Plover", dialects.COMMA_FAHRENHEIT, "full", 14, -9,
        cause="thermostat_opens_low", severity=0.5,
    ),
    Sample(
        "SC-019-complaint", "SC-019", "Plover", dialects.PLAIN, "road", 15, -4,
        cause="cold_leak_in_body", severity=0.7, drop=NO_VACUUM,
    ),
    Sample(
        "SC-022-complaint", "SC-022", "Plover", dialects.ONE_READING_A_ROW, "full", 16, -3,
        cause="cold_leak_in_case", severity=0.6, drop=FEW_POINTS,
    ),
    Sample(
        "SC-025-complaint", "SC-025", "Plover", dialects.WIDE_TEXT, "short", 16, 0,
        cause="sensor_fault", severity=0.8, variant="fell off",
    ),
    Sample(
        "SC-028-complaint", "SC-028", "Plover", dialects.TWELVE_HOUR, "sloppy", 19, -2,
        cause="control_use", severity=0.6, variant="defrost on", drop=FEW_POINTS,
    ),
    Sample(
        "SC-046-complaint", "SC-046", "Dunlin", dialects.DATE_AND_TIME, "full", 19, -10,
        cause="hoses_reversed", severity=0.6,
    ),
    Sample(
        "SC-048-complaint", "SC-048", "Dunlin", dialects.COMMA_FAHRENHEIT, "short", 20, -6,
        cause="low_core_flow", severity=0.6, variant="low coolant",
    ),
    Sample(
        "SC-051-complaint", "SC-051", "Dunlin", dialects.MILLISECONDS, "full", 21, -5,
        cause="lever_short_of_cold", severity=0.5, drop=NO_VACUUM,
    ),
    Sample(
        "SC-075-complaint", "SC-075", "Curlew", dialects.BARE, "full", 21, -4,
        cause="vacuum_leak", severity=0.9,
    ),
    Sample(
        "SC-077-complaint", "SC-077", "Curlew", dialects.ONE_READING_A_ROW, "short", 22, -1,
        cause="weak_airflow", severity=0.6, variant="blower",
    ),
    Sample(
        "SC-078-complaint", "SC-078", "Curlew", dialects.PLAIN, "full", 22, -2,
        cause="actuator_hoses_crossed", severity=0.7, variant="lever",
    ),
)  # fmt: skip
"""In the order they are written; folders sort by vehicle."""
