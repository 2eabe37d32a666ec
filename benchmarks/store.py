"""The store's bars: many programs at once with one killed, and ten thousand runs.

    python benchmarks/store.py together DIR [--count 2000] [--programs 4] [--seed 1]
    python benchmarks/store.py large DIR [--count 10000]

`together` makes run folders from the sample logs (other vehicles, plants and days), lets several
programs add all of them, each in its own order, kills one at a random moment and proves the store.
`large` adds runs through the store's own functions with results drawn at random around those of the
sample logs (no analysis), and times adding, listing and comparing.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from ingest.files import find_files
from ingest.load.load import load_run, run_folders
from ingest.store.rows import Outcome, Versions
from ingest.store.store import Store
from ingest.store.verify import check_files, leftovers

ROOT = Path(__file__).parent.parent
PLANTS = ("North", "South", "Harbor", "Hill")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("together", "large"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int)
    parser.add_argument("--programs", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    told.folder.mkdir(parents=True, exist_ok=True)
    if told.what == "together":
        together(told.folder, told.count or 2000, told.programs, told.seed)
    else:
        large(told.folder, told.count or 10_000, told.seed)


def altered(text: str, number: int) -> str:
    """A sample's run.toml as another car's, of another plant, on another day."""
    lines = []
    for line in text.splitlines():
        key = line.split("=")[0].strip()
        if key == "vehicle":
            lines += [f'vehicle = "SC-{number:05}"', f'plant = "{PLANTS[number % len(PLANTS)]}"']
        elif key == "started":
            day = datetime(2025, 11, 1, 12, tzinfo=UTC) + timedelta(hours=number)
            lines.append(f"started = {day.isoformat()}")
        elif key != "plant":
            lines.append(line)
    return "\n".join(lines) + "\n"


def make_places(folder: Path, count: int) -> list[Path]:
    """Run folders whose logs are the sample logs'."""
    samples = run_folders(ROOT / "sample_logs")
    places = []
    for number in range(count):
        sample = samples[number % len(samples)]
        place = folder / f"run-{number:05}"
        places.append(place)
        if place.is_dir():
            continue
        place.mkdir(parents=True)
        for name, path in find_files(sample).raw().items():
            if name != "run.toml":
                os.link(path, place / name)
        text = (sample / "run.toml").read_text(encoding="utf-8")
        (place / "run.toml").write_text(altered(text, number), encoding="utf-8")
    return places


def together(folder: Path, count: int, programs: int, seed: int) -> None:
    chance = np.random.default_rng(seed)
    places = make_places(folder / "runs", count)
    where = folder / f"store-{seed}"
    started = time.perf_counter()
    running = []
    for _ in range(programs):
        order = [str(places[each]) for each in chance.permutation(count)]
        command = [sys.executable, "-m", "lukewarm", "store", "add", str(where), *order]
        running.append(
            subprocess.Popen([*command, "--jobs", "1"], cwd=ROOT, stdout=subprocess.DEVNULL)
        )
    share = chance.uniform(0.05, 0.9)
    victim = running[int(chance.integers(programs))]
    store = Store.open(where)
    killed = False
    reached = 0
    while any(each.poll() is None for each in running):
        time.sleep(1.0)
        there = height(store)
        if not killed and there >= share * count:
            victim.kill()
            killed = True
            print(f"killed one program at {there} runs")
        if there >= reached + count // 10:
            reached = there
            print(f"{there:6} runs after {time.perf_counter() - started:7.1f} s", flush=True)
    ends = [each.wait() for each in running]
    print(f"exit codes {ends}; {time.perf_counter() - started:.1f} s")
    damage = [each for each in check_files(store)[1] if each is not None]
    from ingest.store.read import runs

    listed = runs(store)
    print(
        f"{listed.height} runs of {listed['vehicle'].n_unique()} vehicles; damage: {damage}; "
        f"leftover files: {len(leftovers(store))}"
    )
    assert killed
    assert not damage
    assert listed.height == listed["vehicle"].n_unique() == count


def height(store: Store) -> int:
    from sqlalchemy import text

    with store.engine.connect() as connection:
        return int(connection.scalar(text("SELECT count(*) FROM runs")) or 0)


def large(folder: Path, count: int, seed: int) -> None:
    from analysis.compare.stored import Edition, outcome

    chance = np.random.default_rng(seed)
    samples = run_folders(ROOT / "sample_logs")
    runs = [load_run(sample) for sample in samples]
    outcomes = [outcome(run) for run in runs]
    versions = Edition().versions("Plover", "blend-air")
    store = Store.open(folder / "store-large")
    batch = max(1, count // 10)
    lap = time.perf_counter()
    for number in range(height(store), count):
        add_one(store, folder, number, runs, outcomes, versions, chance)
        if (number + 1) % batch == 0:
            now = time.perf_counter()
            print(f"{number + 1:6} runs, {(now - lap) / batch * 1e3:6.2f} ms each", flush=True)
            lap = now
    times(store)


def add_one(
    store: Store,
    folder: Path,
    number: int,
    runs: list,
    outcomes: list[Outcome],
    versions: Versions,
    chance: np.random.Generator,
) -> None:
    import hashlib

    place = int(chance.integers(len(runs)))
    run, result = runs[place], outcomes[place]
    vehicle = f"SC-{number // 2:05}"
    setup_text = (ROOT / "sample_logs" / run.name / "run.toml").read_text("utf-8")
    text = altered(setup_text, number // 2) + f"# {number}\n"
    setup = folder / "run.toml"
    setup.write_text(text, encoding="utf-8")
    files = find_files(ROOT / "sample_logs" / run.name).raw() | {"run.toml": setup}
    about = run.setup.run.model_copy(
        update={"vehicle": vehicle, "plant": PLANTS[number // 2 % len(PLANTS)]}
    )
    document = dict(result.document)
    document["figures"] = {
        name: figure
        if figure["value"] is None
        else figure | {"value": figure["value"] * float(chance.normal(1.0, 0.05))}
        for name, figure in document["figures"].items()
    }
    changed = dataclasses.replace(
        run,
        setup=run.setup.model_copy(update={"run": about}),
        sha256=run.sha256
        | {"run.toml": hashlib.sha256(text.encode()).hexdigest(), "n": f"{number}"},
        name=f"run-{number:05}",
        started=datetime(2024, 11, 1, tzinfo=UTC) + timedelta(hours=number),
    )
    result = dataclasses.replace(result, document=document)
    store.add(changed, files, lambda _run: result, versions)


def times(store: Store) -> None:
    from analysis.compare.answer import Question, answer
    from analysis.compare.stored import baseline_from_store
    from ingest.store.read import Filter, figures, runs

    def timed(what: str, do):
        start = time.perf_counter()
        result = do()
        print(f"{what:40} {time.perf_counter() - start:6.2f} s", flush=True)
        return result

    every = timed("runs()", lambda: runs(store))
    timed("runs(family, verdict)", lambda: runs(store, Filter(family="Plover", verdict="fail")))
    all_figures = timed("figures(), all", lambda: figures(store))
    timed("figures(), one", lambda: figures(store, ["steady_outlet_rise"]))
    timed("baseline_from_store", lambda: baseline_from_store(store))
    car = every["vehicle"][5]
    for question in (
        Question(car=car),
        *(Question(by=by) for by in ("family", "plant", "month", "vehicle", "purpose", "repair")),
        Question(over_time=True),
    ):
        timed(
            f"answer {question.by or question.car}",
            lambda q=question: answer(every, all_figures, q),
        )
    for arguments in (
        ["store", "list", "--family", "Plover"],
        ["compare", "--car", car],
        ["compare", "--by", "plant", "--figure", "steady_outlet_rise"],
    ):
        at = 2 if arguments[0] == "store" else 1
        command = [*arguments[:at], str(store.folder), *arguments[at:]]
        timed(
            f"lukewarm {' '.join(arguments)}",
            lambda c=command: subprocess.run(
                [sys.executable, "-m", "lukewarm", *c], cwd=ROOT, check=True, capture_output=True
            ),
        )


if __name__ == "__main__":
    main()
