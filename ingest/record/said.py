"""What a recorder says: the cautions before it, the ports during it, the sums after it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ingest.record.test_plan import bench_plan_text, parse_plan
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.record.wire.count import Counters
    from ingest.run import Finding
    from ingest.setup.model import Setup

CAUTIONS: Final = (
    "On the road a second person operates the laptop; the driver drives and touches no control.",
    "At a standstill: park or neutral, parking brake on, before the engine is started or revved.",
    "Coolant is hot and under pressure, and hoses burn: fit clip-on sensors to a cold engine.",
    "Keep hands, sleeves and wires clear of fans and belts; an electric fan may start by itself.",
    "With the engine running indoors, lead the exhaust gas away.",
    "Route wires clear of pedals, belts, steering and the covers of air bags; nothing loose. Leave "
    "the air bags' connectors as they are.",
    "The rules of the road and of the shop, and licensed practice, come first.",
)
"""Shown before a recording starts (common practice, no source)."""

REFRIGERANT: Final = (
    "The air conditioning holds refrigerant under pressure: it freezes skin and eyes. Open none of "
    "its lines; that is licensed work."
)


def cautions_for(setup: Setup) -> tuple[str, ...]:
    """The cautions of a recording: of the part on the bench, or of a car with this heater."""
    if setup.bench is not None:
        return parse_plan(bench_plan_text(setup.bench)).cautions
    return (*CAUTIONS, REFRIGERANT) if setup.run.heater == "combined" else CAUTIONS


@dataclass(frozen=True, slots=True)
class PortState:
    """How a port is doing; times on the recording's clock, s."""

    name: str
    url: str | None
    state: str
    last_byte_host_s: float
    reason: str


@dataclass(frozen=True)
class Summary:
    """What is said when a recording ends."""

    counters: Counters
    findings: tuple[Finding, ...]
    duration_s: float
    failure: str | None
