"""The structure holds: data flows one way, nothing heavy loads for --help, no module runs away."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from analysis.figures import all_figures

ROOT = Path(__file__).parent.parent
PACKAGES = ("ingest", "analysis", "dashboard")

MAX_MODULES = 14
REGISTRIES = {"figures", "quality", "pages", "other_cars"}
"""Folders of peers, one idea a file, which may be larger."""

MODULES = [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


@cache
def parsed(path: Path) -> ast.Module:
    """A module's tree, parsed once for all tests of a process."""
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imported(path: Path) -> frozenset[str]:
    """Top-level packages a module imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.split(".")[0])
        elif isinstance(node, ast.Import):
            names.update(alias.name.split(".")[0] for alias in node.names)
    return frozenset(names)


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


FILES = {module_name(path): path for path in MODULES}


def wanted_by(name: str) -> set[str]:
    """Modules of the product that one imports: at the top, in functions and for types alike."""
    found: set[str] = set()
    for node in ast.walk(parsed(FILES[name])):
        if isinstance(node, ast.ImportFrom) and node.module:
            deeper = (f"{node.module}.{alias.name}" for alias in node.names)
            found.update(each if each in FILES else node.module for each in deeper)
        elif isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
    return (found & FILES.keys()) - {name}


def circle(house: str) -> list[str]:
    """A circle of imports in a house, its first module again at the end; empty where none is."""
    wants = {name: wanted_by(name) for name in FILES if name.split(".")[0] == house}
    try:
        tuple(TopologicalSorter(wants).static_order())
    except CycleError as error:
        return list(error.args[1])
    return []


def module_id(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", MODULES, ids=module_id)
def test_data_flows_one_way(path: Path) -> None:
    forbidden = {
        "ingest": {"analysis", "dashboard", "lukewarm", "dash", "plotly"},
        "analysis": {"dashboard", "lukewarm", "dash", "plotly", "serial"},
        "dashboard": {"lukewarm", "serial"},
    }[path.relative_to(ROOT).parts[0]]
    assert not imported(path) & forbidden


def test_classes_of_values_are_cheap_to_define() -> None:
    """Every module of the houses takes `dataclass` from `ingest.values`."""
    dear = [
        module_id(path)
        for path in MODULES
        if path != ROOT / "ingest" / "values.py"
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.ImportFrom) and node.module == "dataclasses"
        if any(alias.name == "dataclass" for alias in node.names)
    ]
    assert dear == []


def test_analysis_opens_no_store() -> None:
    """It may read from one that it is handed: `Store` itself is for its type only."""
    opened = [
        module_id(path)
        for path in (ROOT / "analysis").rglob("*.py")
        if "Store.open(" in path.read_text(encoding="utf-8")
    ]
    assert opened == []


@pytest.mark.parametrize("house", PACKAGES)
def test_no_import_goes_round(house: str) -> None:
    assert circle(house) == []


def test_folders_stay_small() -> None:
    folders = Counter(
        path.parent.relative_to(ROOT).as_posix()
        for root in (*PACKAGES, "tests")
        for path in (ROOT / root).rglob("*.py")
        if path.name != "__init__.py"
    )
    large = {folder for folder, count in folders.items() if count > MAX_MODULES}
    peers = {folder for folder in large if folder.rpartition("/")[2] in REGISTRIES}
    assert large - peers == set()


@pytest.mark.parametrize("house", PACKAGES)
def test_no_class_is_named_twice(house: str) -> None:
    names = Counter(
        node.name
        for path in MODULES
        if path.relative_to(ROOT).parts[0] == house
        for node in parsed(path).body
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )
    assert [name for name, count in names.items() if count > 1] == []


def test_every_package_says_what_is_in_it() -> None:
    packages = [path for path in MODULES if path.name == "__init__.py"]
    assert [module_id(path) for path in packages if not ast.get_docstring(parsed(path))] == []


@pytest.mark.parametrize("path", MODULES, ids=module_id)
def test_no_module_runs_away(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 450


@pytest.mark.parametrize("path", MODULES, ids=module_id)
def test_no_function_runs_away(path: Path) -> None:
    """Sixty lines, the docstring aside."""
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            told = (
                node.body[0].end_lineno - node.body[0].lineno + 1 if ast.get_docstring(node) else 0
            )
            assert node.end_lineno - node.lineno + 1 - told <= 60, node.name


def test_help_loads_nothing_heavy() -> None:
    heavy = ("polars", "numpy", "scipy", "pandas", "plotly", "dash", "pydantic", "sqlalchemy")
    # what a command line that says its help loads, and so all that `import lukewarm` may
    code = (
        "import sys, dashboard.commands.main\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_a_wrong_path_is_said_before_anything_heavy_is_loaded() -> None:
    code = (
        "import sys\n"
        "from dashboard.commands.main import main\n"
        "sys.argv = ['lukewarm', 'analyze', 'nowhere', '--units', 'us']\n"
        "try:\n    main()\nexcept SystemExit as end:\n    print(end.code)\n"
        "print([name for name in ('polars', 'numpy', 'scipy') if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.split("\n")[-3:] == ["1", "[]", ""]
    assert "nowhere: found nothing there" in done.stderr


@pytest.mark.parametrize("path", sorted((ROOT / "benchmarks").glob("*.py")), ids=lambda p: p.stem)
def test_every_benchmark_finds_what_it_imports(path: Path) -> None:
    """Nothing else runs most of them: a name that moved would be noticed by whoever needs them."""
    importlib.import_module(f"benchmarks.{path.stem}")


def test_pandas_is_at_the_front_door_only_and_its_converters_nowhere() -> None:
    users = {module_id(path) for path in MODULES if "pandas" in imported(path)}
    assert users <= {"dashboard/notebook/frames.py", "dashboard/notebook/runs.py",
                     "dashboard/notebook/found.py"}  # fmt: skip
    assert not [path for path in MODULES if imported(path) & {"pyarrow", "openpyxl"}]


def test_every_public_function_says_what_it_does() -> None:
    silent = []
    for path in MODULES:
        tree = parsed(path)
        silent += [
            f"{module_id(path)}:{node.lineno} {node.name}"
            for node in tree.body
            if isinstance(node, ast.FunctionDef | ast.ClassDef)
            and not node.name.startswith("_")
            and not ast.get_docstring(node)
        ]
    assert silent == []


def names_listed(tree: ast.AST, names: set[str]) -> list[str]:
    """Those of `names` that stand in a mapping, list, tuple or set written by hand."""
    found: list[str] = []
    for node in ast.walk(tree):
        inside: Sequence[ast.expr | None] = ()
        if isinstance(node, ast.Dict):
            inside = node.keys
        elif isinstance(node, ast.List | ast.Tuple | ast.Set):
            inside = node.elts
        found += [
            each.value for each in inside if isinstance(each, ast.Constant) and each.value in names
        ]
    return found


def test_what_is_said_of_a_figure_stands_with_the_figure() -> None:
    names = {each.name for each in all_figures()}
    lists = {
        module_id(path): found for path in MODULES if (found := names_listed(parsed(path), names))
    }
    assert lists == {}
