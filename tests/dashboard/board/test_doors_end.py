"""A board that is ended takes its temporary folders with it, whatever it is at."""

from __future__ import annotations

import base64
import json
import os
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from tests.support.board_runs import ROOT, SAMPLES

FOLDER = SAMPLES / "SC-001-baseline"


def ask(url: str, body: dict[str, Any] | None = None) -> Any:
    request = urllib.request.Request(  # noqa: S310
        url,
        None if body is None else json.dumps(body).encode(),
        {"Content-Type": "application/json"},
    )
    with urllib.request.urlopen(request) as answer:  # noqa: S310
        return json.load(answer)


def drop(url: str) -> str:
    """Drop a run folder's files as the page does; gives the token of what was analyzed."""
    (found,) = [
        each for each in ask(f"{url}_dash-dependencies") if "drop-token.data" in each["output"]
    ]
    outputs = [
        {"id": each.rpartition(".")[0], "property": each.rpartition(".")[2]}
        for each in found["output"].strip(".").split("...")
    ]
    files = list(FOLDER.iterdir())
    texts = [f"data:;base64,{base64.b64encode(path.read_bytes()).decode()}" for path in files]
    body = {
        "output": found["output"],
        "outputs": outputs,
        "inputs": [{"id": "drop-files", "property": "contents", "value": texts}],
        "state": [
            {"id": "drop-files", "property": "filename", "value": [path.name for path in files]}
        ],
        "changedPropIds": ["drop-files.contents"],
    }
    return str(ask(f"{url}_dash-update-component", body)["response"]["drop-token"]["data"])


@pytest.mark.skipif(os.name != "posix", reason="other systems end a process without a word")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_nothing_is_left_behind(tmp_path: Path, number: signal.Signals) -> None:
    command = [sys.executable, "-m", "lukewarm", "board", str(FOLDER), "--port", "0"]
    with subprocess.Popen(
        command, cwd=ROOT, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"TMPDIR": str(tmp_path)},
    ) as process:  # fmt: skip
        try:
            assert process.stderr is not None
            line = next(line for line in process.stderr if "the board is at" in line)
            url = line.split()[4].rstrip(";")
            assert drop(url).startswith("u-")
            assert any(path.name.startswith("lukewarm-") for path in tmp_path.iterdir())
            process.send_signal(number)
            _, said = process.communicate(timeout=60)
        finally:
            process.kill()
    assert process.returncode == 0
    assert "Traceback" not in said
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith("lukewarm-")] == []
