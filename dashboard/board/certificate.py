"""A certificate for the live page beyond this machine: made once, kept, known by its fingerprint.

It is signed by itself, so that a browser asks before it trusts it; whoever compares the fingerprint
it shows with the one on the recorder's screen knows that nobody sits in between.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import ipaddress
import os
import socket
import ssl
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ingest.errors import Fault, UnusableRun

if TYPE_CHECKING:
    from cryptography.x509 import GeneralName

DAYS: Final = 397
"""Longest life that browsers accept of a certificate (CA/Browser Forum, baseline requirements)."""

RENEW_DAYS: Final = 30
CERTIFICATE_NAME: Final = "live-page.pem"
KEY_NAME: Final = "live-page-key.pem"


def own_certificate(host: str, place: Path | None = None) -> tuple[Path, Path]:
    """Certificate and key of this machine's live page; made where there are none that still hold.

    Parameters
    ----------
    host
        Address the page listens on.
    place
        Folder they are kept in; this user's own where None.

    Raises
    ------
    UnusableRun
        Where they cannot be written.
    """
    place = _usual_place() if place is None else place
    certificate, key = place / CERTIFICATE_NAME, place / KEY_NAME
    names = names_for(host)
    if key.is_file() and _holds(certificate, names):
        return certificate, key
    try:
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        _make(certificate, key, names)
    except OSError as error:
        raise UnusableRun(
            Fault(
                str(place),
                f"a folder that takes no certificate ({error.strerror or error})",
                "a place for the live page's own certificate",
                "make it writable, or give --page-cert and --page-key",
            )
        ) from error
    return certificate, key


def fingerprint(certificate: Path) -> str:
    """SHA-256 of a certificate (DER), in pairs of hexadecimal digits as browsers show it.

    Raises
    ------
    UnusableRun
        Where it is no PEM certificate.
    """
    try:
        der = ssl.PEM_cert_to_DER_cert(_first(certificate.read_text(encoding="ascii")))
    except (OSError, ValueError) as error:
        raise UnusableRun(
            Fault(str(certificate), "no certificate", "a PEM certificate", "check the file")
        ) from error
    text = hashlib.sha256(der).hexdigest().upper()
    return ":".join(text[at : at + 2] for at in range(0, len(text), 2))


def names_for(host: str) -> tuple[str, ...]:
    """Names and addresses by which a visitor may call this machine."""
    found = ["localhost", "127.0.0.1", socket.gethostname()]
    if host in ("0.0.0.0", "::", ""):  # noqa: S104 - asked for, not chosen here
        found += own_addresses()
    else:
        found.append(host)
    return tuple(dict.fromkeys(each for each in found if each))


def own_addresses() -> list[str]:
    """Addresses of this machine in its networks, the one it speaks from first."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address; nothing is sent
            found.append(probe.getsockname()[0])
        except OSError:
            pass
    try:
        found += [str(each[4][0]) for each in socket.getaddrinfo(socket.gethostname(), None)]
    except OSError:
        return found
    return list(dict.fromkeys(found))


def _first(text: str) -> str:
    end = "-----END CERTIFICATE-----"
    begin = text.index("-----BEGIN CERTIFICATE-----")
    return text[begin : text.index(end, begin) + len(end)] + "\n"


def _usual_place() -> Path:
    base = os.environ.get("APPDATA") or os.environ.get("XDG_DATA_HOME")
    return Path(base) / "lukewarm" if base else Path.home() / ".local" / "share" / "lukewarm"


def _holds(path: Path, names: tuple[str, ...]) -> bool:
    """Whether a certificate is valid for a while still, and for all the names."""
    from cryptography import x509

    try:
        found = x509.load_pem_x509_certificate(path.read_bytes())
        said = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (OSError, ValueError, x509.ExtensionNotFound):
        return False
    left = found.not_valid_after_utc - dt.datetime.now(dt.UTC)
    have = {str(each.value) for each in said}
    return left > dt.timedelta(days=RENEW_DAYS) and have.issuperset(names)


def _make(certificate: Path, key: Path, names: tuple[str, ...]) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    private = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "lukewarm live page")])
    now = dt.datetime.now(dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=DAYS - 1))
        .add_extension(x509.SubjectAlternativeName([_name(each) for each in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .sign(private, hashes.SHA256())
    )
    text = private.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    key.unlink(missing_ok=True)
    handle = os.open(key, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as stream:
        stream.write(text)
    certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))


def _name(text: str) -> GeneralName:
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(text))
    except ValueError:
        return x509.DNSName(text)
