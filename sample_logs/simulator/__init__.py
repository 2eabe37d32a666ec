"""A simulator of car heaters, for sample logs, tests and benchmarks. Not part of the analysis.

The physics stands in `car` (the parts and their numbers), `thermal`, `core`, `mixing`, `cable`,
`air` and `vacuum`; what is done to the car in `protocol` and `schedule`; what is measured in
`sensors`; the true figures in `truth`. ``python -m sample_logs.simulator`` writes the sample runs.
"""

from sample_logs.simulator.car import Car
from sample_logs.simulator.protocol import Protocol, Step, full_test, short_test, sloppy_test
from sample_logs.simulator.sensors import SensorFault, SensorSet, SensorSpec, standard_sensors
from sample_logs.simulator.simulate import Simulated, simulate

__all__ = [
    "Car",
    "Protocol",
    "SensorFault",
    "SensorSet",
    "SensorSpec",
    "Simulated",
    "Step",
    "full_test",
    "short_test",
    "simulate",
    "sloppy_test",
    "standard_sensors",
]
