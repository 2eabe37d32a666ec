"""Speed of mV to °C with a cold junction for each sample, as a multiple of numpy.copyto.

Run it from the project's folder with ``python benchmarks/conversion.py``.
"""

from __future__ import annotations

import sys
import time
import timeit
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from ingest.sensors.thermocouple import emf, temperature

SAMPLES = 10_000_000
REPEATS = 7


def best(action: Callable[[], object]) -> float:
    """Shortest of several runs, s."""
    return min(timeit.repeat(action, number=1, repeat=REPEATS))


def main() -> None:
    random = np.random.default_rng(1)
    seconds = np.arange(SAMPLES) / 1000.0
    cold_junction = 23.0 + 2.0 * np.sin(seconds / 900.0) + random.normal(0.0, 0.02, SAMPLES)
    cases = {
        "heater outlet, type K": ("K", 40.0 + 30.0 * np.sin(seconds / 60.0)),
        "heater outlet, type T": ("T", 40.0 + 30.0 * np.sin(seconds / 60.0)),
        "anywhere in range, type K": ("K", random.uniform(-270.0, 1372.0, SAMPLES)),
    }
    target = np.empty(SAMPLES)
    copy = best(lambda: np.copyto(target, cold_junction))
    print(f"numpy.copyto of {SAMPLES:,} float64: {1e3 * copy:.1f} ms")
    for name, (letter, truth) in cases.items():
        voltage = emf(letter, truth) - emf(letter, cold_junction)
        begin = time.perf_counter()
        result = temperature(letter, voltage, cold_junction)
        first = time.perf_counter() - begin
        worst = float(np.abs(result - truth).max())
        spent = best(lambda v=voltage, x=letter: temperature(x, v, cold_junction))
        print(
            f"{name}: {1e3 * spent:.1f} ms = {spent / copy:.1f} x copyto"
            f" (first call {first / copy:.1f} x), worst error {1e3 * worst:.3f} mK"
        )


if __name__ == "__main__":
    main()
