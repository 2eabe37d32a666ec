"""Boards for the tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dashboard.web.folder_source import FolderSource
from tests.support.board_runs import few_samples, served


@pytest.fixture(scope="session")
def few() -> FolderSource:
    return few_samples()


@pytest.fixture(scope="session")
def board(few: FolderSource) -> Iterator[str]:
    with served(few) as address:
        yield address
