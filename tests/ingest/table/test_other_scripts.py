"""Headers in ten scripts and their old encodings: right, or said; the numbers always right.

The encodings are Python's own codecs; the words are what a logger's columns are called.
"""

from __future__ import annotations

import itertools
import random
from pathlib import Path

import pytest

from ingest.setup.model import LogTable
from ingest.table.text.read import read_text_table

WORDS = {
    "cp1251": "Время Температура Салон Скорость Обороты Напряжение Давление Печка Воздух Снаружи",
    "koi8_r": "Время Температура Салон Скорость Обороты Напряжение Давление Печка Воздух Снаружи",
    "cp866": "Время Температура Салон Скорость Обороты Напряжение Давление Печка Воздух Снаружи",
    "shift_jis": "時間 冷却水温度 外気温度 吹出口 車速 回転数 電圧 圧力 室内 チャンネル",
    "euc_jp": "時間 冷却水温度 外気温度 吹出口 車速 回転数 電圧 圧力 室内 チャンネル",
    "gbk": "时间 冷却液温度 环境温度 出风口 车速 转速 电压 压力 车内 通道",
    "big5": "時間 冷卻液溫度 環境溫度 出風口 車速 轉速 電壓 壓力 車內 通道",
    "euc_kr": "시간 냉각수 외기온도 차속 회전수 전압 압력 실내 채널 바닥",
    "cp1253": "Χρόνος Θερμοκρασία Ταχύτητα Πίεση Έξοδος Ψυκτικό Καμπίνα Στροφές Τάση Αέρας",
    "cp1250": "Čas Teplota Otáčky Rychlost Napětí Tlak Výdech Chladič Kabina Venkovní",
    "cp1254": "Zaman Sıcaklık Hız Basınç Gerilim Çıkış Soğutma Kabin Dış Devir",
    "cp1252": "Zeit Kühlmittel Außenluft Fußraum Auslaß Drehzahl Gefäß Öl Vorlauf Rücklauf",
}


def headers(encoding: str) -> list[tuple[str, ...]]:
    """Seventeen headers of four names each, always the same."""
    words = WORDS[encoding].split()
    choose = random.Random(encoding)  # noqa: S311 - no secret
    return [tuple(choose.sample(words, 4)) for _ in range(17)]


@pytest.mark.parametrize("encoding", WORDS)
def test_headers(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    for names, delimiter in zip(headers(encoding), itertools.cycle(",;\t")):
        rows = [delimiter.join(f"{row + at / 4}" for at in range(4)) for row in range(30)]
        text = "\n".join([delimiter.join(names), *rows]) + "\n"
        path.write_bytes(text.encode(encoding))
        table = read_text_table(path, LogTable(file="log.csv"))
        assert [table.numbers(at).values[7] for at in range(4)] == [7.0, 7.25, 7.5, 7.75]
        said = [each.fault for each in table.findings]
        assert table.names == names or "encoding_guessed" in said
        stated = read_text_table(path, LogTable(file="log.csv", encoding=encoding))
        assert stated.names == names
        assert "encoding_guessed" not in [each.fault for each in stated.findings]


@pytest.mark.parametrize("encoding", ["cp1251", "koi8_r", "shift_jis", "gbk", "big5", "euc_kr"])
def test_scripts_of_their_own_are_mostly_right(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    right = 0
    for names in headers(encoding):
        path.write_bytes((",".join(names) + "\n" + "1,2,3,4\n2,3,4,5\n" * 9).encode(encoding))
        right += read_text_table(path, LogTable(file="log.csv")).names == names
    assert right >= 15
