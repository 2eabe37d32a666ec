"""A run assessed in one process is judged alike in another that assessed none."""

from __future__ import annotations

import json
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np

from analysis.findings import all_findings
from analysis.pipeline import measure
from ingest.findings import doubts_sensor
from tests.support.signals.runs import make_run

ROOT = Path(__file__).parents[4]

JUDGE = """
import json, pickle, sys
from analysis.pipeline import judge_measured
from ingest.findings import doubts_sensor
found = judge_measured(pickle.loads(open(sys.argv[1], "rb").read()))
print(json.dumps([name for name in sys.argv[2:] if doubts_sensor(name)]))
"""


def test_what_doubts_a_sensor_is_known_in_another_process(tmp_path: Path) -> None:
    time = np.arange(0.0, 300.0)
    measured = measure(make_run(time, {"outlet": np.full(300, 40.0), "ambient": np.zeros(300)}))
    doubting = [name for name in all_findings() if doubts_sensor(name)]
    assert len(doubting) > 5
    place = tmp_path / "measured.pickle"
    place.write_bytes(pickle.dumps(measured))
    done = subprocess.run(
        [sys.executable, "-c", JUDGE, str(place), *doubting],
        cwd=ROOT, capture_output=True, check=True,
    )  # fmt: skip
    assert json.loads(done.stdout) == doubting
