"""Settings and fixtures of the whole test run."""

from __future__ import annotations

from hypothesis import settings

from tests.support.chromium import axe, browser

__all__ = ["axe", "browser"]

# A machine under load must not fail a test for being slow.
settings.register_profile("lukewarm", deadline=None)
settings.load_profile("lukewarm")
