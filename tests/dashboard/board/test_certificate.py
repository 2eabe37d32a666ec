"""The live page's own certificate: made, kept, renewed; its fingerprint as others compute it."""

from __future__ import annotations

import datetime as dt
import socket
import ssl
import stat
import subprocess
import sys
from pathlib import Path
from shutil import which

import pytest
from cryptography import x509

from dashboard.board import certificate
from dashboard.board.certificate import fingerprint, own_certificate
from dashboard.board.live_page import LivePage, reachable
from dashboard.commands.record import page_serving
from ingest.errors import UnusableRun


def test_it_is_made_once_and_kept(tmp_path: Path) -> None:
    first = own_certificate("192.0.2.7", tmp_path)
    text = first[0].read_bytes()
    assert own_certificate("192.0.2.7", tmp_path) == first
    assert first[0].read_bytes() == text
    made = x509.load_pem_x509_certificate(text)
    names = made.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert {"localhost", "192.0.2.7"} <= {str(each.value) for each in names}
    # CA/Browser Forum, baseline requirements 6.3.2: no longer than 398 days
    assert made.not_valid_after_utc - made.not_valid_before_utc <= dt.timedelta(days=398)
    if sys.platform != "win32":
        assert stat.S_IMODE(first[1].stat().st_mode) == 0o600


def test_another_address_gets_another_one(tmp_path: Path) -> None:
    before = own_certificate("192.0.2.7", tmp_path)[0].read_bytes()
    assert own_certificate("192.0.2.8", tmp_path)[0].read_bytes() != before


def test_one_that_ends_soon_is_made_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = own_certificate("192.0.2.7", tmp_path)[0].read_bytes()
    monkeypatch.setattr(certificate, "RENEW_DAYS", 500)
    assert own_certificate("192.0.2.7", tmp_path)[0].read_bytes() != before


@pytest.mark.skipif(which("openssl") is None, reason="no openssl here")
def test_the_fingerprint_is_the_one_openssl_says(tmp_path: Path) -> None:
    path, _ = own_certificate("192.0.2.7", tmp_path)
    said = subprocess.run(
        ["openssl", "x509", "-in", str(path), "-noout", "-fingerprint", "-sha256"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert said.strip().partition("=")[2] == fingerprint(path)


def test_no_certificate_has_no_fingerprint(tmp_path: Path) -> None:
    (tmp_path / "x.pem").write_text("nothing", encoding="ascii")
    with pytest.raises(UnusableRun, match="no certificate"):
        fingerprint(tmp_path / "x.pem")


def test_a_page_for_others_is_served_over_tls(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setenv("LUKEWARM_BOARD_PASSWORD", "long enough it is")
    assert not page_serving("127.0.0.1", 0, None).secure
    serving = page_serving("0.0.0.0", 0, None)  # noqa: S104 - the case looked at
    assert serving.secure
    (tmp_path / "run").mkdir()
    page = LivePage(tmp_path / "run", serving)
    try:
        port = int(page.url.rstrip("/").rpartition(":")[2])
        context = ssl.create_default_context(cafile=str(serving.certificate))
        with (
            socket.create_connection(("127.0.0.1", port), timeout=30) as plain,
            context.wrap_socket(plain, server_hostname="localhost") as secured,
        ):
            seen = secured.getpeercert(binary_form=True)
            assert seen is not None
            assert ssl.DER_cert_to_PEM_cert(seen).strip() == (
                Path(str(serving.certificate)).read_text(encoding="ascii").strip()
            )
        assert page.fingerprint == fingerprint(Path(str(serving.certificate)))
        assert page.url.startswith("https://")
        assert "0.0.0.0" not in page.url  # noqa: S104 - the case looked at
    finally:
        page.close()


def test_a_given_certificate_is_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LUKEWARM_BOARD_PASSWORD", "long enough it is")
    given, key = own_certificate("192.0.2.7", tmp_path)
    serving = page_serving("192.0.2.7", 0, None, given, key)
    assert (serving.certificate, serving.key) == (given, key)


def test_an_address_of_its_own_stays() -> None:
    assert reachable("https://192.0.2.7:8050/") == "https://192.0.2.7:8050/"
