"""Runs on URLs: the same documents as from a folder, and one wrong run is one error."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.limits import default_limits
from dashboard.jobs import Job, documents
from dashboard.places import expand
from ingest.errors import UnusableRun
from ingest.load.remote import RemoteRun, at_hand
from ingest.store.many import Task, add_many
from ingest.store.read import runs
from ingest.store.store import Store
from ingest.work.outcome import HERE, Workers
from tests.support.run_folders import write_run
from tests.support.stores import make_place, outcome_of, versions_for

fsspec = pytest.importorskip("fsspec")

ROOT = Path(__file__).parents[3]
NAMES = ("SC-014-complaint", "SC-019-complaint")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two good runs, one with a check sheet, and a wrong one between them."""
    made = tmp_path_factory.mktemp("logs") / "2026"
    for name in NAMES:
        shutil.copytree(ROOT / "sample_logs" / name, made / name)
    sheet = "time,check,found,remark\n2026-01-15T10:00:00,cable_adjustment,yes,short\n"
    (made / NAMES[0] / "checks.csv").write_text(sheet, encoding="utf-8")
    write_run(made / "SC-015-wrong", setup="[run]\n")
    return made


@pytest.fixture(scope="module")
def bucket(folder: Path) -> Iterator[str]:
    """The folder in the object storage that a moto server plays, through its real interface."""
    server_of = pytest.importorskip("moto.server").ThreadedMotoServer
    pytest.importorskip("s3fs")
    server = server_of(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ACCESS_KEY_ID", "nobody")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "nothing")
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        patch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
        store = fsspec.filesystem("s3")
        store.mkdir("logs")
        store.put(f"{folder}/", "logs/2026/", recursive=True)
        yield "s3://logs/2026"
    server.stop()


@pytest.fixture(scope="module")
def archive(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("zip") / "2026.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        for each in sorted(folder.rglob("*")):
            made.write(each, each.relative_to(folder.parent))
    return f"zip://2026::file://{path}"


@pytest.fixture(params=["file", "zip", "memory", "s3"])
def url(request: pytest.FixtureRequest, folder: Path) -> str:
    if request.param == "file":
        return f"file://{folder}"
    if request.param == "memory":
        fsspec.filesystem("memory").put(f"{folder}/", "/2026/", recursive=True)
        return "memory://2026"
    return str(request.getfixturevalue({"zip": "archive", "s3": "bucket"}[request.param]))


def test_documents_are_those_of_the_folder(url: str, folder: Path) -> None:
    job = Job(None, default_limits(), None)
    local = [each for _, each in documents(sorted(folder.iterdir()), job)]
    places = expand([url])
    assert [place.name for place in places] == sorted([*NAMES, "SC-015-wrong"])
    far = [each for _, each in documents(places, job)]
    assert far == local
    assert ["error" in each for each in far] == [False, True, False]


def test_processes_fetch_for_themselves(archive: str, folder: Path) -> None:
    job = Job(None, default_limits(), None)
    here = [each for _, each in documents(sorted(folder.iterdir()), job)]
    assert [each for _, each in documents(expand([archive]), job, Workers(jobs=2))] == here


def test_one_run_a_pattern_and_a_log_with_its_setup(folder: Path) -> None:
    one = f"file://{folder / NAMES[0]}"
    assert expand([one]) == [RemoteRun(one)]
    found = expand([f"file://{folder}/SC-01*-complaint"])
    assert [place.name for place in found] == list(NAMES)
    log, setup = RemoteRun(f"{one}/log.csv"), folder / NAMES[0] / "run.toml"
    with at_hand(log, setup) as local:
        assert local.read_bytes() == (folder / NAMES[0] / "log.csv").read_bytes()
    assert not local.exists()


def test_names_that_lead_out_fetch_nothing(tmp_path: Path) -> None:
    (tmp_path / "secret.csv").write_text("secret", encoding="utf-8")
    place = write_run(tmp_path / "run")
    text = (place / "run.toml").read_text(encoding="utf-8")
    (place / "run.toml").write_text(text.replace("log.csv", "../secret.csv"), encoding="utf-8")
    job = Job(None, default_limits(), None)
    ((_, told),) = documents([RemoteRun(f"file://{place}")], job)
    assert "leads out of the run folder" in " ".join(told["error"])


@pytest.mark.parametrize(
    "wrong", ["file:///nowhere/at/all", "zip://x::file:///nowhere.zip", "gopher://logs/2026"]
)
def test_a_url_with_nothing_there_is_one_line(wrong: str) -> None:
    job = Job(None, default_limits(), None)
    try:
        ((_, told),) = documents(expand([wrong]), job)
        lines = told["error"]
    except UnusableRun as error:
        lines = str(error).splitlines()
    assert len(lines) == 1
    assert wrong in lines[0]


def test_a_store_takes_runs_from_object_storage(tmp_path: Path, bucket: str) -> None:
    places = [make_place(tmp_path / f"SC-{n}", f"SC-{n}", n) for n in range(3)]
    for place in places:
        fsspec.filesystem("s3").put(f"{place}/", f"logs/more/{place.name}/", recursive=True)
    fsspec.filesystem("s3").invalidate_cache()
    del bucket
    task = Task(tmp_path / "store", None, outcome_of, versions_for)
    found = list(add_many(task, expand(["s3://logs/more"]), HERE))
    assert [each.new for each in found] == [True] * 3
    again = list(add_many(task, places, HERE))
    assert [each.new for each in again] == [False] * 3
    store = Store.open(tmp_path / "store")
    assert sorted(runs(store)["name"]) == ["SC-0", "SC-1", "SC-2"]
    store.close()
