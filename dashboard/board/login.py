"""One password for the whole board, asked for once a session."""

from __future__ import annotations

import hashlib
import hmac
import html
import ipaddress
import math
import re
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Final
from urllib.parse import urlencode

from flask import Flask, Response, g, redirect, request
from werkzeug.http import parse_cookie
from werkzeug.wrappers import Response as AnyResponse

from dashboard.board.door import ADMITS
from dashboard.plots import theme
from ingest.values import dataclass

COOKIE: Final = "lukewarm_session"
SESSION_S: Final = 12 * 3600.0
MAX_SESSIONS: Final = 1000

FREE_TRIES: Final = 5
"""Wrong passwords of one address before it waits."""

WAIT_S: Final = 50.0
LONGEST_WAIT_S: Final = 300.0
FORGOTTEN_S: Final = 900.0
"""After the last wait; the count then begins anew."""

STRANGERS_AT_ONCE: Final = 8
STRANGERS_A_MINUTE: Final = 6
KNOWN_AT_ONCE: Final = 3
KNOWN_A_MINUTE: Final = 3
"""Wrong passwords of all together: no minute can see more than these four added up, which is 20."""

MAX_ADDRESSES: Final = 1000

SHORTEST: Final = 8
"""Characters of a password, at least."""

LONGEST: Final = 1024
"""Characters of a password that are looked at, at most."""

LOGIN_PATH: Final = "/login"
OPEN: Final = frozenset({LOGIN_PATH, "/assets/board.css", "/favicon.ico"})
"""What is shown without a session."""

LOOKING: Final = frozenset({"GET", "HEAD"})
SAFE_START: Final = "/"
THEN: Final = "then"
"""Key of the log-in's address for where it goes on to."""
INSIDE: Final = re.compile(r"/(?![/\\])[!-\[\]-~]*")
"""A path of this board and nothing that a browser could take for another host's."""
LONGEST_ADDRESS: Final = 2000


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
    """How many passwords are tried: few from one address, few in a minute from all together.

    A try is taken before the password is looked at and given back where it was right, so that a
    thousand at once are no more than one after the other. Addresses from which somebody has come
    in before have tries of their own, which strangers cannot use up.

    Parameters
    ----------
    clock
        Seconds that never go back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._taken: OrderedDict[str, _Tries] = OrderedDict()
        self._known: OrderedDict[str, None] = OrderedDict()
        self._strangers = _Lane(STRANGERS_AT_ONCE, STRANGERS_A_MINUTE)
        self._friends = _Lane(KNOWN_AT_ONCE, KNOWN_A_MINUTE)
        self._lock = threading.Lock()

    def take(self, address: str) -> float:
        """Take a try: 0.0 where there is one, else the seconds until there may be."""
        whose = _neighborhood(address)
        with self._lock:
            now = self._clock()
            tries = self._taken.pop(whose, None)
            if tries is None or now > max(tries.until, tries.last) + FORGOTTEN_S:
                tries = _Tries(0, now, now)
            self._taken[whose] = tries
            while len(self._taken) > MAX_ADDRESSES:
                self._taken.popitem(last=False)
            wait = tries.until - now
            if wait > 0.0:
                return wait
            wait = self._lane(whose).take(now)
            if wait > 0.0:
                return wait
            count = tries.count + 1
            over = count - FREE_TRIES
            pause = min(LONGEST_WAIT_S, WAIT_S * 2.0 ** min(over, 30)) if over >= 0 else 0.0
            self._taken[whose] = _Tries(count, now, now + pause)
            return 0.0

    def succeeded(self, address: str) -> None:
        """Give back the tries of an address, and remember it."""
        whose = _neighborhood(address)
        with self._lock:
            self._lane(whose).give_back()
            self._taken.pop(whose, None)
            self._known[whose] = None
            self._known.move_to_end(whose)
            while len(self._known) > MAX_ADDRESSES:
                self._known.popitem(last=False)

    def _lane(self, whose: str) -> _Lane:
        return self._friends if whose in self._known else self._strangers


@dataclass(frozen=True, slots=True)
class _Tries:
    """Wrong passwords of one address: how many, when the last, and when the next may be."""

    count: int
    last: float
    until: float


class _Lane:
    """Tries that several addresses share: some at once, and so many more a minute."""

    def __init__(self, at_once: int, a_minute: int) -> None:
        self._most = float(at_once)
        self._per_s = a_minute / 60.0
        self._left = float(at_once)
        self._seen = 0.0

    def take(self, now: float) -> float:
        self._left = min(self._most, self._left + max(0.0, now - self._seen) * self._per_s)
        self._seen = now
        if self._left < 1.0:
            return (1.0 - self._left) / self._per_s
        self._left -= 1.0
        return 0.0

    def give_back(self) -> None:
        self._left = min(self._most, self._left + 1.0)


def _neighborhood(address: str) -> str:
    """What counts as one address: of IPv6 the network, as one machine has all of it."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if found.version == 6:
        return str(found.ipv4_mapped or ipaddress.ip_network((found, 64), strict=False))
    return str(found)


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

    server.extensions[ADMITS] = lambda cookies: sessions.holds(
        parse_cookie(cookies).get(COOKIE, "")
    )

    @server.before_request
    def guard() -> AnyResponse | None:
        token = request.cookies.get(COOKIE, "")
        if sessions.holds(token):
            g.session = _key(token)
            return None
        if request.path in OPEN:
            return None
        if request.method in LOOKING and not request.path.startswith("/_"):
            return redirect(login_address(request.full_path.rstrip("?")))
        return Response("Log in first.", 401, mimetype="text/plain")

    @server.route(LOGIN_PATH, methods=["GET", "POST"])
    def login() -> AnyResponse:
        then = inside(request.args.get(THEN, ""))
        if request.method in LOOKING:
            return Response(login_page(then=then), mimetype="text/html")
        address = request.remote_addr or ""
        wait = math.ceil(patience.take(address))
        if wait:
            page = login_page(f"Too many wrong passwords. Try again in {wait} s.", then)
            return Response(page, 429, {"Retry-After": f"{wait}"}, mimetype="text/html")
        if not password.matches(request.form.get("password", "")):
            page = login_page("That is not the password.", then)
            return Response(page, 403, mimetype="text/html")
        patience.succeeded(address)
        answer = redirect(then)
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


def inside(asked: str) -> str:
    """The address on this board that was asked for before the log-in; its start for any other."""
    return asked if len(asked) <= LONGEST_ADDRESS and INSIDE.fullmatch(asked) else SAFE_START


def login_address(then: str) -> str:
    """The log-in's address, from which it goes on to another."""
    kept = inside(then)
    return LOGIN_PATH if kept == SAFE_START else f"{LOGIN_PATH}?{urlencode({THEN: kept})}"


def login_page(message: str = "", then: str = SAFE_START) -> str:
    """The page that asks for the password, and then goes on to an address of this board."""
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
<form method="post" action="{html.escape(login_address(then))}">
<p><label for="password">Password of this board</label>
<input class="text" id="password" name="password" type="password" required
 autocomplete="current-password" autofocus></p>
<p><button class="button" type="submit">Come in</button></p>
</form>
</main>
</body>
</html>
"""
