"""``python -m sample_logs.simulator [FOLDER]``: write the sample runs and their true figures.

Without a folder they go to `sample_logs/`. The same version writes the same bytes every time.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from sample_logs.simulator.fleet import SAMPLES, Sample
from sample_logs.simulator.simulate import Simulated, simulate
from sample_logs.simulator.writer import Labels, write_run


def write_samples(root: Path, samples: tuple[Sample, ...] = SAMPLES) -> None:
    """Write run folders below `root`, and beside them `truth.json`."""
    truth = {}
    for sample in samples:
        simulated = run_sample(sample)
        labels = Labels(sample.purpose, sample.started)
        write_run(simulated, root / sample.folder, sample.dialect, labels)
        truth[sample.folder] = _truth(sample, simulated)
    text = json.dumps(truth, indent=1, ensure_ascii=False)
    (root / "truth.json").write_bytes((text + "\n").encode("utf-8"))


def run_sample(sample: Sample) -> Simulated:
    """Simulate one sample run."""
    case = sample.case()
    return simulate(case.car, case.protocol, case.sensors, 1000 * sample.day + sample.number)


def _truth(sample: Sample, simulated: Simulated) -> dict[str, object]:
    return {
        "vehicle": sample.vehicle,
        "family": sample.family,
        "heater": simulated.car.heater,
        "cause": sample.cause,
        "severity": sample.severity,
        "variant": sample.variant or None,
        "cable_offset_pct": round(simulated.cable_offset, 2),
        "event_clock_offset_s": 0.0 - simulated.protocol.note_delay,
        "figures": {
            name: None if value is None else float(f"{value:.5g}")
            for name, value in sorted(simulated.truth.items())
        },
    }


if __name__ == "__main__":
    write_samples(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1])
