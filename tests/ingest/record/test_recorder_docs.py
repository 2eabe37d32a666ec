from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from ingest.record.wire.derivation import open_derivation
from ingest.record.wire.lines import check_nmea
from tests.support.loggers import with_nmea

TEXT = (Path(__file__).parents[3] / "docs" / "home-made-logger.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_set_up_in_the_text_can_be_recorded_by(tmp_path: Path, example: str) -> None:
    path = tmp_path / "run.toml"
    path.write_text(example, encoding="utf-8")
    has_ports = "url =" in example
    derivation, _ = open_derivation(path, () if has_ports else ("COM5",))
    assert derivation.as_received == ("[log]\ntime" in example)


def test_the_sketch_has_ten_lines_and_prints_the_columns_of_its_set_up() -> None:
    sketch = re.findall(r"```cpp\n(.*?)```", TEXT, re.DOTALL)[0].strip().splitlines()
    assert len(sketch) == 10
    printed = re.search(r'println\("(.*?)"\)', "\n".join(sketch))
    named = re.search(r"columns = \[(.*?)\]", EXAMPLES[0])
    assert printed is not None
    assert named is not None
    columns = re.findall(r'"(.*?)"', named[1])
    assert printed[1].split(",") == columns
    channels = tomllib.loads(EXAMPLES[0])["channels"]
    assert {each["column"] for each in channels.values()} == set(columns) - {"ms"}


def test_a_line_with_a_checksum_is_as_described() -> None:
    body = b"12500,64.25,3.20,88.10,71.35"
    assert check_nmea(with_nmea(body)) == body
