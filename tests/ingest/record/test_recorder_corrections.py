"""Corrections that a set-up names go into the run it records."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.record import recover
from ingest.record.recorder import Recorder
from ingest.sensors.corrections import Correction, CorrectionPoint, corrections_text
from tests.support.loggers import numbered_line, numbered_setup, record_lines, write_setup

NAMED = '[sensors]\ncorrections = "bench/corrections.toml"\n'
HIGH_K = 1.5


def with_corrections(folder: Path) -> str:
    point = CorrectionPoint(at=0.0, offset=HIGH_K, u=0.1, reference="ice of bench", u_reference=0.1)
    made = {"outlet": Correction(sensor="temperature", column="c1", points=(point,))}
    (folder / "bench").mkdir()
    (folder / "bench" / "corrections.toml").write_text(corrections_text(made), encoding="utf-8")
    return numbered_setup() + NAMED


def test_a_recorded_run_is_corrected(tmp_path: Path) -> None:
    setup = with_corrections(tmp_path)
    record_lines(setup, map(numbered_line, range(20)), tmp_path)
    (tmp_path / "bench" / "corrections.toml").unlink()
    run = load_run(tmp_path / "run")
    # the line says 2.1, and one bath's offset comes off every reading
    assert run.readings["outlet_degC"][3] == pytest.approx(2.1 - HIGH_K)
    assert run.readings["ambient_degC"][3] == pytest.approx(15.2)
    assert "bench/corrections.toml" in run.sha256


def test_a_run_made_again_elsewhere_is_corrected(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record_lines(with_corrections(tmp_path), map(numbered_line, range(20)), tmp_path)
    (tmp_path / "run" / recover.STATE_NAME).unlink()
    (tmp_path / "run" / "log.csv").unlink()
    monkeypatch.setattr("ingest.record.recover.os.access", lambda *_: False)
    run = load_run(tmp_path / "run")
    assert run.readings["outlet_degC"][3] == pytest.approx(2.1 - HIGH_K)


def test_a_prepared_folder_may_hold_them(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    setup = with_corrections(folder)
    (folder / "run.toml").write_text(setup, encoding="utf-8")
    recorder = Recorder.create(folder / "run.toml", folder, ("socket://127.0.0.1:1",))
    assert recorder.setup.sensors is not None


@pytest.mark.parametrize(
    ("text", "said"), [(None, "no file"), ("x = [", "TOML"), ("[channels.outlet]\n", "sensor")]
)
def test_a_missing_or_broken_file_is_said_before_a_folder_is_made(
    tmp_path: Path, text: str | None, said: str
) -> None:
    setup = write_setup(tmp_path, with_corrections(tmp_path))
    place = tmp_path / "bench" / "corrections.toml"
    place.unlink()
    if text is not None:
        place.write_text(text, encoding="utf-8")
    with pytest.raises(UnusableRun, match=said):
        Recorder.create(setup, tmp_path / "run", ("socket://127.0.0.1:1",))
    assert not (tmp_path / "run").exists()
