"""Would the tests notice? Small changes to the core, one at a time, each held against its tests.

``python benchmarks/mutants.py [--count 100] [--seed 1] [--module PATH ...] [--again OUTPUT]``
draws changes (`benchmarks/mutant_kinds.py`) to the modules of `CORE` and runs, in a copy of the
tree that is thrown away, the tests that belong to each: those named like the module, those that
import it, the rest of its mirrored folder, and with ``--wide`` some wide and slow ones. A change is
*killed* by the first test that fails (and does not fail without it), or when the tests run into the
time limit (``--limit``, many times what they take); otherwise it *survived*. Changes of which
somebody found that they make no difference stand in `benchmarks/mutants_harmless.toml` with the
reason and are counted apart; so are those of constants that are known no better than to a tenth.
A bare ``--seed`` draws a new one and says it. ``--again`` takes the survivors of an earlier output.
"""

from __future__ import annotations

import argparse
import ast
import os
import re
import secrets
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.mutant_kinds import Mutant, mutants_of

ROOT = Path(__file__).resolve().parents[1]

CORE = (
    "ingest/bus", "ingest/clock", "ingest/events", "ingest/load", "ingest/record/wire",
    "ingest/sensors", "ingest/table",
    "analysis/causes", "analysis/coolant", "analysis/figures", "analysis/heater", "analysis/lever",
    "analysis/quality", "analysis/signal", "analysis/statistics", "analysis/timeline",
    "analysis/vacuum", "analysis/watch",
    "analysis/baseline.py", "analysis/limits.py", "analysis/measurement.py",
    "analysis/run_verdict.py", "analysis/uncertainty.py", "analysis/verdict.py",
)  # fmt: skip
"""From bytes to figures, verdict and causes; not the store, the fleet's tables and the set-up."""

WIDE = {
    "ingest": ("tests/ingest/load/test_load.py",),
    "analysis": (
        "tests/analysis/test_verdict.py",
        "tests/analysis/timeline/test_less_given.py",
        "tests/dashboard/test_one_verdict.py",
        "tests/other_cars/test_other_cars.py",
    ),
}
"""Tests of many modules at once, tried last where asked for: they take minutes."""

ALSO = {
    "ingest/bus": ("ingest/sources/test_bus*",),
    "ingest/table/bus_log.py": ("ingest/sources/test_bus*",),
    "ingest/table/open.py": ("ingest/sources/*",),
    "ingest/table/mdf.py": ("ingest/sources/test_mdf*",),
    "ingest/table/workbook": ("ingest/sources/test_work*",),
    "ingest/table/packed.py": ("ingest/sources/*archives*",),
    "ingest/table/parquet.py": ("ingest/sources/*parquet*",),
    "ingest/table/typed.py": ("ingest/sources/*mdf*", "ingest/sources/*parquet*"),
    "ingest/sensors/corrections.py": (
        "ingest/record/test_recorder_corrections*",
        "analysis/bench/test_bench_sensors*",
    ),
    "ingest/load/corrected.py": ("ingest/record/test_recorder_corrections*",),
    "ingest/record/wire": ("ingest/record/test_recorder_docs*",),
    "analysis/causes": ("analysis/bench/test_bench_outcome*",),
    "analysis/statistics/gauge.py": ("analysis/tune/test_tune_study*",),
    "analysis/statistics/shrinkage.py": ("analysis/compare/test_compare_groups*",),
    "analysis/statistics/shape.py": ("analysis/tune/test_tune_choice*",),
    "analysis/statistics/density.py": ("analysis/tune/test_tune_choice*",),
    "ingest/clock": ("ingest/table/test_tables_dialects*",),
    "analysis/lever": tuple(
        f"analysis/figures/*{word}*" for word in ("travel", "lever", "response", "cold_end")
    ),
    "analysis/coolant": ("analysis/figures/*coolant*", "analysis/figures/*thermostat*"),
    "analysis/vacuum": ("analysis/figures/*vacuum*",),
    "analysis/signal/regression.py": ("analysis/heater/test_heater_fit*",),
    "analysis/signal": tuple(
        f"analysis/figures/*{word}*" for word in ("fluct", "speed", "warm_up", "steady", "plateau")
    ),
    "analysis/timeline": ("analysis/figures/*steady*", "analysis/figures/*warm_up*"),
    "analysis/statistics": ("analysis/tune/test_tune_statistics*", "analysis/tune/test_tune_few*"),
    "analysis/heater": ("analysis/figures/*warm_up*", "analysis/figures/*core*"),
    "analysis": ("analysis/test_same_figures.py", "analysis/test_read_seldom.py"),
}
"""Tests of other folders that rest on a room, beneath tests/."""

HARMLESS = ROOT / "benchmarks" / "mutants_harmless.toml"
LEFT_OUT = shutil.ignore_patterns(".*", "__pycache__", "build", "*.egg-info")
LINE = re.compile(r"^survived (?P<module>\S+):\d+ \| (?P<source>.*) \| (?P<change>.* -> .*)$")


def core() -> list[str]:
    """Modules that are changed."""
    found = []
    for place in CORE:
        path = ROOT / place
        modules = [path] if path.suffix else sorted(path.rglob("*.py"))
        found += [each.relative_to(ROOT).as_posix() for each in modules]
    return found


def files_for(module: str, *, wide: bool, root: Path = ROOT) -> list[str]:
    """Test files that belong to a module, the likeliest to notice first."""
    path = Path(module)
    name = path.stem if path.stem != "__init__" else path.parent.name
    house = path.parts[0]
    folder = root / "tests" / path.parent
    while not any(folder.glob("test_*.py")):
        folder = folder.parent
    near = sorted(folder.glob("test_*.py"))
    dotted = module.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
    imports = re.compile(rf"^ *(from|import) {re.escape(dotted)}\b", re.MULTILINE)
    importing = [
        each
        for place in (house, *CORE)  # not the fleet's: they take minutes
        for each in sorted((root / "tests" / place).glob("test_*.py"))
        if imports.search(_text_of(each))
    ]
    named = [each for each in near if name in each.stem]
    also = [
        each
        for place, patterns in ALSO.items()
        for pattern in patterns
        for each in sorted((root / "tests").glob(pattern))
        if path.is_relative_to(place) and each.suffix == ".py"
    ]
    last = [root / each for each in WIDE[house]] if wide else []
    files = dict.fromkeys([*named, *importing, *near, *also, *last])
    return [each.relative_to(root).as_posix() for each in files]


@cache
def _text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@cache
def changes_of(module: str) -> list[Mutant]:
    """Every change to a module of this tree."""
    return mutants_of(ROOT, module)


def run(copy: Path, tests: list[str], limit_s: float, *, slow: bool) -> str:
    """What noticed: the first test that failed; empty where all passed."""
    command = [
        sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--no-header",
        "--hypothesis-seed=0",
        "-m", "not browser and not postgres" + ("" if slow else " and not slow"), *tests,
    ]  # fmt: skip
    env = os.environ | {
        "PYTHONPATH": str(copy),
        "OPENBLAS_NUM_THREADS": "1",
    }
    env.pop("PYTHONDONTWRITEBYTECODE", None)  # the many tests are compiled once, not every time
    try:
        done = subprocess.run(
            command, cwd=copy, env=env, capture_output=True, text=True, timeout=limit_s, check=False
        )
    except subprocess.TimeoutExpired:
        return "the time limit"
    if done.returncode == 0:
        return ""
    assert "file or directory not found" not in done.stderr, done.stderr
    found = re.search(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", done.stdout, re.MULTILINE)
    return found[1] if found else f"exit status {done.returncode}"


def listed() -> dict[tuple[str, str, str], str]:
    """Changes that make no difference and are listed one by one, with the reason."""
    table = tomllib.loads(HARMLESS.read_text(encoding="utf-8"))
    return {
        (row["module"], row["source"], row["change"]): row["reason"] for row in table["harmless"]
    }


def harmless() -> dict[tuple[str, str, str], str]:
    """Changes that make no difference, with the reason: the listed and those of whole constants.

    Raises
    ------
    ValueError
        Where a constant is no more, or no number in it is changed.
    """
    table = tomllib.loads(HARMLESS.read_text(encoding="utf-8"))
    found = listed()
    for row in table["harmless_constants"]:
        for module, names in row["of"].items():
            changes = [each for each in changes_of(module) if is_number(each.was)]
            for name, lines in lines_of(module, names).items():
                inside = [each for each in changes if each.line in lines]
                if row.get("tenth"):
                    inside = [each for each in inside if is_tenth(each)]
                if not inside:
                    raise ValueError(f"{module} has no number to change in {name}")
                found |= dict.fromkeys((each.key for each in inside), row["reason"])
    return found


def lines_of(module: str, names: list[str]) -> dict[str, range]:
    """Where constants of a module are set, by name."""
    found = dict.fromkeys(names, range(0))
    for node in ast.parse((ROOT / module).read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign | ast.AnnAssign):
            target = node.target if isinstance(node, ast.AnnAssign) else node.targets[0]
            if isinstance(target, ast.Name) and target.id in found:
                found[target.id] = range(node.lineno, (node.end_lineno or node.lineno) + 1)
    return found


def is_number(value: object) -> bool:
    """Whether a change is one of a number."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def is_tenth(mutant: Mutant) -> bool:
    """Whether a number is changed by a tenth at most: of 3 and 4 it is more."""
    was, now = mutant.was, mutant.now
    assert isinstance(was, int | float)
    assert isinstance(now, int | float)
    return abs(now - was) <= 0.101 * abs(was)


def asked_for(asked: argparse.Namespace) -> Iterator[Mutant]:
    """The changes to try, in the order drawn."""
    if asked.again:
        lines = asked.again.read_text(encoding="utf-8").splitlines()
        wanted = {(m["module"], m["source"], m["change"]) for m in map(LINE.match, lines) if m}
        for module in sorted({each[0] for each in wanted}):
            if not (ROOT / module).exists():
                print(f"    {module} is no more: gone or moved", file=sys.stderr)
                continue
            yield from (each for each in changes_of(module) if each.key in wanted)
        return
    every = [each for module in asked.module or core() for each in changes_of(module)]
    drawn = np.random.default_rng(asked.seed).permutation(len(every))[: asked.count]
    yield from (every[place] for place in drawn)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100, help="how many changes")
    parser.add_argument(
        "--seed", type=int, nargs="?", const=-1, default=1, help="a new one if bare"
    )
    parser.add_argument("--module", nargs="*", help="these modules only")
    parser.add_argument("--again", type=Path, help="the survivors of an earlier output")
    parser.add_argument("--wide", action="store_true", help="with wide and slow tests")
    parser.add_argument("--limit", type=float, default=300.0, help="s for the tests of one change")
    asked = parser.parse_args()
    if asked.seed == -1:
        asked.seed = secrets.randbelow(1_000_000)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # the copy goes in any case
    known = harmless()
    count: Counter[str] = Counter()
    sound: set[str] = set()
    print(f"seed {asked.seed}", flush=True)
    with tempfile.TemporaryDirectory(prefix="lukewarm-mutants-") as made:
        copy = Path(made) / "tree"
        shutil.copytree(ROOT, copy, ignore=LEFT_OUT)
        for each in asked_for(asked):
            began = time.monotonic()
            place = copy / each.module
            reason = known.get(each.key)
            noticed = ""
            if reason is None:
                before = place.read_text(encoding="utf-8")
                place.write_text(each.text, encoding="utf-8")
                noticed = run(
                    copy,
                    files_for(each.module, wide=asked.wide, root=copy),
                    asked.limit,
                    slow=asked.wide,
                )
                place.write_text(before, encoding="utf-8")
                if "::" in noticed and noticed not in sound:
                    alone = run(copy, [noticed], asked.limit, slow=True)
                    assert "::" not in alone, f"{alone} fails without the change"
                    sound.add(noticed)
            fate = "harmless" if reason else "killed" if noticed else "survived"
            count[fate] += 1
            told = f" | {reason or noticed}" if reason or noticed else ""
            print(f"{fate} {each.module}:{each.line} | {each.source} | {each.change}{told}")
            print(f"    {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    whole = count["killed"] + count["survived"]
    print(f"noticed {count['killed']} of {whole}, {count['harmless']} harmless ones taken out")
    return 0


if __name__ == "__main__":
    sys.exit(main())
