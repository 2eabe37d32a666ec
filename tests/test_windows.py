"""What differs on Windows, as far as another machine can tell; `docs/how-to/windows.md` lists it.

The console's key reader is mocked: `msvcrt` exists on Windows alone. Code pages are real: Python
writes standard output in whatever PYTHONIOENCODING says, as it does on a console of that code page.
"""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

import dashboard.live.keys
from dashboard.places import expand
from ingest.errors import UnusableRun
from ingest.load.load import load_run
from tests.support.screen import Screen

ROOT = Path(__file__).parents[1]
RUN = ROOT / "sample_logs" / "SC-014-complaint"


@pytest.mark.parametrize("code_page", ["cp437", "cp1252", "utf-8"])
def test_json_is_json_on_every_code_page(code_page: str) -> None:
    # RFC 8259, 8.1: JSON between programs is UTF-8, of which ASCII is a part
    done = subprocess.run(
        [sys.executable, str(ROOT / "lukewarm.py"), "analyze", str(RUN), "--json", "-"],
        env=os.environ | {"PYTHONIOENCODING": code_page},
        capture_output=True,
        check=True,
    )
    document = json.loads(done.stdout.decode("utf-8"))
    assert document["figures"]["coolant_plateau"]["unit"] == "°C"
    assert document["figures"]["core_effectiveness"]["unit"] == "–"


def test_a_table_on_a_code_page_without_its_signs_is_still_a_table() -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / "lukewarm.py"), "analyze", str(RUN)],
        env=os.environ | {"PYTHONIOENCODING": "cp437"},
        capture_output=True,
        check=True,
    )
    lines = done.stdout.decode("cp437").splitlines()
    assert any(line.startswith("dead travel cold") and line.endswith("fail") for line in lines)


class Console(ModuleType):
    """`msvcrt` with keys waiting: Microsoft's documentation of _kbhit and _getwch."""

    def __init__(self, keys: str) -> None:
        super().__init__("msvcrt")
        self.keys = list(keys)

    def kbhit(self) -> bool:
        return bool(self.keys)

    def getwch(self) -> str:
        return self.keys.pop(0)


def keys_module_of_windows(monkeypatch: pytest.MonkeyPatch, keys: str) -> ModuleType:
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "msvcrt", Console(keys))
    place = dashboard.live.keys.__file__
    spec = importlib.util.spec_from_file_location("keys_of_windows", place)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "keys_of_windows", module)
    spec.loader.exec_module(module)
    return module


def test_keys_of_the_console_without_its_arrows(monkeypatch: pytest.MonkeyPatch) -> None:
    # an arrow comes as two characters, the first of them \x00 or \xe0
    module = keys_module_of_windows(monkeypatch, "h\xe0Kc\x00;")
    with module.TerminalKeyboard() as keyboard:
        assert keyboard.typed() == "hc"
        assert keyboard.typed() == ""


def test_control_c_ends_the_console_too(monkeypatch: pytest.MonkeyPatch) -> None:
    module = keys_module_of_windows(monkeypatch, "\x03")
    with pytest.raises(KeyboardInterrupt):
        module.TerminalKeyboard().typed()


def test_patterns_that_the_shell_leaves_alone_are_expanded(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for name in ("SC-001", "SC-002", "other"):
        (tmp_path / name).mkdir()
    monkeypatch.chdir(tmp_path)
    assert [Path(str(place)).name for place in expand(["SC-*"])] == ["SC-001", "SC-002"]


def copy_of_run(folder: Path, log: str) -> Path:
    folder.mkdir()
    for file in RUN.iterdir():
        text = file.read_text(encoding="utf-8")
        if file.name == "run.toml":
            text = text.replace('file = "log.csv"', f"file = '{log}'")
            assert log in text
        place = folder / ("logs/log.csv" if file.name == "log.csv" else file.name)
        place.parent.mkdir(exist_ok=True)
        place.write_text(text, encoding="utf-8")
    return folder


def test_names_with_backslashes_are_read_everywhere(tmp_path: Path) -> None:
    assert load_run(copy_of_run(tmp_path / "run", r"logs\log.csv")).has("outlet")


@pytest.mark.parametrize("log", [r"C:\logs\log.csv", r"\\shop\logs\log.csv", r"..\logs\log.csv"])
def test_names_that_lead_out_are_refused_everywhere(tmp_path: Path, log: str) -> None:
    with pytest.raises(UnusableRun, match="leads out of the run folder"):
        load_run(copy_of_run(tmp_path / "run", log))


def test_a_windows_path_pasted_into_run_toml_gets_a_hint(tmp_path: Path, command: Screen) -> None:
    folder = copy_of_run(tmp_path / "run", "logs/log.csv")
    setup = folder / "run.toml"
    text = setup.read_text(encoding="utf-8").replace("'logs/log.csv'", r'"C:\logs\new\log.csv"')
    setup.write_text(text, encoding="utf-8")
    assert command("analyze", str(folder)) == 1
    assert "write that path in single quotation marks, or with / for each \\" in command.err


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Screen:
    return Screen(monkeypatch, capsys)
