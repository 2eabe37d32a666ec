"""What every answer of the board carries and every request must show.

The board answers the host it was started for and nobody else: a page of another site cannot reach
it by giving its own name to this machine's address (DNS rebinding), nor have a visitor's browser
send it anything (the session cookie stays on this site, and a foreign `Origin` is refused). Nothing
is fetched from other hosts, and the content-security policy forbids it.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Collection, Sequence
from typing import Final
from urllib.parse import urlsplit

from flask import Flask, Request, Response, abort, request

LOOPBACK_NAMES: Final = frozenset({"localhost"})

HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
"""Sent with every answer."""

TLS_ONLY: Final = f"max-age={365 * 24 * 3600}"
"""RFC 6797; browsers heed it where they trust the certificate."""

STATIC: Final = ("/_dash-component-suites/", "/assets/")
"""Scripts and styles: the only answers a browser may keep."""


def content_policy(script_hashes: Sequence[str]) -> str:
    """The content-security policy: everything from here, inline scripts by their hash alone.

    Styles may stand inline, as the plots set them element by element; pictures may be data, as the
    plots' downloads and the strips are.

    Parameters
    ----------
    script_hashes
        Of the inline scripts, as CSP writes them: ``'sha256-...'``.
    """
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src 'self' {' '.join(script_hashes)}".rstrip(),
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self'",
            "connect-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        )
    )


def is_loopback(host: str) -> bool:
    """Whether a host's name or address means this machine alone."""
    if host.lower() in LOOPBACK_NAMES:
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def host_of(authority: str) -> str:
    """The host in a ``Host`` header, lower case, without its port; empty where it is none."""
    try:
        return (urlsplit(f"//{authority}").hostname or "").lower()
    except ValueError:
        return ""


def same_site(asked: Request) -> bool:
    """Whether a request that changes something comes from this site's own pages."""
    origin = asked.headers.get("Origin")
    if origin is not None:
        # compared as text: no parser's idea of an address stands between
        return origin.lower() == f"{asked.scheme}://{asked.host}".lower()
    return asked.headers.get("Sec-Fetch-Site") in (None, "same-origin", "none")


def protect(
    server: Flask, policy: str, hosts: Collection[str] | None, *, secure: bool = False
) -> None:
    """Check every request and add the headers to every answer.

    Parameters
    ----------
    server
        The application.
    policy
        Its content-security policy.
    hosts
        Names it may be called by, lower case; None for any (then a password must guard it).
    secure
        Whether it is served over TLS: browsers are then told to come by nothing else.
    """

    @server.before_request
    def check() -> None:
        name = host_of(request.host)
        if hosts is not None and name not in hosts and not is_loopback(name):
            abort(421, "This board does not answer to that name.")
        most = server.config["MAX_CONTENT_LENGTH"]
        if most is not None and (request.content_length or 0) > most:
            abort(413)
        if request.method not in ("GET", "HEAD") and not same_site(request):
            abort(403, "That came from another site.")

    @server.after_request
    def add(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers[name] = value
        response.headers["Content-Security-Policy"] = policy
        if secure:
            response.headers["Strict-Transport-Security"] = TLS_ONLY
        if not request.path.startswith(STATIC):
            response.headers["Cache-Control"] = "no-store"
        return response
