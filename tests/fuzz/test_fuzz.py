"""A few dozen spoilt folders in every test run; thousands by hand (`python -m tests.fuzz`)."""

from __future__ import annotations

from pathlib import Path

import pytest

import sample_logs
from tests.fuzz.__main__ import SAMPLES
from tests.fuzz.judged import good_folder, judged
from tests.fuzz.mutate import spoil

HOME = Path(sample_logs.__file__).parent


@pytest.mark.parametrize("sample", SAMPLES)
def test_what_is_spoilt_is_whole_before(tmp_path: Path, sample: str) -> None:
    assert judged(good_folder(tmp_path / sample, HOME / sample, 8)) == "answer"


@pytest.mark.parametrize("seed", range(40))
def test_a_spoilt_folder_is_answered_or_refused(tmp_path: Path, seed: int) -> None:
    folder = good_folder(tmp_path / "run", HOME / SAMPLES[seed % len(SAMPLES)], 8)
    spoil(folder, seed)
    assert judged(folder) in {"answer", "refused"}


def test_a_unit_of_a_hundred_thousand_letters(tmp_path: Path) -> None:
    # seed 111141 of the thousands: the refusal repeated it whole
    folder = good_folder(tmp_path / "run", HOME / SAMPLES[0], 8)
    setup = folder / "run.toml"
    text = setup.read_text(encoding="utf-8")
    assert 'unit = "mV"' in text
    setup.write_text(text.replace('unit = "mV"', f'unit = "mV{"x" * 100_000}"'), encoding="utf-8")
    assert judged(folder) == "refused"
