"""The structure holds: data flows one way, nothing heavy loads for --help, no module runs away."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("ingest", "analysis", "dashboard")
MODULES = [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


def imported(path: Path) -> set[str]:
    """Top-level packages a module imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.split(".")[0])
        elif isinstance(node, ast.Import):
            names.update(alias.name.split(".")[0] for alias in node.names)
    return names


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


@pytest.mark.parametrize("path", MODULES, ids=module_id)
def test_no_module_runs_away(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 450


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


def test_pandas_is_at_the_front_door_only_and_its_converters_nowhere() -> None:
    users = {module_id(path) for path in MODULES if "pandas" in imported(path)}
    assert users <= {"dashboard/notebook/frames.py", "dashboard/notebook/runs.py",
                     "dashboard/notebook/found.py"}  # fmt: skip
    assert not [path for path in MODULES if imported(path) & {"pyarrow", "openpyxl"}]


def test_every_public_function_says_what_it_does() -> None:
    silent = []
    for path in MODULES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        silent += [
            f"{module_id(path)}:{node.lineno} {node.name}"
            for node in tree.body
            if isinstance(node, ast.FunctionDef | ast.ClassDef)
            and not node.name.startswith("_")
            and not ast.get_docstring(node)
        ]
    assert silent == []
