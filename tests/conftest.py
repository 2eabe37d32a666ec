"""Settings and fixtures of the whole test run."""

from __future__ import annotations

import pytest
from hypothesis import settings

from tests.support.chromium import axe, browser

__all__ = ["axe", "browser"]

# A machine under load must not fail a test for being slow.
settings.register_profile("lukewarm", deadline=None)
settings.load_profile("lukewarm")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long modules first: with several processes none is left alone with one at the end."""
    long = {
        each.path
        for each in items
        if each.get_closest_marker("slow") or each.get_closest_marker("browser")
    }
    items.sort(key=lambda each: each.path not in long)
