"""What a hostile neighbor can do to a board: the bars of the doors, measured.

    python benchmarks/doors.py [uploads|connections|passwords|files|requests ...]

A board is started as its own process and talked to over 127.0.0.1 only. Hostile texts, random
requests and their seeds are fixed, so that two runs ask the same.
"""

from __future__ import annotations

import base64
import concurrent.futures
import contextlib
import http.client
import json
import os
import random
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CERTIFICATE = ROOT / "tests" / "data" / "board" / "cert.pem"
KEY = ROOT / "tests" / "data" / "board" / "key.pem"
TRUSTED = ssl.create_default_context(cafile=str(CERTIFICATE))
CALLBACKS = "/_dash-update-component"
SAMPLE = ROOT / "sample_logs" / "SC-001-baseline"
WORD = "lamplighter"
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
JSON = {"Content-Type": "application/json"}


class Board:
    """A board in a process of its own, with a temporary folder of its own."""

    def __init__(self, *options: str) -> None:
        self.temporary = tempfile.TemporaryDirectory()
        place = Path(self.temporary.name)
        (place / "tmp").mkdir()
        self.log = place / "log"
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "lukewarm", "board", str(SAMPLE), "--port", "0", *options],
                cwd=ROOT, stdout=log, stderr=log, env=os.environ | {"TMPDIR": str(place / "tmp")},
            )  # fmt: skip
        while "the board is at" not in self.said():
            if self.process.poll() is not None:
                raise SystemExit(self.said())
            time.sleep(0.1)
        self.url = self.said().split("the board is at ")[1].split(";")[0].rstrip("/")
        found = urllib.parse.urlsplit(self.url)
        self.port, self.tls = int(found.port or 0), found.scheme == "https"

    def said(self) -> str:
        return self.log.read_text(errors="replace")

    def left(self) -> list[str]:
        return [path.name for path in (Path(self.temporary.name) / "tmp").glob("lukewarm-*")]

    def rss_mb(self) -> float:
        for line in Path(f"/proc/{self.process.pid}/status").read_text().splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1]) / 1024.0
        return 0.0

    def connection(self, source: str = "127.0.0.1") -> http.client.HTTPConnection:
        where = (source, 0)
        if self.tls:
            return http.client.HTTPSConnection(
                "localhost", self.port, timeout=120, context=TRUSTED, source_address=where
            )
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=120, source_address=where)

    def ask(
        self, method: str, path: str, body: bytes | None = None, source: str = "127.0.0.1",
        **headers: str,
    ) -> tuple[int, bytes, float]:  # fmt: skip
        """Status, answer, seconds."""
        began = time.perf_counter()
        with contextlib.closing(self.connection(source)) as made:
            made.request(method, path, body, headers)
            answer = made.getresponse()
            return answer.status, answer.read(), time.perf_counter() - began

    def end(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(60)


@contextlib.contextmanager
def board(*options: str) -> Iterator[Board]:
    made = Board(*options)
    try:
        yield made
    finally:
        if made.process.poll() is None:
            made.process.kill()
        made.process.wait()
        made.temporary.cleanup()


def report(what: str, found: str, *, ok: bool) -> None:
    print(f"{'ok ' if ok else 'BAD'} {what}: {found}", flush=True)


# ---------------------------------------------------------------- uploads

HEAD = '[run]\nvehicle = "a"\n[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'
END = '[channels.outlet]\ncolumn = "OUT"\nsensor = "temperature"\nunit = "degC"\n'


def hostile(rng: random.Random) -> dict[str, bytes]:
    """One upload made to hurt: a bad run.toml beside a log, or a bad log beside a run.toml."""
    many = int(10 ** rng.uniform(2.0, 5.0))
    part = rng.choice(["a", '"a"', "'a'", "a-b", '"\\u0061"'])
    tomls: list[Callable[[], str]] = [
        lambda: ".".join([part] * many) + " = 1",
        lambda: f"[{'.'.join([part] * many)}]",
        lambda: f"[[{'.'.join([part] * many)}]]",
        lambda: 'x = { a = """b"""", ' + ".".join([part] * many) + " = 1 }",
        lambda: "x = " + "[" * many + rng.choice(["", "]" * many]),
        lambda: "x = " + "{a=" * many + rng.choice(["", "1" + "}" * many]),
        lambda: "x = " + rng.choice(["", "-", "0x", "1.", "1e"]) + "1" * 2 * many,
        lambda: "".join(f"k{each} = 1\n" for each in range(many)),
        lambda: HEAD + "".join(f"[channels.c{each}]\n" for each in range(many)),
        lambda: (
            HEAD + "".join(f'[channels.c{n}]\ncolumn = "OUT"\nunit = "m"\n' for n in range(many))
        ),
        lambda: "[[a.b.c]]\n" * many,
        lambda: rng.choice(['"', "'", '"""', "'''", '\\"', "\r", "\t", "#", "=", "."]) * many,
        lambda: (
            'x = "' + rng.choice(["\\n", "\\u0061", '\\"', "\\\\"]) * many + rng.choice(["", '"'])
        ),
        lambda: HEAD + f'[channels.outlet]\ncolumn = "OUT"\nunit = "{"m^9" * (many % 40)}"\n',
        lambda: HEAD + '[channels.outlet]\ncolumn = "OUT"\nunit = "m^9^9^9^9"\n',
        lambda: HEAD.replace('unit = "s"', f'format = "{"%Y" * many}"') + END,
        lambda: HEAD + "no_reading = [" + '"x",' * many + "]\n" + END,
        lambda: HEAD + f"header_row = {'9' * min(many, 150)}\n" + END,
    ]
    csvs: list[Callable[[], str]] = [
        lambda: '"' * many,
        lambda: "," * many,
        lambda: "\n" * many,
        lambda: "\r" * many + "\n",
        lambda: "t,OUT\n" + "1" * many * 3,
        lambda: "t,OUT\n" + f"{'9' * many},1\n" * 3,
        lambda: "t," + ",".join(f"x{each}" for each in range(many)) + "\n" + "0," * many + "\n",
        lambda: "t,OUT\n" + '0,"1\n' * many,
        lambda: "t,OUT\n" + "".join(f"{each},1e{each}\n" for each in range(many)),
        lambda: "t,OUT\n" + "\x00,\ufffd\n" * many,
        lambda: "t;OUT\n" + "0;1,0\r\n1,2;3\n\r" * many,
        lambda: "t,OUT\n" + "".join(f"{rng.random()},{rng.choice('abc')}\n" for _ in range(many)),
        lambda: rng.randbytes(many).decode("latin-1"),
    ]
    jsons: list[Callable[[], str]] = [
        lambda: "[" * many,
        lambda: '{"a":' * many,
        lambda: '{"t": ' + "1" * many + "}",
        lambda: '{"t":0,"OUT":1}\n' * many,
    ]
    kind = rng.choice([tomls, tomls, csvs, csvs, jsons])
    text = rng.choice(kind)().encode("utf-8", "replace")
    good = HEAD + END
    if kind is tomls:
        return {"run.toml": text[: 256 * 1024], "log.csv": b"t,OUT\n0,1\n1,2\n"}
    name = "log.json" if kind is jsons else "log.csv"
    log = {name: text[: 2 * 2**20]}
    return log if rng.random() < 0.4 else log | {"run.toml": good.replace("log.csv", name).encode()}


def dropped(
    made: Board, files: dict[str, bytes], source: str = "127.0.0.1"
) -> tuple[int, bytes, float]:
    """What the drop page sends."""
    found = next(
        each
        for each in json.loads(made.ask("GET", "/_dash-dependencies")[1])
        if "drop-token.data" in each["output"]
    )
    outputs = [
        {"id": each.rpartition(".")[0], "property": each.rpartition(".")[2]}
        for each in found["output"].strip(".").split("...")
    ]
    body = {
        "output": found["output"],
        "outputs": outputs,
        "inputs": [{"id": "drop-files", "property": "contents", "value": [
            "data:text/csv;base64," + base64.b64encode(data).decode() for data in files.values()
        ]}],
        "state": [{"id": "drop-files", "property": "filename", "value": list(files)}],
        "changedPropIds": ["drop-files.contents"],
    }  # fmt: skip
    return made.ask("POST", CALLBACKS, json.dumps(body).encode(), source, **JSON)


def uploads(count: int = 1000) -> None:
    with board() as made:
        good = {path.name: path.read_bytes() for path in SAMPLE.iterdir()}
        status, answer, took = dropped(made, good, "127.0.0.2")
        token = json.loads(answer)["response"]["drop-token"]["data"]
        report("a good upload of another visitor", f"{status} in {took:.1f} s", ok=bool(token))
        before = made.rss_mb()
        rng = random.Random(18)  # noqa: S311 - only has to be the same each time
        slowest, statuses, busy = 0.0, Counter[int](), 0
        worst: dict[str, bytes] = {}
        for _ in range(count):
            files = hostile(rng)
            status, answer, took = dropped(made, files)
            statuses[status] += 1
            busy += b"wait a moment" in answer
            if took > slowest:
                slowest, worst = took, files
            if took > 5.0:
                told = {name: (len(data), data[:40]) for name, data in files.items()}
                print(f"    {took:.1f} s: {told}", flush=True)
        grown = made.rss_mb() - before
        told = {name: (len(data), data[:60]) for name, data in worst.items()}
        report(
            f"{count} hostile uploads", f"statuses {dict(statuses)}, {busy} told to wait", ok=True
        )
        report("slowest answer", f"{slowest:.2f} s {told if slowest > 3 else ''}", ok=slowest < 5.0)
        report("the parent grew by", f"{grown:.0f} MB", ok=grown < 300.0)
        status, answer, _ = made.ask("GET", "/")
        report("the board is alive", str(status), ok=status == 200)
        car = {
            "output": "..car-answer.children...car-content.children..",
            "outputs": [
                {"id": each, "property": "children"} for each in ("car-answer", "car-content")
            ],
            "inputs": [{"id": "car-address", "property": "search", "value": f"?run={token}"}],
            "state": [], "changedPropIds": ["car-address.search"],
        }  # fmt: skip
        status, answer, _ = made.ask("POST", CALLBACKS, json.dumps(car).encode(), **JSON)
        report("the other's result", f"{status}, there", ok=b"SC-001" in answer)
        with concurrent.futures.ThreadPoolExecutor(200) as many:
            sent = [many.submit(dropped, made, good) for _ in range(200)]
            time.sleep(0.5)
            pages = [made.ask("GET", "/limits", source="127.0.0.3") for _ in range(5)]
            slow = max(each[2] for each in pages)
            # who holds more connections than one visitor may loses the oldest
            got = Counter("put out" if each.exception() else each.result()[0] for each in sent)
        report("200 uploads at once", f"{dict(got)}; a page meanwhile {slow:.2f} s", ok=slow < 5.0)
        made.end()
        report("left after SIGTERM", f"{made.left()}, status {made.process.returncode}",
               ok=not made.left() and made.process.returncode == 0)  # fmt: skip
        report("tracebacks", str(made.said().count("Traceback")), ok="Traceback" not in made.said())


# ---------------------------------------------------------------- connections


def connections(count: int = 200) -> None:
    half = b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Half: "
    body = (
        f"POST {CALLBACKS} HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
        "Content-Length: 60000\r\n\r\n{"
    ).encode()
    for options in ((), ("--tls-cert", str(CERTIFICATE), "--tls-key", str(KEY))):
        with board(*options) as made:
            made.ask("GET", "/")
            for name, sent in (("silent", b""), ("half open", half), ("slow body", body)):
                for source in ("127.0.0.1", "127.0.0.2"):
                    with contextlib.ExitStack() as held:
                        for _ in range(count):
                            plain = socket.create_connection(("127.0.0.1", made.port))
                            tls = made.tls and sent
                            one = (
                                TRUSTED.wrap_socket(plain, server_hostname="localhost")
                                if tls
                                else plain
                            )
                            held.enter_context(contextlib.closing(one))
                            one.sendall(sent)
                        times = [made.ask("GET", "/", source=source) for _ in range(5)]
                    slow = max(each[2] for each in times)
                    good = all(each[0] == 200 for each in times)
                    report(f"{count} {name}, {'TLS' if made.tls else 'plain'}, page for {source}",
                           f"{slow:.3f} s", ok=good and slow < 1.0)  # fmt: skip
            report("tracebacks", str(made.said().count("Traceback")),
                   ok="Traceback" not in made.said())  # fmt: skip


# ---------------------------------------------------------------- passwords


def passwords(count: int = 1000) -> None:
    with tempfile.TemporaryDirectory() as place:
        file = Path(place) / "word"
        file.write_text(WORD + "\n")
        file.chmod(0o600)
        for many in (False, True):
            with board("--password-file", str(file)) as made:

                def attempt(number: int, many: bool = many, made: Board = made) -> int:  # noqa: FBT001
                    source = f"127.1.{number // 250}.{number % 250 + 1}" if many else "127.0.0.1"
                    return made.ask("POST", "/login", f"password=guess{number}".encode(), source,
                                    **FORM)[0]  # fmt: skip

                with concurrent.futures.ThreadPoolExecutor(50) as pool:
                    got = Counter(pool.map(attempt, range(count)))
                tested = got[403]
                what = "many addresses" if many else "one address"
                report(f"{count} wrong passwords from {what}", f"{tested} tested, {got[429]} not",
                       ok=tested <= (20 if many else 5) and tested + got[429] == count)  # fmt: skip
                began = time.perf_counter()
                while made.ask("POST", "/login", f"password={WORD}".encode(), "127.9.9.9",
                               **FORM)[0] != 302:  # fmt: skip
                    time.sleep(1.0)
                waited = time.perf_counter() - began
                report("the right visitor gets in after", f"{waited:.0f} s", ok=waited < 60.0)


# ---------------------------------------------------------------- files


def files() -> None:
    for umask in (0o000, 0o022, 0o077):
        with tempfile.TemporaryDirectory() as place:
            fleet = Path(place) / "fleet"
            subprocess.run(
                [sys.executable, "-m", "lukewarm", "store", "add", str(fleet), str(SAMPLE)],
                cwd=ROOT, check=True, umask=umask, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            wrong = [
                f"{path.name} {path.stat().st_mode & 0o777:o}"
                for path in (fleet, *fleet.rglob("*"))
                if path.stat().st_mode & 0o777 != (0o700 if path.is_dir() else 0o600)
            ]
            report(f"a store made with umask {umask:03o}", f"not private: {wrong}", ok=not wrong)


# ---------------------------------------------------------------- requests


def requests(count: int = 10_000) -> None:
    rng = random.Random(19)  # noqa: S311
    lines = ["GET / HTTP/1.1", "POST /login HTTP/1.1", f"POST {CALLBACKS} HTTP/1.1", "X", "",
             "GET /%00 HTTP/1.1", "HEAD /car HTTP/1.0", "PUT / HTTP/1.1",
             "GET /fleet.csv?page=9e9 HTTP/1.1", "GET /assets/../x HTTP/1.1",
             "GET /_dash-component-suites/dash/x.js HTTP/1.1"]  # fmt: skip
    heads = ["Host: localhost", "Host: [", "Host: localhost:x", "Origin: http://[", "Origin: null",
             "Content-Length: 5", "Content-Length: -1", "Content-Length: x", "Cookie: a=\x01",
             "Content-Type: application/json", "Content-Type: multipart/form-data; boundary=",
             "Transfer-Encoding: chunked", "Expect: 100-continue", "Range: bytes=0-", ": x", "X",
             "If-Modified-Since: x", "Accept-Encoding: gzip;q=x", "X: " + "y" * 9000]  # fmt: skip
    bodies = [b"", b"null!", b"[]   ", b"{    ", b"[[[[[", b'"\\ud8', rng.randbytes(5)]
    with board() as made:
        statuses: Counter[str] = Counter()
        for _ in range(count):
            head = [rng.choice(lines), *rng.choices(heads, k=rng.randrange(6))]
            if rng.random() < 0.7:
                head.insert(1, heads[0])
            sent = ("\r\n".join(head) + "\r\n\r\n").encode("latin-1") + rng.choice(bodies)
            with socket.create_connection(("127.0.0.1", made.port), timeout=30) as one:
                one.sendall(sent)
                one.shutdown(socket.SHUT_WR)
                with contextlib.suppress(ConnectionResetError):
                    line = one.makefile("rb").readline()
                    statuses[line.split()[1].decode() if b" " in line else "closed"] += 1
        bad = sum(count for status, count in statuses.items() if status.startswith("5"))
        report(f"{count} random requests", str(dict(statuses)), ok=not bad)
        report("the board is alive", "", ok=made.ask("GET", "/")[0] == 200)
        report("tracebacks", str(made.said().count("Traceback")), ok="Traceback" not in made.said())


def main() -> None:
    parts = {each.__name__: each for each in (uploads, connections, passwords, files, requests)}
    for name in sys.argv[1:] or parts:
        print(f"-- {name}")
        parts[name]()


if __name__ == "__main__":
    main()
