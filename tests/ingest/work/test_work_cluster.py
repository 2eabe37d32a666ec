"""The same work on two workers of a real Dask scheduler on this machine."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.errors import UnusableRun
from ingest.work.each import in_order
from ingest.work.outcome import Failed, Workers
from tests.support.stored import odd_work

distributed = pytest.importorskip("distributed")

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[3]
ITEMS = list(range(12))


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a scheduler with two workers, each a program of its own as on other machines."""
    folder = tmp_path_factory.mktemp("dask")
    told = folder / "scheduler.json"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    common = ["--scheduler-file", str(told)]
    dask = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--port", "0"]
    programs = [
        subprocess.Popen(
            [*dask, "--no-dashboard", *common], cwd=folder, env=environment,
            stderr=subprocess.DEVNULL,
        )
    ]  # fmt: skip
    while not told.exists():
        assert programs[0].poll() is None
        time.sleep(0.05)
    programs += [
        subprocess.Popen(
            [
                sys.executable, "-m", "distributed.cli.dask_worker", "--nthreads", "1",
                "--no-dashboard", "--local-directory", str(folder / str(number)), *common,
            ],
            cwd=folder, env=environment, stderr=subprocess.DEVNULL,
        )
        for number in range(2)
    ]  # fmt: skip
    yield json.loads(told.read_text(encoding="utf-8"))["address"]
    for program in reversed(programs):
        program.terminate()
        program.wait()


def test_values_come_in_the_order_of_the_items(scheduler: str) -> None:
    found = list(in_order(odd_work.square, ITEMS, Workers(cluster=scheduler)))
    assert found == [(n, n * n) for n in ITEMS]


def test_a_hanging_a_stumbling_and_a_deadly_item_cost_themselves_alone(
    scheduler: str, tmp_path: Path
) -> None:
    works = {
        "no answer within 5 s": odd_work.hang,
        "ZeroDivisionError: no such luck": odd_work.stumble,
        "its process was ended": odd_work.KillsItself(tmp_path, times=99),
    }
    for said, work in works.items():
        found = dict(in_order(work, ITEMS, Workers(cluster=scheduler, limit_s=5.0)))
        failed = found.pop(3)
        assert isinstance(failed, Failed)
        assert said in failed.found
        assert found == {n: n for n in ITEMS if n != 3}


def test_a_worker_that_is_killed_costs_nothing(scheduler: str) -> None:
    with distributed.Client(scheduler, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=120)  # those that ended just now are started again
        victim = sorted(client.run(os.getpid).values())[0]
    found = []
    for item, value in in_order(odd_work.square, range(200), Workers(cluster=scheduler)):
        found.append((item, value))
        if item == 20:
            os.kill(victim, signal.SIGKILL)
    assert found == [(n, n * n) for n in range(200)]


def test_documents_are_those_of_one_process(scheduler: str) -> None:
    from analysis.limits import default_limits
    from dashboard.jobs import Job, documents
    from ingest.load.load import run_folders

    places = [*run_folders(ROOT / "sample_logs")[:6], Path("nowhere")]
    job = Job(None, default_limits(), None)
    here = list(documents(places, job))
    assert list(documents(places, job, Workers(cluster=scheduler))) == here
    assert list(documents(places, job, Workers(jobs=2))) == here
    assert [place for place, each in here if "error" in each] == [Path("nowhere")]


def test_an_address_where_nobody_answers_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.work.cluster.ANSWERS_IN_S", 0.5)
    with pytest.raises(UnusableRun, match="no scheduler that answers") as refused:
        list(in_order(odd_work.square, ITEMS, Workers(cluster="tcp://127.0.0.1:1")))
    assert len(refused.value.faults) == 1


def test_without_dask_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UnusableRun, match=r"pip install 'lukewarm\[cluster\]'"):
        list(in_order(odd_work.square, ITEMS, Workers(cluster="tcp://127.0.0.1:8786")))
