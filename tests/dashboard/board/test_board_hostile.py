"""Dropped files and names that mean harm: nothing runs or leaves its folder, errors say why."""

from __future__ import annotations

import base64
import csv
import gzip
import io
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.board.app import create_app
from dashboard.pages.drop import receive
from dashboard.web.service import Board
from dashboard.web.uploads import MAX_BYTES, MAX_KEPT_EACH, MAX_SETUP, Uploads, check_files, decode
from dashboard.web.workshop import Workshop
from ingest.errors import UnusableRun
from tests.support.board_runs import SAMPLES, MadeSource, made_document
from tests.support.run_folders import EVENTS, log_text, setup_text
from tests.support.sources import write_xlsx

LOG = log_text([f"{row * 0.5:.1f}" for row in range(120)]).encode()
SETUP = setup_text().encode()


class Lasting(Workshop):
    """Processes that outlive the uploads of one test."""

    def close(self) -> None:
        pass


@pytest.fixture(scope="module")
def works() -> Iterator[Workshop]:
    lasting = Lasting()
    yield lasting
    Workshop.close(lasting)


@pytest.fixture
def uploads(works: Workshop) -> Iterator[Uploads]:
    held = Uploads(MadeSource({}, {}), works)
    yield held
    held.close()


def dropped(files: dict[str, bytes]) -> tuple[list[str], list[str]]:
    """Files as a browser sends them."""
    texts = [f"data:text/csv;base64,{base64.b64encode(data).decode()}" for data in files.values()]
    return list(files), texts


def said(uploads: Uploads, files: dict[str, bytes]) -> str:
    """What a visitor is told of files that cannot be used."""
    token, draft, told = receive(uploads, *dropped(files))
    assert token is None
    assert draft is None
    return str(told)


@pytest.mark.parametrize(
    "name",
    [
        "../log.csv", "..\\log.csv", "/etc/cron.d/log", "C:\\log.csv", "a/b.csv", "log.csv\0.txt",
        "", ".", "..", ".hidden", "con", "NUL.csv", "com1.csv", "log.csv.", "log.csv ", "a" * 200,
        "log\n.csv", "~", "$(id).csv", "a:b.csv", "log|x.csv", "<b>.csv",
    ],
)  # fmt: skip
def test_only_plain_names_are_taken(uploads: Uploads, name: str) -> None:
    with pytest.raises(UnusableRun, match="plain file name"):
        uploads.receive({name: LOG})


@pytest.mark.parametrize("name", ["log.csv", "Fahrt vom 3. März (kalt).txt", "a=1+2.csv", "x_y-z"])
def test_plain_names_are_many(name: str) -> None:
    check_files({name: LOG})


@pytest.mark.parametrize("head", [b"BZh9", b"\xfd7zXZ\0", b"7z\xbc\xaf\x27\x1c"])
def test_other_packings_are_not_unpacked(uploads: Uploads, head: bytes) -> None:
    assert "packed file" in said(uploads, {"log.csv": head + b"\0" * 64})


@pytest.mark.parametrize("head", [b"PK\x03\x04", b"\x1f\x8b\x08"])
def test_damaged_archives_are_said(uploads: Uploads, head: bytes) -> None:
    assert "damaged archive" in said(uploads, {"log.csv": head + b"\0" * 64})


def zipped(**files: bytes) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return made.getvalue()


@pytest.mark.parametrize("kind", ["gz", "zip"])
def test_a_packed_log_is_drafted_and_analyzed(uploads: Uploads, kind: str) -> None:
    packed = gzip.compress(LOG) if kind == "gz" else zipped(**{"log.csv": LOG})
    name = f"log.csv.{kind}"
    token, draft, _ = receive(uploads, *dropped({name: packed}))
    assert token is not None
    assert draft is not None
    assert f'file = "{name}"' in draft
    setup = SETUP.replace(b'"log.csv"', f'"{name}"'.encode())
    token, draft, told = receive(uploads, *dropped({"run.toml": setup, name: packed}))
    assert token is not None, told
    assert uploads.document(token) is not None


def test_a_workbook_is_drafted(uploads: Uploads, tmp_path: Path) -> None:
    names = ["time", "outlet"], ["s", "degC"]
    write_xlsx((*names, [[0.0, 0.5, 1.0], [20.0, 20.5, 21.0]]), tmp_path / "log.xlsx")
    _, draft, told = receive(uploads, *dropped({"a.xlsx": (tmp_path / "log.xlsx").read_bytes()}))
    assert draft is not None, told
    assert "[channels.outlet]" in draft


@pytest.mark.parametrize("kind", ["gz", "zip"])
def test_archives_that_unpack_without_end_are_refused(uploads: Uploads, kind: str) -> None:
    """A third of a gibibyte of zeros, a thousandth of it packed (RFC 1951 packs no further)."""
    zeros = bytes(340 << 20)
    bomb = gzip.compress(zeros, 9) if kind == "gz" else zipped(**{"log.csv": zeros})
    assert len(bomb) < 1 << 20
    assert "unpacks to more than" in said(uploads, {f"log.{kind}": bomb})
    setup = SETUP.replace(b'"log.csv"', f'"log.{kind}"'.encode())
    assert "unpacks to more than" in said(uploads, {"run.toml": setup, f"log.{kind}": bomb})


def test_an_archive_in_an_archive_is_refused(uploads: Uploads) -> None:
    assert "archive inside an archive" in said(
        uploads, {"log.gz": gzip.compress(gzip.compress(LOG))}
    )


@pytest.mark.parametrize("inside", ["../../log.csv", "/etc/log.csv", "..", "a/../../b.csv"])
def test_names_inside_an_archive_lead_nowhere(uploads: Uploads, inside: str) -> None:
    token, draft, told = receive(uploads, *dropped({"log.zip": zipped(**{inside: LOG})}))
    assert draft is not None or "archive" in str(told)
    if token is not None:
        there = {path.name for path in uploads._held[token].folder.rglob("*")}
        assert there == {"log.zip"}


def test_a_bus_description_cannot_reach_out(uploads: Uploads) -> None:
    setup = SETUP.replace(b"[log]", b'[log]\ndbc = "../../etc/passwd"')
    assert "leads out" in said(uploads, {"run.toml": setup, "log.csv": LOG})


@pytest.mark.parametrize(
    "file",
    ["../../../../etc/passwd", "/etc/passwd", "C:\\\\Windows\\\\win.ini", "..\\\\x", "b/x"],
)
def test_a_setup_cannot_reach_out(uploads: Uploads, file: str) -> None:
    setup = setup_text().replace('"log.csv"', f'"{file}"').encode()
    told = said(uploads, {"run.toml": setup, "log.csv": LOG})
    assert "run folder" in told
    assert "root:" not in told


def test_an_events_file_cannot_reach_out(uploads: Uploads) -> None:
    setup = setup_text(events=EVENTS.replace("events.csv", "../../etc/passwd")).encode()
    assert "leads out" in said(uploads, {"run.toml": setup, "log.csv": LOG})


def test_where_the_temporary_folder_lies_is_not_told(uploads: Uploads) -> None:
    told = said(uploads, {"run.toml": b"[run", "log.csv": LOG})
    assert "run.toml" in told
    assert "lukewarm-" not in told
    told = said(uploads, {"run.toml": SETUP, "other.csv": LOG})
    assert "no file" in told
    assert "lukewarm-" not in told


def test_ten_thousand_columns_are_drafted_in_bounds(uploads: Uploads) -> None:
    names = ",".join(["Time (s)", *(f"x{each}" for each in range(10_000))])
    row = ",".join(["0"] * 10_001)
    log = "\n".join([names, *(row for _ in range(3))]).encode()
    token, draft, _ = receive(uploads, *dropped({"log.csv": log}))
    assert token
    assert draft is not None
    assert len(draft) < 100_000


@pytest.mark.parametrize(
    "log",
    [
        b'"' * 200_000,
        b"," * 500_000,
        b"\0" * 100_000,
        b"\n" * 500_000,
        b"t,OUT\n" + b"1" * 300_000,
        b"t,OUT\n0,=HYPERLINK(1)\n1,@SUM(1)\n",
        b"\xff\xfe" + b"\x00\xd8" * 1000,
        b"",
    ],
    ids=["quotes", "commas", "nul", "lines", "digits", "formulas", "surrogates", "empty"],
)
def test_no_log_is_more_than_an_error(uploads: Uploads, log: bytes) -> None:
    _, _, told = receive(uploads, *dropped({"run.toml": SETUP, "log.csv": log}))
    assert "These files cannot be used" in str(told)


def test_too_much_is_refused_before_it_is_decoded() -> None:
    with pytest.raises(UnusableRun, match="64 MiB"):
        decode(["log.csv"], ["data:;base64," + "A" * (MAX_BYTES * 4 // 3 + 8192)])
    with pytest.raises(UnusableRun, match="no file"):
        decode(["log.csv"], ["data:;base64,§"])
    with pytest.raises(UnusableRun, match="1 to 6"):
        check_files({f"log{each}.csv": b"" for each in range(7)})
    with pytest.raises(UnusableRun, match="256 KiB"):
        check_files({"run.toml": b"#" * (MAX_SETUP + 1)})


def test_a_typed_setup_is_bounded_and_checked(uploads: Uploads) -> None:
    token = uploads.receive({"log.csv": LOG})
    with pytest.raises(UnusableRun, match="256 KiB"):
        uploads.analyze(token, "#" * (MAX_SETUP + 1))
    with pytest.raises(UnusableRun, match="leads out"):
        uploads.analyze(token, setup_text().replace("log.csv", "../log.csv"))
    uploads.analyze(token, setup_text())
    told = uploads.document(token)
    assert told is not None
    assert told["run"]["vehicle"] == "SC-014"


def test_unknown_tokens_mean_nothing(uploads: Uploads) -> None:
    with pytest.raises(UnusableRun, match="drop the files again"):
        uploads.analyze("u-" + "0" * 32)
    assert uploads.draft("../x") is None
    assert uploads.document("../x") is None


def test_old_uploads_are_forgotten_with_their_files(uploads: Uploads) -> None:
    first = uploads.receive({"log.csv": LOG})
    folder = uploads._held[first].folder
    assert (folder / "log.csv").is_file()
    for _ in range(MAX_KEPT_EACH):
        uploads.receive({"log.csv": LOG})
    assert uploads.draft(first) is None
    assert not folder.exists()


def test_a_dropped_run_is_analyzed_as_any_other(uploads: Uploads) -> None:
    folder = SAMPLES / "SC-017-complaint"
    files = {path.name: path.read_bytes() for path in folder.iterdir()}
    token, draft, _ = receive(uploads, *dropped(files))
    assert token is not None
    assert draft is None
    told = uploads.document(token)
    assert told is not None
    assert told["causes"][0]["cause"] == "thermostat_opens_low"
    readings = uploads.readings(token)
    assert readings is not None
    assert "outlet" in readings.channels


FORMULAS = ["=HYPERLINK(1)", "+1", "-1+1", "@SUM(1)", "\t=1", "\r=1", " =1", "＝1"]


def test_no_cell_of_an_export_is_a_formula() -> None:
    told = {
        f"{place:064x}": made_document(text, text, name=text) for place, text in enumerate(FORMULAS)
    }
    client = create_app(Board(MadeSource(told, {}))).server.test_client()
    answer = client.get("/fleet.csv?figure=steady_outlet_rise")
    rows = list(csv.DictReader(io.StringIO(answer.get_data(as_text=True), newline="")))
    assert len(rows) == len(FORMULAS)
    assert {row["vehicle"] for row in rows} == {f"'{text}" for text in FORMULAS}
    assert {row["value"] for row in rows} == {"46.2"}


@pytest.mark.parametrize(
    "query", ["figure=../x", "text=%00%0d%0aSet-Cookie:x", "%ff%fe", "page=9e9"]
)
def test_an_export_of_anything_is_a_table(query: str) -> None:
    client = create_app(
        Board(MadeSource({"1" * 64: made_document("SC-1")}, {}))
    ).server.test_client()
    answer = client.get(f"/fleet.csv?{query}")
    assert answer.status_code == 200
    assert "Set-Cookie" not in answer.headers
    assert "steady_outlet_rise.csv" in answer.headers["Content-Disposition"]
