"""One password for the whole board, asked for once a session."""

from __future__ import annotations

import hashlib
import hmac
import html
import secrets
import threading
import time
from collections.abc import Callable
from typing import Final

from flask import Flask, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from dashboard.plots import theme

COOKIE: Final = "lukewarm_session"
SESSION_S: Final = 12 * 3600.0
MAX_SESSIONS: Final = 1000

FREE_TRIES: Final = 5
WAIT_S: Final = 2.0
LONGEST_WAIT_S: Final = 300.0
MAX_ADDRESSES: Final = 1000

SHORTEST: Final = 8
"""Characters of a password, at least."""

LONGEST: Final = 1024
"""Characters of a password that are looked at, at most."""

LOGIN_PATH: Final = "/login"
OPEN: Final = frozenset({LOGIN_PATH, "/assets/board.css", "/favicon.ico"})
"""What is shown without a session."""

SAFE_START: Final = "/"


class Password:
    """A password kept as a salted hash (scrypt, RFC 7914)."""

    def __init__(self, password: str) -> None:
        self._salt = secrets.token_bytes(16)
        self._hash = self._hashed(password)

    def matches(self, tried: str) -> bool:
        """Whether it is the password; takes the same time whatever differs."""
        return hmac.compare_digest(self._hashed(tried[:LONGEST]), self._hash)

    def _hashed(self, password: str) -> bytes:
        told = password.encode("utf-8", "surrogatepass")
        return hashlib.scrypt(told, salt=self._salt, n=2**14, r=8, p=1, dklen=32)


class Sessions:
    """Sessions in memory: a random token in the visitor's cookie, its hash here.

    Parameters
    ----------
    clock
        Seconds that never go back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._ends: dict[str, float] = {}
        self._lock = threading.Lock()

    def start(self) -> str:
        """A new session's token."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            now = self._clock()
            self._ends = {key: end for key, end in self._ends.items() if end > now}
            while len(self._ends) >= MAX_SESSIONS:
                self._ends.pop(next(iter(self._ends)))
            self._ends[_key(token)] = now + SESSION_S
        return token

    def holds(self, token: str) -> bool:
        """Whether a token is a session that goes on."""
        return self._ends.get(_key(token), 0.0) > self._clock()

    def end(self, token: str) -> None:
        """Forget a session."""
        self._ends.pop(_key(token), None)


def _key(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


class Patience:
    """How long an address waits after wrong passwords: twice as long with each.

    Parameters
    ----------
    clock
        Seconds that never go back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._failed: dict[str, tuple[int, float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, address: str) -> float:
        """Seconds this address still has to wait."""
        tries, until = self._failed.get(address, (0, 0.0))
        return max(0.0, until - self._clock()) if tries >= FREE_TRIES else 0.0

    def failed(self, address: str) -> None:
        """Count a wrong password."""
        with self._lock:
            tries = self._failed.pop(address, (0, 0.0))[0] + 1
            pause = min(LONGEST_WAIT_S, WAIT_S * 2.0 ** min(30, tries - FREE_TRIES))
            while len(self._failed) >= MAX_ADDRESSES:
                self._failed.pop(next(iter(self._failed)))
            self._failed[address] = tries, self._clock() + pause

    def succeeded(self, address: str) -> None:
        """Forget an address's wrong passwords."""
        self._failed.pop(address, None)


def require_password(
    server: Flask,
    password: Password,
    *,
    secure: bool,
    sessions: Sessions | None = None,
    patience: Patience | None = None,
) -> None:
    """Let nobody in without the password.

    Parameters
    ----------
    server
        The application.
    password
        What is asked for.
    secure
        Whether the board is served over TLS: the cookie then never leaves it.
    sessions, patience
        Their keepers; new ones where None.
    """
    sessions = sessions or Sessions()
    patience = patience or Patience()

    @server.before_request
    def guard() -> AnyResponse | None:
        if request.path in OPEN or sessions.holds(request.cookies.get(COOKIE, "")):
            return None
        if request.method == "GET" and not request.path.startswith("/_"):
            return redirect(LOGIN_PATH)
        return Response("Log in first.", 401, mimetype="text/plain")

    @server.route(LOGIN_PATH, methods=["GET", "POST"])
    def login() -> AnyResponse:
        if request.method == "GET":
            return Response(login_page(), mimetype="text/html")
        address = request.remote_addr or ""
        wait = patience.wait_s(address)
        if wait > 0.0:
            page = login_page(f"Too many wrong passwords. Try again in {wait:.0f} s.")
            return Response(page, 429, {"Retry-After": f"{wait:.0f}"}, mimetype="text/html")
        if not password.matches(request.form.get("password", "")):
            patience.failed(address)
            return Response(login_page("That is not the password."), 403, mimetype="text/html")
        patience.succeeded(address)
        answer = redirect(SAFE_START)
        answer.set_cookie(
            COOKIE,
            sessions.start(),
            max_age=int(SESSION_S),
            httponly=True,
            secure=secure,
            samesite="Strict",
            path="/",
        )
        return answer

    @server.route("/logout", methods=["POST"])
    def logout() -> AnyResponse:
        sessions.end(request.cookies.get(COOKIE, ""))
        answer = redirect(LOGIN_PATH)
        answer.delete_cookie(COOKIE, path="/")
        return answer


def login_page(message: str = "") -> str:
    """The page that asks for the password."""
    said = f'<p role="alert"><strong>{html.escape(message)}</strong></p>' if message else ""
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Who is there? – lukewarm</title>
<style>{theme.PAGE_CSS}</style>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/assets/board.css">
</head>
<body>
<main class="narrow">
<h1>Who is there?</h1>
{said}
<form method="post" action="{LOGIN_PATH}">
<p><label for="password">Password of this board</label>
<input class="text" id="password" name="password" type="password" required
 autocomplete="current-password" autofocus></p>
<p><button class="button" type="submit">Come in</button></p>
</form>
</main>
</body>
</html>
"""
