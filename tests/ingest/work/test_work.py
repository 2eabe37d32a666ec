"""One function over many items: in order, whoever does it, and no item costs another one."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ingest.work.each import FEW, in_order
from ingest.work.outcome import Failed, Workers
from tests.support import odd_work

ROOT = Path(__file__).parents[3]
ITEMS = list(range(12))


@pytest.mark.parametrize("workers", [Workers(), Workers(jobs=2), Workers(jobs=3, limit_s=60.0)])
def test_values_come_in_the_order_of_the_items(workers: Workers) -> None:
    assert list(in_order(odd_work.square, ITEMS, workers)) == [(n, n * n) for n in ITEMS]


@pytest.mark.parametrize("workers", [Workers(), Workers(jobs=2)])
def test_an_item_that_stumbles_is_named_and_the_others_are_done(workers: Workers) -> None:
    found = dict(in_order(odd_work.stumble, ITEMS, workers))
    failed = found.pop(3)
    assert isinstance(failed, Failed)
    assert "ZeroDivisionError: no such luck" in str(failed.fault(3))
    assert found == {n: n for n in ITEMS if n != 3}


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_item_that_hangs_is_given_up(jobs: int) -> None:
    found = dict(in_order(odd_work.hang, ITEMS, Workers(jobs, limit_s=5.0)))
    failed = found.pop(3)
    assert isinstance(failed, Failed)
    assert failed.found == "no answer within 5 s"
    assert found == {n: n for n in ITEMS if n != 3}


@pytest.mark.parametrize("workers", [Workers(), Workers(jobs=2)])
def test_an_item_that_wants_all_memory_is_named(workers: Workers) -> None:
    found = dict(in_order(odd_work.gorge, ITEMS, workers))
    failed = found.pop(3)
    assert isinstance(failed, Failed)
    assert "memory" in failed.found or "more than" in failed.found
    assert found == {n: n for n in ITEMS if n != 3}


def test_a_process_that_is_killed_is_started_again(tmp_path: Path) -> None:
    work = odd_work.KillsItself(tmp_path, times=2)
    assert list(in_order(work, ITEMS, Workers(jobs=2))) == [(n, n) for n in ITEMS]


def test_an_item_that_always_kills_its_process_is_named(tmp_path: Path) -> None:
    found = dict(in_order(odd_work.KillsItself(tmp_path, times=99), ITEMS, Workers(jobs=2)))
    failed = found.pop(3)
    assert isinstance(failed, Failed)
    assert "its process was ended (3 times, signal 9)" in str(failed.fault(3))
    assert found == {n: n for n in ITEMS if n != 3}


def test_workers_killed_ten_times_from_outside_cost_nothing() -> None:
    items = list(range(200))
    killed = 0
    found = []
    for item, (_, process) in in_order(odd_work.place_and_process, items, Workers(jobs=2)):
        if item % 20 == 10:
            with contextlib.suppress(ProcessLookupError):  # another one's turn already
                os.kill(process, signal.SIGKILL)
                killed += 1
        found.append(item)
    assert found == items
    assert killed >= 1


def test_what_the_work_prints_does_not_get_between_the_answers() -> None:
    assert list(in_order(odd_work.chatter, ITEMS, Workers(jobs=2))) == [(n, n) for n in ITEMS]


def test_processes_stand_where_this_one_does_and_are_as_many_as_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.chdir(tmp_path)
    found = [told for _, told in in_order(odd_work.place_and_process, ITEMS, Workers(jobs=2))]
    assert {place for place, _ in found} == {str(tmp_path)}
    assert len({process for _, process in found}) <= 2
    assert os.getpid() not in {process for _, process in found}


def test_few_items_are_not_worth_a_process() -> None:
    found = in_order(odd_work.place_and_process, range(FEW), Workers(jobs=0))
    assert {process for _, (_, process) in found} == {os.getpid()}


def alive(process: int) -> bool:
    """Whether a process lives; one that is dead and not yet taken off the list does not."""
    try:
        state = Path(f"/proc/{process}/stat").read_text(encoding="ascii")
    except FileNotFoundError:
        return False
    return state.rpartition(")")[2].split()[0] != "Z"


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_processes_end_with_the_one_that_started_them(tmp_path: Path, how: signal.Signals) -> None:
    code = (
        "import sys\nfrom pathlib import Path\nfrom ingest.work.each import in_order\n"
        "from ingest.work.outcome import Workers\nfrom tests.support.odd_work import SaysWho\n"
        "list(in_order(SaysWho(Path(sys.argv[1])), list(range(9)), Workers(jobs=2)))\n"
    )
    program = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], cwd=ROOT, stderr=subprocess.DEVNULL
    )
    while len(list(tmp_path.iterdir())) < 2:
        assert program.poll() is None
        time.sleep(0.05)
    processes = [int(each.name) for each in tmp_path.iterdir()]
    program.send_signal(how)
    assert program.wait(timeout=60) != 0
    while any(alive(process) for process in processes):  # the test's own time limit ends this
        time.sleep(0.05)
