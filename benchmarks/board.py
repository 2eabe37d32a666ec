"""Measure the board in a real browser: 2,000 runs, a run of a million rows, bytes sent.

    python benchmarks/board.py [--runs 2000] [--rows 1000000] [--store FOLDER]

Fills a store with copies of a sample run under other names and numbers (their results are made, as
the board only shows them), starts the board on it and opens each page with a cold cache, thrice
over each line: as from this machine, with gzip alone as over plain http, and at 1.6 Mbit/s and
300 ms.
Printed are the medians of the times from the click until the answer's sentence is seen, the page's
results and its picture; the processor time of the page's main thread and of this process (the board
and the driver); and what was sent. On a machine that does other things the times from the click are
longer.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, sync_playwright

sys.path.insert(0, str(Path(__file__).parent.parent))

from analysis.pipeline import judge_measured, measure
from analysis.result import document
from dashboard.web.store_source import StoreSource
from ingest.load.load import load_run
from ingest.run import Run
from ingest.store.rows import Outcome, Versions
from ingest.store.store import Store
from tests.support.board_runs import SAMPLES, long_readings, served
from tests.support.chromium import ARGUMENTS

FAMILIES = ("Plover", "Dunlin", "Curlew", "Avocet", "Knot", "Turnstone")
VISITS = 3


def fill(place: Path, runs: int, rows: int) -> tuple[Store, str]:
    """A store of made results and one run of very many rows; its id."""
    store = Store.open(place)
    rng = np.random.default_rng(7)
    sample = load_run(SAMPLES / "SC-014-complaint")
    told = document(judge_measured(measure(sample)))
    small = sample.with_(readings=sample.readings.head(60))
    versions = Versions("benchmark", "1", "benchmark")
    for number in range(runs - 1):
        run = other_car(small, number)
        store.add(run, {}, lambda _, run=run: Outcome(other_result(told, run, rng)), versions)
    big = long_readings(rows).frame
    names = {"time_s", *(sensor.column for sensor in sample.sensors.values())}
    kept = big.select([name for name in big.columns if name in names])
    run = other_car(sample, runs).with_(readings=kept)
    sensors = {k: v for k, v in run.sensors.items() if v.column in kept.columns}
    run = run.with_(sensors=sensors)
    added = store.add(run, {}, lambda _: Outcome(other_result(told, run, rng)), versions)
    return store, added.run_id


def other_car(run: Run, number: int) -> Run:
    """The run as if of another car, on another day."""
    about = run.setup.run.model_copy(
        update={
            "vehicle": f"SC-{1000 + number * 2 // 3}",
            "family": FAMILIES[number % len(FAMILIES)],
            "purpose": "baseline" if number % 4 == 0 else "complaint",
        }
    )
    return run.with_(
        setup=run.setup.model_copy(update={"run": about}),
        name=f"run-{number}",
        sha256={"log.csv": f"{number:064x}"},
        started=datetime(2026, 1, 5, tzinfo=UTC) + timedelta(hours=number),
    )


def other_result(told: dict, run: Run, rng: np.random.Generator) -> dict:
    """The result with other numbers and verdicts."""
    about = run.setup.run
    figures = {
        name: each
        if each["value"] is None
        else each
        | {
            "value": float(each["value"] * rng.normal(1.0, 0.1)),
            "verdict": str(rng.choice(["pass", "pass", "pass", "fail", "undecided"])),
        }
        for name, each in told["figures"].items()
    }
    named = {"name": run.name, "vehicle": about.vehicle, "family": about.family}
    named |= {"purpose": about.purpose, "started": run.started.isoformat() if run.started else None}
    verdict = str(rng.choice(["pass", "fail", "undecided"]))
    return told | {"run": told["run"] | named, "figures": figures, "verdict": verdict}


SEEN = """(wanted) => {
  const seen = window.seen = {};
  const look = () => {
    for (const [name, selector] of Object.entries(wanted)) {
      if (name in seen) continue;
      const found = [...document.querySelectorAll(selector)].some((each) =>
        each.checkVisibility() && (each.textContent.trim() || each.matches("svg *")) &&
        (name !== "answer" || each.getBoundingClientRect().top < window.innerHeight));
      if (!found) continue;
      seen[name] = null;
      // what was put there is seen with the frame after the next
      requestAnimationFrame(() => requestAnimationFrame(() => {
        seen[name] = performance.now() / 1000;
      }));
    }
  };
  new MutationObserver(look).observe(document, { childList: true, subtree: true });
}"""
"""In the page itself, so that the driver's own time is not counted: s from the click until a person
sees the answer (its sentence, on the first screen), the page's results, and its picture."""

SLOW = {
    "offline": False,
    "latency": 300,
    "downloadThroughput": 1.6e6 / 8,
    "uploadThroughput": 0.75e6 / 8,
}


def count(tally: list[float], event: dict) -> None:
    """Note the bytes of an answer as they came over the wire."""
    tally.append(event["encodedDataLength"])


def visit(browser: Browser, url: str, wanted: dict[str, str], line: Line) -> dict[str, float]:
    """One visit with a cold cache: when each thing was seen, kB sent, time of the page's thread."""
    coding = {"Accept-Encoding": "gzip"} if line.gzip else None
    context = browser.new_context(
        viewport={"width": 1366, "height": 800}, extra_http_headers=coding
    )
    page = context.new_page()
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    wire.send("Performance.enable")
    if line.slow:
        wire.send("Network.emulateNetworkConditions", SLOW)
    tally: list[float] = []
    wire.on("Network.loadingFinished", partial(count, tally))
    page.add_init_script(f"({SEEN})({json.dumps(wanted)})")
    page.goto(url, wait_until="commit")
    page.wait_for_function(
        "(names) => names.every((name) => window.seen && window.seen[name])", arg=list(wanted)
    )
    page.wait_for_load_state("networkidle")
    times: dict[str, float] = page.evaluate("window.seen")
    told = {each["name"]: each["value"] for each in wire.send("Performance.getMetrics")["metrics"]}
    context.close()
    return {**times, "thread": told["TaskDuration"], "kB": sum(tally) / 1e3}


@dataclass(frozen=True)
class Line:
    """How a visitor comes."""

    name: str
    slow: bool = False
    gzip: bool = False


LINES = (Line("this machine"), Line("plain http: gzip", gzip=True),
         Line("1.6 Mbit/s, 300 ms", slow=True))  # fmt: skip


def visits(browser: Browser, address: str, path: str, results: str, picture: str | None) -> None:
    """Open a page with a cold cache a few times over each line; print what it took."""
    wanted = {"answer": "#first .reply, #first p, #page .reply", "results": f"#page {results}"}
    wanted |= {"picture": f"#page {picture}"} if picture else {}
    for line in LINES:
        used = time.process_time()
        found = [visit(browser, address + path, wanted, line) for _ in range(VISITS)]
        used = (time.process_time() - used) / VISITS
        median = {name: statistics.median(each[name] for each in found) for name in found[0]}
        drawn = f"{median['picture']:5.2f} s" if picture else "       "
        print(
            f"{path[:12]:<13}{line.name:<20}answer {median['answer']:5.2f} s   "
            f"results {median['results']:5.2f} s   picture {drawn}   "
            f"page's thread {median['thread']:5.2f} s   board and driver {used:5.2f} s   "
            f"sent {median['kB']:4.0f} kB"
        )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--store", type=Path, help="where to keep the store; else a passing folder")
    asked = parser.parse_args()
    place = asked.store or Path(tempfile.mkdtemp(prefix="lukewarm-board-"))
    begin = time.perf_counter()
    store, run_id = fill(place / "store", asked.runs, asked.rows)
    print(f"store of {asked.runs} runs made in {time.perf_counter() - begin:.1f} s")
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(f"load of the machine before: {load:.1f}")
    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium")
    with served(StoreSource(store)) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        visits(browser, address, "/", "table.runs", "#fleet-picture .point")
        visits(browser, address, f"/car?run={run_id}", ".causes", "#car-picture .trace path")
        visits(browser, address, "/limits", "table.limits", None)
        visits(browser, address, "/tuning", ".pictures", ".js-plotly-plot .trace path")
        visits(browser, address, "/drop", ".drop", None)
        browser.close()
    store.close()
    if asked.store is None:
        shutil.rmtree(place)


if __name__ == "__main__":
    main()
